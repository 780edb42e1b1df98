"""The exchanges verb: table, JSON, what it keeps and what it hides."""

import io
import json
import os
import sys

import pytest

from decoder.commands import exchanges_verb
from decoder.commands.main import main
from tests.commands.test_demo_verb import FILES, ROOT
from tests.screens.small_talk import POLLS, VIN, talk_rows

DEMO = FILES[0]
EXCHANGE = {
    "time_ns",
    "bus",
    "asker",
    "answerer",
    "service",
    "identifier",
    "name",
    "request",
    "answer",
    "outcome",
    "reason",
    "latency_ms",
    "functional",
    "pending",
    "text",
}
IDENTITY = {"bus", "answerer", "service", "identifier", "name", "text", "time_ns"}


def as_log(rows, bus="can0"):
    """Rows of (time_s, identifier, data) as a candump log."""
    return "".join(
        f"({1_700_000_000 + time_s:.6f}) {bus} {can_id:0{3 if can_id < 0x800 else 8}X}#{data.hex().upper()}\n"
        for time_s, can_id, data in rows
    )


@pytest.fixture(scope="module")
def log(tmp_path_factory):
    path = tmp_path_factory.mktemp("talk") / "talk.log"
    path.write_text(as_log(talk_rows()), "utf-8")
    return str(path)


def said(capsys, *arguments):
    assert main(["exchanges", *arguments]) == 0
    return capsys.readouterr().out


def whole(capsys, *arguments):
    return json.loads(said(capsys, *arguments, "--json"))


def rows_of(text):
    return [line for line in text.splitlines() if " s  6E2 > 6EA" in line]


def test_the_text_counts_names_the_part_and_has_a_line_for_each_exchange(log, capsys):
    text = said(capsys, log)
    assert text.splitlines()[0].startswith(f"{POLLS + 8} exchanges: {POLLS + 5} answered, ")
    part = next(line for line in text.splitlines() if line.startswith("vehicle manufacturer spare part number"))
    assert part.split()[-3:] == ["F187", "HS-PK-TEST-1", "6EA"]
    rows = rows_of(text)
    assert len(rows) == POLLS + 8  # repeated polls are not left out
    for word in ("0.000 s", "22 F187", "read data by identifier", "15", "5.0", "answered", "text 'HS-PK-TEST-1'"):
        assert word in rows[0]
    assert "1 trouble code: P0AA6-17 confirmed, test failed" in rows[3]
    assert "refused" in rows[4]
    assert "security access denied; asked 2E F1 8C 4E 45 57" in rows[4]
    assert "2 x pending" in rows[5]
    assert "15.0" in rows[5]
    assert rows[6].endswith("unanswered  asked 22 01 99")
    assert "F187 text 'HS-PK-TEST-1'; F18C text 'SN-0007'" in rows[7]
    assert "00 01 02 03 04 05 06 07 08 09 0A 0B 0C 0D 0E 0F …" in rows[8]
    assert "missing; 62 01 04" in rows[8 + 7]


def test_the_json_object_has_its_documented_shape(log, capsys):
    result = whole(capsys, log)
    assert set(result) == {"schema", "exchanges", "identity"}
    assert result["schema"] == "cellglean.exchanges/1"
    assert all(set(one) == EXCHANGE for one in result["exchanges"])
    assert all(set(one) == IDENTITY for one in result["identity"])
    first = result["exchanges"][0]
    assert first == {
        "time_ns": 1_700_000_001_000_000_000,
        "bus": "can0",
        "asker": {"id": 0x6E2, "extended": False, "address": None},
        "answerer": {"id": 0x6EA, "extended": False, "address": None},
        "service": 0x22,
        "identifier": 0xF187,
        "name": "read data by identifier",
        "request": "22F187",
        "answer": (b"\x62\xf1\x87HS-PK-TEST-1").hex().upper(),
        "outcome": "answered",
        "reason": None,
        "latency_ms": 5.0,
        "functional": False,
        "pending": 0,
        "text": "text 'HS-PK-TEST-1'",
    }
    refused, waited, unanswered = result["exchanges"][4:7]
    assert (refused["outcome"], refused["reason"]) == ("refused", "security access denied")
    assert (waited["outcome"], waited["pending"], waited["latency_ms"]) == ("answered", 2, 15.0)
    assert (unanswered["answer"], unanswered["latency_ms"], unanswered["text"]) == (None, None, None)
    assert result["exchanges"][3]["identifier"] is None  # 19 names none
    assert [one["text"] for one in result["identity"]] == ["HS-PK-TEST-1", "SN-0007", "TES**************"]


