"""The verb contrast: marks from files, notes and the command line; tables and JSON."""

import json
import sys

import numpy as np
import pytest

from decoder.bits import Field
from decoder.commands.main import main
from decoder.discovery import contrast as contrasting
from decoder.discovery.contrast import Change, LabelContrast
from decoder.discovery.field_at import FieldAt, StreamKey, from_record
from decoder.discovery.proposal import Carrier, Selector

FIELD_KEYS = ["bus", "id", "extended", "transport", "multiplexor", "start", "length", "byte_order", "signed"]
ONSETS_S = (10.0, 22.0, 33.0)


@pytest.fixture
def log(tmp_path):
    """45 s of one identifier: byte 0 says 1 for 4 s from each onset on, byte 1 is noise."""
    rng = np.random.default_rng(1)
    path = tmp_path / "a.log"
    lines = []
    for at in range(450):
        on = any(onset <= at / 10 < onset + 4 for onset in ONSETS_S)
        lines.append(f"({1000 + at / 10:.6f}) can0 201#{int(on):02X}{int(rng.integers(60, 64)):02X}07\n")
    path.write_text("".join(lines))
    return str(path)


@pytest.fixture
def marks(tmp_path):
    path = tmp_path / "marks.csv"
    path.write_text("time_s,label\n10.4,on\n21.7,on\n33.2,on\n")
    return str(path)


@pytest.fixture
def answered(monkeypatch):
    """Let contrasting give what a test puts into this list; it is asked with what is in `asked`."""
    given, asked = [], []

    def answer(frames, given_marks, **more):
        asked.append((frames, given_marks, more))
        return tuple(given)

    monkeypatch.setattr(contrasting, "contrast", answer)
    answer.given, answer.asked = given, asked
    return answer


def change(**more):
    at = FieldAt(StreamKey("can0", 0x201, extended=False), Field(0, 8))
    facts = {
        "at": at, "form": "step", "log_likelihood_ratio": 4.25, "delay_s": -0.31, "direction": "up", "repeats": 2,
        "marks": 3, "size": 1.0,
    }  # fmt: skip
    return Change(**{**facts, **more})


def whole(capsys, *arguments):
    assert main(["contrast", *arguments, "--json"]) == 0
    return json.loads(capsys.readouterr().out, parse_constant=pytest.fail)


def test_the_flag_at_the_marks_is_found_in_the_log(log, marks, capsys):
    found = whole(capsys, log, "--marks", marks)
    assert found["schema"] == "cellglean.contrast/1"
    (label,) = found["labels"]
    assert (label["label"], label["marks"]) == ("on", 3)
    best = label["changes"][0]
    assert 0 in from_record(best).field.bit_numbers()
    assert (best["form"], best["direction"], best["repeats"]) == ("step", "up", 3)
    assert abs(best["delay_s"]) < 0.5
    assert main(["contrast", log, "--marks", marks]) == 0
    out = capsys.readouterr().out
    assert "on, 3 marks in the capture" in out
    assert "3 of 3" in out


def test_the_json_object_has_its_documented_shape(log, marks, answered, capsys):
    inner = Selector(Field(15, 8, "big"), 3, Selector(Field(0, 8), None))
    at = FieldAt(StreamKey("can0", 0x6EA, False, Carrier("iso-tp", b"\x62\x01\x04")), Field(31, 16, "big"), inner)
    answered.given.append(LabelContrast("on", 3, (change(), change(at=at, form="drift", direction="both"))))
    found = whole(capsys, log, "--marks", marks)
    assert list(found) == ["schema", "labels"]
    assert list(found["labels"][0]) == ["label", "marks", "changes"]
    first, second = found["labels"][0]["changes"]
    assert list(first) == [*FIELD_KEYS, "form", "log_likelihood_ratio", "delay_s", "direction", "repeats"]
    assert first == {
        "bus": "can0", "id": 0x201, "extended": False, "transport": None, "multiplexor": None, "start": 0, "length": 8,
        "byte_order": "little", "signed": False, "form": "step", "log_likelihood_ratio": 4.25, "delay_s": -0.31,
        "direction": "up", "repeats": 2,
    }  # fmt: skip
    assert from_record(second) == at
    assert (second["form"], second["direction"]) == ("drift", "both")


def test_marks_come_from_files_notes_and_the_command_line(log, marks, tmp_path, answered, capsys):
    notes = tmp_path / "a.log.notes.toml"
    notes.write_text('[[notes]]\ntext = "lamp  on"\ntime_s = 7.5\n[[notes]]\ntext = "no moment"\n')
    stamped = tmp_path / "stamps.csv"
    stamped.write_text("time_s,label\n1970-01-01T00:16:45Z,stamped\n")
    arguments = ["--marks", marks, "--marks", str(notes), "--marks", str(stamped), "--mark", "t=3 plug pulled"]
    assert main(["contrast", log, *arguments]) == 0
    ((_, given, more),) = answered.asked
    assert [(mark.time_s, mark.label) for mark in given] == [
        (10.4, "on"), (21.7, "on"), (33.2, "on"), (7.5, "lamp on"), (pytest.approx(5.0), "stamped"),
        (3.0, "plug pulled"),
    ]  # fmt: skip
    assert more["first_ns"] == 1000 * 10**9


