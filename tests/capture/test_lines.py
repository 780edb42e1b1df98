"""Published example lines and what they say; odd lines and what becomes of them."""

import re
from pathlib import Path

import pytest

from decoder.capture.lines import NOTE_DETAIL, NOTE_DOWN, NOTE_DROPS, NOTE_XL, Frame, NoFrame, read_line
from decoder.capture.stamps import StampKind
from decoder.frames import (
    BIT_RATE_SWITCH,
    ERROR,
    ERROR_STATE,
    EXTENDED,
    FD,
    FD_SIZES,
    RAW_DLC_SHIFT,
    RECEIVED,
    REMOTE,
    TRANSMITTED,
)

_ROW = re.compile(r"^([CS]\d+) ⟦(.*?)⟧ (.*)$")


def vectors():
    text = (Path(__file__).parent.parent / "vectors" / "candump_lines.txt").read_text("utf-8")
    for row in text.splitlines():
        found = _ROW.match(row)
        if found:
            yield pytest.param(found[2], found[3], id=found[1])


def flags_of(ext_rtr_err, fd_brs_esi, direction):
    names = (EXTENDED, REMOTE, ERROR, FD, BIT_RATE_SWITCH, ERROR_STATE)
    flags = sum(bit for bit, digit in zip(names, ext_rtr_err + fd_brs_esi, strict=True) if digit == "1")
    return flags | {"rx": RECEIVED, "tx": TRANSMITTED, "-": 0}[direction]


def dlc_of(frame):
    said = frame.flags >> RAW_DLC_SHIFT
    return said or next(code for code, size in enumerate(FD_SIZES) if size >= frame.length)


@pytest.mark.parametrize(("lines", "says"), list(vectors()))
def test_published_examples(lines, says):
    first, *details = lines.replace("⏎⇥", "\n\t").split("\n")
    for detail in details:
        assert read_line(detail) == NoFrame("note", NOTE_DETAIL)
    frame = read_line(first)
    if says.startswith("XL"):
        assert frame == NoFrame("note", NOTE_XL)
        return
    if says.startswith("same parse as S1"):
        says = "123 000 000 3 3 0A1B2C - can0 -"
    can_id, ids, fds, length, dlc, data, time, bus, direction = says.split()
    assert isinstance(frame, Frame)
    assert frame.can_id == int(can_id, 16)
    assert frame.flags & 0xFFF == flags_of(ids, fds, direction)
    assert frame.length == int(length)
    assert dlc_of(frame) == int(dlc, 16)
    assert frame.data.hex().upper() == ("" if data == "-" else data)
    assert frame.bus == bus
    if time == "-":
        assert frame.stamp.kind is StampKind.NONE
    elif time == "LOCAL":
        assert frame.stamp.kind is StampKind.DATE
        assert frame.stamp.ns // 1_000_000_000 == 1_700_000_000
    else:
        assert frame.stamp.ns == int(time.removeprefix("+"))


def log(frame):
    return read_line(f"(1700000000.123456) can0 {frame}")


@pytest.mark.parametrize(
    ("frame", "reason"),
    [
        ("123#1", "odd count"),
        ("123#010", "odd count"),
        ("12#00", "2 hex digits"),
        ("1234#00", "4 hex digits"),
        ("123##", "no flags digit"),
        ("123##G", "no flags digit"),
        ("123#XY", "not hex"),
        ("123#_9", "fewer than 8"),
        ("123#11223344_9", "fewer than 8"),
    ],
)
def test_what_the_reference_parser_refuses_is_skipped_with_a_reason(frame, reason):
    read = log(frame)
    assert isinstance(read, NoFrame)
    assert read.kind == "skipped"
    assert reason in read.why


def test_nine_bytes_keep_the_first_eight_and_say_so():
    frame = log("123#112233445566778899")
    assert frame.data == bytes.fromhex("1122334455667788")
    assert any("more than 8" in remark for remark in frame.remarks)


def test_65_fd_bytes_keep_the_first_64_and_say_so():
    frame = log("123##4" + "AB" * 65)
    assert frame.length == 64
    assert frame.remarks


def test_an_fd_length_that_is_none_is_kept_and_said():
    frame = log("123##4" + "AB" * 9)
    assert frame.length == 9
    assert frame.remarks


def test_a_three_digit_identifier_above_7ff_is_kept_and_said():
    frame = log("FFF#00")
    assert (frame.can_id, frame.flags, len(frame.remarks)) == (0xFFF, 0, 1)


def test_eight_digits_are_extended_even_if_small():
    assert log("00000123#11").flags == EXTENDED
    assert log("123#11").flags == 0


def test_bit_29_makes_an_error_frame_that_keeps_class_and_bytes():
    frame = log("20000204#0030000000008781")
    assert frame.flags == ERROR
    assert frame.can_id == 0x204
    assert frame.data == bytes.fromhex("0030000000008781")
    assert log("ABCDEF12#00").flags == ERROR


@pytest.mark.parametrize(("body", "length", "dlc"), [("R9", 0, 0), ("R8_8", 8, 0), ("R8_C", 8, 12), ("r6", 6, 0)])
def test_remote_frames(body, length, dlc):
    frame = log(f"123#{body}")
    assert frame.flags & REMOTE
    assert (frame.length, frame.flags >> RAW_DLC_SHIFT, frame.data) == (length, dlc, b"")


@pytest.mark.parametrize("suffix", ["_8", "_G"])
def test_a_suffix_that_says_nothing_is_ignored(suffix):
    frame = log("321#1122334455667788" + suffix)
    assert frame.flags == 0
    assert frame.length == 8


