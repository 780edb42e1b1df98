"""The verb pin: tables, JSON, and what it refuses."""

import json

import numpy as np
import pytest

from decoder.bits import Field
from decoder.commands.main import main
from decoder.commands.pin_verb import clock_words, percent, tie_words
from decoder.discovery.field_at import FieldAt, StreamKey
from decoder.discovery.pinned import Match, Pinned

FIELD_KEYS = ["bus", "id", "extended", "transport", "multiplexor", "start", "length", "byte_order", "signed"]


def volts(time_s):
    return 3.6 + 0.2 * np.sin(time_s / 3.1)


@pytest.fixture(scope="module")
def log(tmp_path_factory):
    path = tmp_path_factory.mktemp("pin") / "a.log"
    lines = []
    for number in range(300):
        raw = round(float(volts(number / 10)) * 1000)
        lines.append(f"({1000 + number / 10:.6f}) can0 210#{raw:04X}{raw - 40:04X}{number % 16:02X}\n")
    path.write_text("".join(lines))
    return str(path)


@pytest.fixture
def readings(tmp_path):
    path = tmp_path / "readings.csv"
    rows = [f"{time_s + 4},cell 3 voltage,{volts(time_s):.3f},V\n" for time_s in np.linspace(3, 26, 9)]
    path.write_text("time_s,label,value,unit\n" + "".join(rows))
    return str(path)


def whole(capsys, *arguments):
    assert main(["pin", *arguments, "--json"]) == 0
    return json.loads(capsys.readouterr().out, parse_constant=pytest.fail)


def test_the_json_object_has_its_documented_shape(log, readings, capsys):
    found = whole(capsys, log, "--readings", readings)
    assert list(found) == ["schema", "readings"]
    assert found["schema"] == "cellglean.pin/1"
    (one,) = found["readings"]
    assert list(one) == ["label", "used", "clock_offset_s", "drift_ppm", "matches", "next_reading"]
    assert (one["label"], one["used"], one["drift_ppm"]) == ("cell 3 voltage", 9, None)
    assert one["clock_offset_s"] == pytest.approx(4, abs=0.2)
    best = one["matches"][0]
    assert list(best) == [*FIELD_KEYS, "scale", "offset", "residual", "likelihood", "same_as"]
    assert (best["id"], best["start"], best["length"], best["byte_order"]) == (0x210, 7, 16, "big")
    assert (best["scale"], best["offset"]) == (0.001, 0)
    assert all(list(same) == FIELD_KEYS for match in one["matches"] for same in match["same_as"])
    assert sum(match["likelihood"] for match in one["matches"]) <= 1 + 1e-6


def test_the_table_fits_80_columns_and_names_the_field(log, readings, capsys):
    assert main(["pin", log, "--readings", readings]) == 0
    text = capsys.readouterr().out
    assert max(map(len, text.splitlines())) <= 80
    assert "4.0 s ahead of" in text
    assert "210 7|16@0+" in text
    assert "cell 3 voltage, V: 9 readings" in text


def test_typed_readings_and_marks_are_taken(log, capsys):
    typed = [f"t={time_s} cell 3 {volts(time_s):.3f} V" for time_s in (5.0, 12.0, 19.0)]
    arguments = [part for text in typed for part in ("--reading", text)]
    found = whole(capsys, log, *arguments, "--mark", "t=12 load on cell 3")
    assert [one["label"] for one in found["readings"]] == ["cell 3"]
    assert found["readings"][0]["used"] == 3


def test_the_part_that_is_asked_for_counts_from_the_whole(log, readings, capsys):
    found = whole(capsys, log, "--readings", readings, "--from", "1", "--to", "29")
    assert found["readings"][0]["clock_offset_s"] == pytest.approx(4, abs=0.2)


def test_out_writes_the_same(log, readings, tmp_path, capsys):
    assert main(["pin", log, "--readings", readings, "--json"]) == 0
    printed = capsys.readouterr().out
    out = tmp_path / "found.json"
    assert main(["pin", log, "--readings", readings, "--json", "--out", str(out)]) == 0
    assert out.read_text("utf-8") == printed


@pytest.mark.parametrize(
    ("arguments", "complaint"),
    [
        ([], "there is no reading"),
        (["--reading", "cell 3.6 V"], "begins with no time"),
        (["--reading", "t=1 cell 3.6 V", "--mark", "now"], "no time"),
        (["--readings", "nowhere.csv"], "cannot read"),
    ],
)
def test_what_cannot_be_used_is_told(log, arguments, complaint, capsys):
    assert main(["pin", log, *arguments]) == 2
    told = capsys.readouterr()
    assert complaint in told.err
    assert not told.out
    assert "Traceback" not in told.err


def test_a_bad_row_is_told_with_its_line(log, tmp_path, capsys):
    path = tmp_path / "r.csv"
    path.write_text("time_s,label,value,unit\n1,cell,3.6,V\n2,\x1bcell,x\x1b[31m,V\n")
    assert main(["pin", log, "--readings", str(path)]) == 2
    told = capsys.readouterr().err
    assert "line 3" in told
    assert "\x1b" not in told


def test_labels_and_units_cannot_reach_the_terminal(log, capsys):
    assert main(["pin", log, "--reading", "t=5 cell\x1b[31m 3.7 V\x1b[0m"]) == 0
    assert "\x1b" not in capsys.readouterr().out


def pinned(likelihoods, tied, **more):
    at = FieldAt(StreamKey("can0", 0x210, extended=False), Field(7, 16, "big"))
    matches = tuple(Match(at, 0.001, 0.0, 0.001, one) for one in likelihoods)
    return Pinned("cell", "V", 3, more.pop("offset_s", 0.0), None, matches, tied=tied, **more)


@pytest.mark.parametrize(
    ("likelihoods", "tied", "words"),
    [
        ([0.97], 1, "One field fits best."),
        ([0.16] * 6, 6, "Six fields fit equally."),
        ([0.01] * 50, 73, "73 fields fit equally."),
        ([0.2, 0.1], 1, "One field fits best. It may well be none of them (70%)."),
        ([], 0, "No field carries that at a usual scale."),
    ],
)
def test_ties_are_told_in_words(likelihoods, tied, words):
    assert tie_words(pinned(likelihoods, tied)) == words


def test_the_clock_is_told_only_where_it_is_known():
    assert "12.4 s ahead of" in clock_words([pinned([0.9], 1, offset_s=12.41, clock_unsure_s=0.2)])
    assert "3.0 s behind" in clock_words([pinned([0.9], 1, offset_s=-3.0, clock_unsure_s=0.2)])
    assert "moved enough" in clock_words([pinned([0.9], 1, clock_unsure_s=7.0)])


@pytest.mark.parametrize(("share", "text"), [(1.0, ">99 %"), (0.5, "50 %"), (0.004, "<1 %"), (0.0, "<1 %")])
def test_likelihoods_are_never_none_and_never_all(share, text):
    assert percent(share) == text


def test_a_unit_of_which_no_scale_is_known_is_told(log, capsys):
    assert main(["pin", log, "--reading", "t=5 torque 3.7 Nm"]) == 0
    assert "give V, A, degC" in " ".join(capsys.readouterr().out.split())


def test_the_next_reading_is_told(log, capsys):
    found = whole(capsys, log, "--reading", "t=5 cell 3.7 V")
    following = found["readings"][0]["next_reading"]
    assert following is None or list(following) == ["label", "time_s", "differ_by", "advice"]