def test_the_shape_is_documented_where_it_is_made():
    for key in EXCHANGE | IDENTITY | {"id", "extended", "address"}:
        assert key in exchanges_verb.__doc__


def test_a_vehicle_identification_number_is_hidden_unless_asked_for(log, capsys):
    for form in ((), ("--json",)):
        hidden = said(capsys, log, *form)
        assert VIN.decode() not in hidden
        assert VIN.hex().upper() not in hidden.replace(" ", "")
        assert VIN.decode() in said(capsys, log, *form, "--show-vin")
    answers = [one["answer"] for one in whole(capsys, log, "--identifier", "F190")["exchanges"]]
    assert answers == ["62F190" + "**" * 17]
    assert bytes.fromhex(whole(capsys, log, "--show-vin")["exchanges"][2]["answer"])[3:] == VIN


@pytest.mark.parametrize("form", [(), ("--text",)])
def test_open_hides_it_too_unless_asked_for(log, capsys, form):
    assert main(["open", log, *form]) == 0
    assert "TES**************" in capsys.readouterr().out
    assert main(["open", log, *form, "--show-vin"]) == 0
    assert VIN.decode() in capsys.readouterr().out


@pytest.mark.parametrize(
    ("given", "count"),
    [
        (("F18C",), 3),  # read, written, and read as the second of two
        (("0xf18c",), 3),
        (("F190", "202"), 2),
        (("104",), POLLS),
        (("ABCD",), 0),
    ],
)
def test_identifier_keeps_what_is_about_it(log, capsys, given, count):
    arguments = [word for one in given for word in ("--identifier", one)]
    assert len(whole(capsys, log, *arguments)["exchanges"]) == count


def test_end_keeps_what_either_side_says(log, tmp_path, capsys):
    both = tmp_path / "both.log"
    elsewhere = [(time_s + 0.06, can_id + 0x100, data) for time_s, can_id, data in talk_rows(3)]
    rows = sorted([*talk_rows(), *elsewhere], key=lambda row: row[0])
    both.write_text(as_log(rows), "utf-8")
    everything = whole(capsys, str(both))["exchanges"]
    ids = [(one["asker"]["id"], one["answerer"]["id"]) for one in everything]
    assert set(ids) == {(0x6E2, 0x6EA), (0x7E2, 0x7EA)}
    for given in (("--end", "7EA"), ("--end", "0x7e2")):
        kept = whole(capsys, str(both), *given)["exchanges"]
        assert [one for one in everything if one["asker"]["id"] == 0x7E2] == kept
    assert len(whole(capsys, str(both), "--end", "6E2", "--end", "7EA")["exchanges"]) == len(everything)


def test_failed_keeps_what_came_to_no_good_end(log, capsys):
    kept = whole(capsys, log, "--failed")["exchanges"]
    assert [one["outcome"] for one in kept] == ["refused", "unanswered", "broken"]
    assert said(capsys, log, "--failed").startswith(
        f"3 exchanges: 1 refused, 1 unanswered, 1 broken (of {POLLS + 8})\n"
    )


def test_none_kept_says_how_many_there_are(log, capsys):
    assert f"None of {POLLS + 8} exchanges" in said(capsys, log, "--end", "123")


