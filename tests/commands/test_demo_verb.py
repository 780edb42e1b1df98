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


def above_notice(findings):
    return [one for one in findings if one["severity"] != "notice"]


def test_the_text_names_the_weak_module_and_its_lowest_cell(capsys):
    assert main(["demo", "--text"]) == 0
    text = capsys.readouterr().out
    weak = fault("weak-module")
    (row,) = [line for line in text.splitlines() if "warning   module-spread" in line]
    assert f"module {weak['module']} cell {weak['cell']}" in row
    assert "High voltage kills" in text


def test_every_fault_is_found_by_its_code_and_nothing_else_is(findings):
    assert sorted(one["code"] for one in above_notice(findings)) == sorted(one["finding"] for one in TRUTH["faults"])


def test_the_weak_module_is_there_all_the_time(findings):
    (spread,) = [one for one in findings if one["code"] == "module-spread"]
    weak = fault("weak-module")
    assert (spread["place"]["module"], spread["place"]["cell"]) == (weak["module"], weak["cell"])
    assert spread["to_ns"] - spread["from_ns"] > 80e9


def test_the_resistive_cell_is_told_with_its_resistance(findings):
    truth = fault("cell-resistance")
    (own,) = [one for one in findings if one["code"] == "cell-resistance"]
    assert (own["place"]["module"], own["place"]["cell"]) == (truth["module"], truth["cell"])
    assert own["unit"] == "mohm"
    # a little more than the ohmic part: what relaxes within a second is in it
    assert own["value"] == pytest.approx(truth["others_mohm"] + truth["more_mohm"], rel=0.05)
    assert "module-spread" in own["also"]


def test_the_sense_wire_is_told_with_both_cells_and_what_it_explains(findings):
    truth = fault("tap-intermittent")
    (tap,) = [one for one in findings if one["code"] == "tap-suspect"]
    assert (tap["place"]["module"], tap["place"]["cell"]) == (truth["module"], truth["cell"])
    both = {f"Cell_{truth['module']}_{cell:02d}_V" for cell in (truth["cell"], truth["neighbour"])}
    assert both <= set(tap["channels"])
    assert abs(tap["from_ns"] / 1e9 - findings_zero() - truth["from_s"]) < 1
    assert abs(tap["to_ns"] / 1e9 - findings_zero() - truth["to_s"]) < 1
    assert set(tap["also"]) >= {"module-spread", "channel-absent"}


def test_the_stuck_thermistor(findings):
    truth = fault("thermistor-stuck")
    (stuck,) = [one for one in findings if one["code"] == "channel-stuck"]
    assert (stuck["place"]["module"], stuck["place"]["sensor"]) == (truth["module"], truth["sensor"])


def test_contactors_that_are_held_without_the_supply_are_the_gravest(findings):
    begin = fault("keep-alive-holds-contactors")["from_s"]
    held = findings[0]
    assert (held["code"], held["severity"]) == ("contactor-held", "danger")
    assert abs(held["from_ns"] / 1e9 - findings_zero() - begin) < 1
    assert held["also"] == ["supply-low"]
    assert "does not make the vehicle safe" in held["explanation"]


def findings_zero():
    from decoder import read_capture

    return int(read_capture(FILES[0], to_s=0.1).time_ns[0]) / 1e9


def test_wake_up_and_lost_frames_are_notices(findings):
    notices = [one for one in findings if one["severity"] == "notice"]
    assert {one["code"] for one in notices} == {"channel-absent", "frames-lost"}
    (absent,) = [one for one in notices if one["code"] == "channel-absent"]
    assert absent["from_ns"] / 1e9 - findings_zero() < 1


def test_fail_on_a_severity(capsys):
    assert main(["judge", *FILES, "--fail-on", "danger"]) == 1
    assert main(["judge", *FILES, "--fail-on", "danger", "--to", "60"]) == 0