@pytest.mark.parametrize(
    "stamp", ["1700000000.12345", "1700000000.1234567", "1700000000.4294967295", "abc", "1e9.000000"]
)
def test_stamps_with_another_count_of_decimals_are_refused(stamp):
    read = read_line(f"({stamp}) can0 123#00")
    assert isinstance(read, NoFrame)
    assert "time stamp" in read.why


def test_nanoseconds_stay_exact():
    assert read_line("(1700000000.123456789) can0 123#00").stamp.ns == 1_700_000_000_123_456_789


@pytest.mark.parametrize(
    ("line", "kind"),
    [
        ("DROPCOUNT: dropped 12 CAN frames on 'can0' socket (total drops 12)", NOTE_DROPS),
        ("DROPCOUNT: dropped 1 CAN frame on 'can0' socket (total drops 13)", NOTE_DROPS),
        ("can0: interface down", NOTE_DOWN),
        ("\tbus-off", NOTE_DETAIL),
        ("# made by hand", "comment"),
        ("; also", "comment"),
    ],
)
def test_lines_without_a_frame_by_design_are_notes(line, kind):
    assert read_line(line) == NoFrame("note", kind)


@pytest.mark.parametrize("line", ["", "  ", "\r", "\t "])
def test_blank_lines(line):
    assert read_line(line).kind == "blank"


def test_colour_sequences_are_taken_off():
    assert read_line("\x1b[31m can0  123   [2]  0A 1B\x1b[0m").data == bytes.fromhex("0A1B")


def test_nuls_and_blanks_after_a_frame_do_not_matter():
    assert log("123#0A1B \x00\x00 ").data == bytes.fromhex("0A1B")
    assert read_line("\x00\x00").why == "only NUL bytes"


def test_quotes_within_the_text_column():
    frame = read_line("  can0  456   [8]  27 20 27 45 52 52 4F 52   '' 'ERROR'")
    assert frame.data == bytes.fromhex("27202745 52524F52")
    assert not frame.flags & ERROR


def test_a_screen_line_with_too_few_bytes_is_skipped():
    assert "3 bytes" in read_line("  can0  123   [3]  0A 1B").why


def test_a_frame_behind_a_tab_is_no_detail_line():
    assert log("123#0A").data == read_line("\t(1700000000.123456) can0 123#0A").data
    assert read_line("\t (1700000000.123456)  can0  123   [1]  0A").data == b"\x0a"
    assert read_line("\t(1700000000.123456) can0 123#0").kind == "skipped"


@pytest.mark.parametrize("name", ["ca\x00n0", "ca\x1bn0", "can0\x07", "\x9bcan0"])
def test_control_characters_in_a_bus_name_are_refused(name):
    assert read_line(f"(1700000000.123456) {name} 123#00").kind == "skipped"


def test_a_bus_name_has_at_most_21_characters():
    assert isinstance(read_line(f"(1700000000.123456) {'c' * 21} 123#00"), Frame)
    assert "21 characters" in read_line(f"(1700000000.123456) {'c' * 22} 123#00").why


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        ("can0 123#00", "no time stamp"),
        ("(1700000000.123456) can0 123#00 R R", "behind the frame"),
        ("(1700000000.123456) can0 123#00 X", "behind the frame"),
        ("(1700000000.123456) can0 20000080#R", "cannot be a remote frame"),
        ("(1700000000.123456) can0 123##R", "no flags digit"),
        ("(9999999999.123456) can0 123#00", "too large"),
        ("  can0  123   [3]  remote requests", "3 bytes"),
        ("  can0  123   [12]  remote request", "cannot be a remote frame"),
        ("  can0  20000080   [8]  remote request", "cannot be a remote frame"),
        ("  can0  123   [9]  00 01 02 03 04 05 06 07 08", "more than 8 bytes"),
        ("  can0  123   [65]  00", "more than 64 bytes"),
        ("  can0  123   [0]  00", "length of 0"),
        ("  can0  123   [2]  0A 1B 2C", "2 bytes"),
        ("  can0  123   [2]  0A1B", "2 bytes"),
        ("  can0  1234   [2]  0A 1B", "4 hex digits"),
        ("(1700000000.123456) can0 F2345678#00\r(1700000000.123456) can0 123#00", "behind the frame"),
        ("123.123456) can0 123#00", "no bus name"),
        ("(17000000", "no bus name"),
        ("user@bench:~$ ls", "no frame"),
        ("\x00\x00(1700000000.123456) can0 123#00", "NUL"),
        ("\xef\xbb\xbf(1700000000.123456) can0 123#00", "no bus name"),
    ],
)
def test_what_cannot_be_read_has_a_reason(line, reason):
    read = read_line(line)
    assert isinstance(read, NoFrame)
    assert read.kind == "skipped"
    assert reason in read.why


def test_raw_dlc_on_the_screen():
    frame = read_line("  can0  RX - -  321   {F}  11 22 33 44 55 66 77 88")
    assert (frame.length, frame.flags >> RAW_DLC_SHIFT) == (8, 15)


def test_a_text_column_with_an_error_frame():
    frame = read_line("  can0  20000080   [8]  00 00 00 00 00 00 00 00   '........'   ERRORFRAME")
    assert frame.flags == ERROR


def test_swapped_bytes_of_the_text_column():
    line = "  can0  123   [3]  2C`1B`0A                  `,..`"
    frame = read_line(line)
    assert frame.data.hex() == "0a1b2c"
    assert line[slice(*frame.text_at)] == ",.."


def test_bus_names_may_be_padded_to_the_longest():
    assert read_line("(1700000000.123456)     can0 123#00").bus == "can0"


def test_can_xl_on_the_screen_with_directions():
    line = " (1700000000.123456)  can0  RX S -  123 [0005] (45|81:03:DEADBEEF) 01 02 03 04 05"
    assert read_line(line) == NoFrame("note", NOTE_XL)