def test_a_capture_without_questions_says_what_that_can_mean(tmp_path, capsys):
    path = tmp_path / "quiet.log"
    path.write_text(as_log([(n / 10, 0x123, bytes([n, 1, 2])) for n in range(20)]), "utf-8")
    text = said(capsys, str(path))
    assert "No questions and answers" in text
    assert "broadcast" in text
    assert whole(capsys, str(path)) == {"schema": "cellglean.exchanges/1", "exchanges": [], "identity": []}
    assert main(["open", str(path), "--text"]) == 0
    assert "exchange" not in capsys.readouterr().out


def test_two_buses_have_a_column(log, tmp_path, capsys):
    path = tmp_path / "two.log"
    path.write_text(as_log(talk_rows()) + as_log(talk_rows(), "can1"), "utf-8")
    text = said(capsys, str(path))
    assert "bus" in next(line for line in text.splitlines() if "from > to" in line).split()
    assert "6EA on can1" in text
    only = said(capsys, str(path), "--bus", "can1")
    assert "can0" not in only
    assert len(rows_of(only)) == POLLS + 8


def test_out_writes_the_same_as_is_printed(log, tmp_path, capsys):
    out = tmp_path / "exchanges.txt"
    assert said(capsys, log, "--out", str(out)) == ""
    assert out.read_text("utf-8") == said(capsys, log)


class Terminal(io.StringIO):
    def isatty(self):
        return True

    def fileno(self):
        raise OSError


def test_lines_are_cut_to_a_terminal_only(log, monkeypatch, tmp_path, capsys):
    whole_text = said(capsys, log)
    assert max(len(line) for line in whole_text.splitlines()) > 120
    monkeypatch.setattr("shutil.get_terminal_size", lambda: os.terminal_size((112, 30)))
    terminal = Terminal()
    monkeypatch.setattr(sys, "stdout", terminal)
    assert main(["exchanges", log]) == 0
    shown = terminal.getvalue().splitlines()
    assert max(len(line) for line in shown) == 112
    for cut, line in zip(shown, whole_text.splitlines(), strict=True):
        assert cut == line or (cut.endswith("…") and line.startswith(cut[:-1]))
    out = tmp_path / "whole.txt"
    assert main(["exchanges", log, "--out", str(out)]) == 0
    assert out.read_text("utf-8") == whole_text


@pytest.mark.parametrize("arguments", [("--end", "6EG"), ("--identifier", ""), ("--identifier", "-1"), ("--end", "0x")])
def test_what_is_no_number_in_hex_cannot_be_used(log, arguments, capsys):
    with pytest.raises(SystemExit) as stop:
        main(["exchanges", log, *arguments])
    assert stop.value.code == 2
    assert "to do: " in capsys.readouterr().err


def test_bus_names_with_escapes_are_shown_as_text(tmp_path, capsys):
    path = tmp_path / "odd.log"
    path.write_text(as_log(talk_rows(), "c\x1b[31m") + as_log(talk_rows(), "can1"), "utf-8")
    assert "\x1b" not in said(capsys, str(path))


def test_the_demo_tells_its_part_number(capsys):
    assert main(["demo", "--text"]) == 0
    text = capsys.readouterr().out
    assert "spare part number HS-PK-062-0417 (F187, from 6EA)" in text
    assert "CGHARBRSHTL000001" not in text
    assert main(["demo", "--text", "--show-vin"]) == 0
    assert "CGHARBRSHTL000001" in capsys.readouterr().out


def test_the_demos_exchanges_are_those_that_were_put_into_it(capsys):
    truth = json.loads((ROOT / "captures" / "harbour_shuttle.truth.json").read_text("utf-8"))["conversation"]
    found = whole(capsys, DEMO, "--show-vin")["exchanges"]
    for one, true in zip(found, truth["exchanges"], strict=True):
        assert one["pending"] == true["pending"]
        if true["recorded_whole"]:
            assert one["request"].replace(" ", "") == true["request"]
            assert (one["answer"] or "").replace(" ", "") == (true["answer"] or "")
            assert one["outcome"] == true["outcome"]
        else:  # frames of the answer are not in the capture, or the question is not
            assert one["outcome"] == "broken" or one["request"] is None
