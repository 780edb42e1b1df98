"""The verb survey: table and JSON."""

import json

import pytest

from decoder.commands.main import main

LOG = "".join(
    f"({1 + n / 100:.6f}) can0 123#{n % 4:02X}FF\n({1 + n / 100 + 0.001:.6f}) can1 18FF50E5#0102030405060708\n"
    for n in range(50)
)


@pytest.fixture
def log(tmp_path):
    path = tmp_path / "a.log"
    path.write_text(LOG + "rubbish\n")
    return str(path)


def whole(capsys, *arguments):
    assert main(["survey", *arguments, "--json"]) == 0
    return json.loads(capsys.readouterr().out)


def test_the_json_object_has_its_documented_shape(log, capsys):
    found = whole(capsys, log)
    assert list(found) == ["schema", "capture", "skipped_lines", "skipped_reasons", "time", "loads", "identifiers"]
    assert found["schema"] == "cellglean.survey/1"
    assert found["capture"] == {
        "path": log,
        "lines": 101,
        "frames": 100,
        "notes": 0,
        "skipped": 1,
        "blank": 0,
        "buses": ["can0", "can1"],
        "first_ns": 1_000_000_000,
        "last_ns": 1_491_000_000,
    }
    assert [one["line"] for one in found["skipped_lines"]] == [101]
    assert sum(found["skipped_reasons"].values()) == 1
    assert found["time"] == {"backwards": 0, "gaps": 0, "equal_stamps": 0}
    first = found["identifiers"][0]
    assert first == {
        "bus": "can0",
        "id": 0x123,
        "extended": False,
        "frames": 50,
        "lengths": {"2": 50},
        "period_ms": 10.0,
        "jitter_ms": 0.0,
        "burst": 1,
        "first_ns": 1_000_000_000,
        "last_ns": 1_490_000_000,
        "changing_bits": 2,
        "changing": "0300",
        "constant": {"1": 255},
        "transport": None,
    }
    assert [load["bus"] for load in found["loads"]] == ["can0", "can1"]


def test_the_table_has_a_line_for_each_identifier(log, capsys):
    assert main(["survey", log]) == 0
    lines = capsys.readouterr().out.splitlines()
    row = next(line for line in lines if "123" in line.split())
    assert row.split() == ["can0", "123", "50", "10.0", "0.0", "2", "2", "0:00.0", "0:00.5", "03", "··"]
    assert any(line.startswith("can0: 50 frames, ") and "500 kbit/s" in line for line in lines)


@pytest.mark.parametrize(("written", "rate"), [("250k", 250_000), ("125000", 125_000), ("1000K", 1_000_000)])
def test_the_load_is_reckoned_with_the_bit_rate_that_is_named(log, capsys, written, rate):
    load = whole(capsys, log, "--bit-rate", written)["loads"][0]
    assert load["bit_rate"] == rate
    assert load["least_percent"] == pytest.approx(50 * (34 + 16 + 13) / 0.491 / rate * 100, abs=0.001)


@pytest.mark.parametrize("written", ["0", "fast", "-5", "1.5k", "k", ""])
def test_a_bit_rate_that_is_none_is_refused(log, capsys, written):
    with pytest.raises(SystemExit) as stop:
        main(["survey", log, f"--bit-rate={written}"])
    assert stop.value.code == 2
    assert "is no bit rate" in capsys.readouterr().err


def test_a_range_without_frames_is_said(log, capsys):
    assert main(["survey", log, "--from", "500"]) == 0
    assert "No frames." in capsys.readouterr().out


def test_the_result_goes_to_a_file(log, tmp_path, capsys):
    out = tmp_path / "s.json"
    assert main(["survey", log, "--json", "--out", str(out)]) == 0
    assert json.loads(out.read_text())["schema"] == "cellglean.survey/1"


def test_bus_names_with_escapes_are_shown_as_text(tmp_path, capsys):
    path = tmp_path / "e.log"
    path.write_text("(1.000000) c\x1b[31m 123#00\n(2.000000) can1 123#00\n")
    assert main(["survey", str(path)]) == 0
    assert "\x1b" not in capsys.readouterr().out
