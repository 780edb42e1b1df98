"""The demo's text result names what the truth file says is wrong."""

import json
from pathlib import Path

import pytest

from decoder.commands.main import main

ROOT = Path(__file__).resolve().parents[2]
TRUTH = json.loads((ROOT / "captures" / "harbour_shuttle.truth.json").read_text("utf-8"))
FILES = [
    str(ROOT / "captures" / "harbour_shuttle.log.xz"),
    "--map",
    str(ROOT / "signal_maps" / "harbour_shuttle.dbc"),
    "--sheet",
    str(ROOT / "signal_maps" / "harbour_shuttle.toml"),
]


def fault(kind):
    (found,) = [one for one in TRUTH["faults"] if one["kind"] == kind]
    return found


@pytest.fixture(scope="module")
def findings(tmp_path_factory):
    out = tmp_path_factory.mktemp("judge") / "out.json"
    assert main(["judge", *FILES, "--json", "--out", str(out)]) == 0
    result = json.loads(out.read_text("utf-8"))
    assert result["schema"] == "cellglean.judge/1"
    return result["findings"]


def test_the_text_names_the_weak_module_and_its_lowest_cell(capsys):
    assert main(["demo", "--text"]) == 0
    text = capsys.readouterr().out
    weak = fault("weak-module")
    rows = [line for line in text.splitlines() if "module-spread" in line]
    assert f"module {weak['module']} cell {weak['cell']}" in rows[0]  # there all the time, so it comes first
    assert "High voltage kills" in text


def test_the_weak_module_is_there_all_the_time_and_no_sound_module_is_named(findings):
    spreads = [one for one in findings if one["code"] == "module-spread"]
    weak = fault("weak-module")["module"]
    first = spreads[0]
    assert first["place"]["module"] == weak
    assert first["to_ns"] - first["from_ns"] > 80e9
    faulty = {weak, fault("cell-resistance")["module"], fault("tap-intermittent")["module"]}
    assert {one["place"]["module"] for one in spreads} == faulty


def test_the_resistive_cell_shows_only_under_load(findings):
    truth = fault("cell-resistance")
    own = [one for one in findings if one["code"] == "module-spread" and one["place"]["module"] == truth["module"]]
    assert {one["place"]["cell"] for one in own} == {truth["cell"]}
    assert all(one["to_ns"] - one["from_ns"] < 60e9 for one in own)


def test_the_stuck_thermistor(findings):
    truth = fault("thermistor-stuck")
    (stuck,) = [one for one in findings if one["code"] == "channel-stuck"]
    assert (stuck["place"]["module"], stuck["place"]["sensor"]) == (truth["module"], truth["sensor"])


def test_the_supply_that_is_taken_away(findings):
    begin = fault("keep-alive-holds-contactors")["from_s"]
    (low,) = [one for one in findings if one["code"] == "supply-low"]
    assert abs(low["from_ns"] / 1e9 - findings_zero() - begin) < 1


def findings_zero():
    from decoder import read_capture

    return int(read_capture(FILES[0], to_s=0.1).time_ns[0]) / 1e9


def test_wake_up_is_one_notice(findings):
    notices = [one for one in findings if one["severity"] == "notice"]
    assert [one["code"] for one in notices] == ["channel-absent"]
    assert notices[0]["from_ns"] / 1e9 - findings_zero() < 1


def test_fail_on_a_severity(capsys):
    assert main(["judge", *FILES, "--fail-on", "warning"]) == 1
    assert main(["judge", *FILES, "--fail-on", "danger"]) == 0