def test_marks_count_from_the_captures_first_frame_in_a_part_of_it_too(log, marks, answered, capsys):
    assert main(["contrast", log, "--marks", marks, "--from", "15", "--to", "30"]) == 0
    ((frames, given, more),) = answered.asked
    assert more["first_ns"] == 1000 * 10**9
    assert frames.time_ns[0] == 1015 * 10**9
    assert frames.time_ns[-1] < 1030 * 10**9
    assert len(given) == 3
    said = capsys.readouterr().err
    assert said.count("lies outside the capture (15.0 to 29.9 s)") == 2


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ((), "there is no mark"),
        (("--mark", "plug pulled"), "a mark such as t=12.5 plug pulled"),
        (("--marks", "gone.csv"), "gone.csv: cannot read the file"),
        (("--marks", "gone.toml"), "gone.toml: there is no such file"),
        (("--marks", "empty.csv"), "the files of marks hold none"),
        (("--marks", "bad.csv"), "bad.csv, line 2: 'noon' is no time"),
        (("--marks", "bad.toml"), "the notes cannot be read"),
    ],
)
def test_what_cannot_be_done_is_said(log, tmp_path, monkeypatch, capsys, arguments, said):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "empty.csv").write_text("time_s,label\n")
    (tmp_path / "bad.csv").write_text("time_s,label\nnoon,x\n")
    (tmp_path / "bad.toml").write_text("[[notes")
    assert main(["contrast", log, *arguments]) == 2
    error = capsys.readouterr().err
    assert said in error
    assert "Traceback" not in error


def test_weak_changes_are_few_and_none_is_said(log, marks, answered, capsys):
    weak = [change(log_likelihood_ratio=-1.0 - place) for place in range(9)]
    answered.given += [LabelContrast("on", 3, tuple(weak)), LabelContrast("off", 1, ()), LabelContrast("late", 0, ())]
    assert main(["contrast", log, "--marks", marks]) == 0
    out = capsys.readouterr().out
    assert out.count("201 0|8@1+") == 5
    assert "off, 1 mark in the capture\nNothing changed there." in out
    assert "late, 0 marks in the capture\nNothing to compare." in out


def test_strong_changes_are_all_told(log, marks, answered, capsys):
    answered.given.append(LabelContrast("on", 3, tuple(change(size=-20.4, direction="down") for _ in range(9))))
    assert main(["contrast", log, "--marks", marks]) == 0
    out = capsys.readouterr().out
    assert out.count("201 0|8@1+") == 9
    assert "-20 " in out


def test_what_files_say_is_shown_without_control_characters(log, tmp_path, answered, capsys):
    at = FieldAt(StreamKey("can\x1b0", 0x201, extended=False), Field(0, 8))
    answered.given.append(LabelContrast("o\x1bn", 1, (change(at=at),)))
    assert main(["contrast", log, "--mark", "t=900 o\x1bn"]) == 0
    said = capsys.readouterr()
    assert "\x1b" not in said.out + said.err
    assert "o\\x1bn, 1 mark" in said.out


@pytest.mark.parametrize("columns", [80, 120])
def test_lines_fit_the_terminal(log, marks, answered, capsys, monkeypatch, columns):
    selector = Selector(Field(15, 8, "big"), 200, Selector(Field(0, 8), 100))
    key = StreamKey("can0", 0x18FF1234, True, Carrier("iso-tp", bytes(8)))
    long = change(at=FieldAt(key, Field(1031, 16, "big", signed=True), selector), size=-65535.0)
    answered.given.append(LabelContrast("load on a cell " * 9, 3, (long, change(form="drift", size=0.123))))
    monkeypatch.setattr(sys.stdout, "isatty", lambda: True)
    monkeypatch.setenv("COLUMNS", str(columns))
    assert main(["contrast", log, "--marks", marks]) == 0
    out = capsys.readouterr().out
    assert max(map(len, out.splitlines())) <= columns
    assert "+0.12/s" in out


def test_results_go_to_a_file(log, marks, answered, tmp_path, capsys):
    answered.given.append(LabelContrast("on", 3, (change(),)))
    out = tmp_path / "changes.json"
    assert main(["contrast", log, "--marks", marks, "--json", "--out", str(out)]) == 0
    assert json.loads(out.read_text())["labels"][0]["label"] == "on"
    assert capsys.readouterr().out == ""
