"""Whole blocks at once give what single lines give, and most lines need no reading by themselves."""

import random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoder import read_blocks, read_capture
from decoder.capture import blocks, plain_log
from decoder.capture.blocks import parse_block
from decoder.capture.lines import read_line
from tests.capture.test_lines import vectors
from tests.strategies import candump_texts, damaged_texts

COLUMNS = ("stamp_ns", "kind", "bus", "can_id", "flags", "length", "data", "line")


def assert_same(fast, careful):
    for column in COLUMNS:
        ours, theirs = getattr(fast, column), getattr(careful, column)
        assert ours.dtype == theirs.dtype
        assert ours.tolist() == theirs.tolist(), column
    assert fast.bus_names == careful.bus_names
    assert (fast.lines, fast.blank, fast.skipped) == (careful.lines, careful.blank, careful.skipped)
    assert (+fast.notes, +fast.remarks) == (+careful.notes, +careful.remarks)
    assert fast.first_skipped == careful.first_skipped
    assert len(fast.line) + fast.notes.total() + len(fast.skipped) + fast.blank == fast.lines


@settings(max_examples=200)
@given(candump_texts())
def test_columns_equal_line_by_line_reading(text):
    assert_same(parse_block(text, 1), parse_block(text, 1, careful=True))


@settings(max_examples=300)
@given(damaged_texts())
def test_columns_of_damaged_text_equal_line_by_line_reading(text):
    assert_same(parse_block(text, 7), parse_block(text, 7, careful=True))


@pytest.mark.parametrize(("lines", "says"), list(vectors()))
def test_published_examples_in_a_block_of_their_like(lines, says):
    text = (lines.replace("⏎⇥", "\n\t") + "\n").encode() * 20
    assert_same(parse_block(text, 1), parse_block(text, 1, careful=True))


@pytest.mark.parametrize("careful", [False, True])
@pytest.mark.parametrize("damage", ["", "g", " ", "#", "(", "\x00", "é"])
def test_one_changed_byte_at_every_place_of_a_line(damage, careful):
    line = "(1700000000.123456) vcan1 18FF50E5#0F2D0BB80000FFFF R"
    other = "(1700000001.123456) can0 123#0A1B"
    for place in range(len(line)):
        changed = line[:place] + damage + line[place + 1 :]
        text = "\n".join([other, line, changed, other] * 3).encode("latin-1") + b"\n"
        block = parse_block(text, 1, careful=careful)
        alone = parse_block(changed.encode("latin-1") + b"\n", 1, careful=True)
        assert len(block.line) == 9 + 3 * len(alone.line)
        if len(alone.line):
            for column in ("stamp_ns", "can_id", "flags", "length"):
                assert getattr(block, column)[2] == getattr(alone, column)[0]
            assert block.bus_names[block.bus[2]] == alone.bus_names[0]
            assert block.data[2].tobytes() == alone.data[0].tobytes()


def many_lines(form):
    dice = random.Random(form)
    for number in range(4000):
        stamp = f"{1_700_000_000 + number // 50}.{number % 50 * 20_000 + dice.randrange(20_000):06d}"
        bus = dice.choice(["can0", "vcan10"])
        payload = dice.randbytes(dice.choice([8, 8, 8, 3, 0]))
        name = dice.choice([f"{dice.randrange(0x800):03X}", f"{dice.randrange(0x20000000):08X}"])
        spaced, text = payload.hex(" ").upper(), "".join(chr(b) if 32 <= b < 127 else "." for b in payload)
        begin, shown = f"({stamp})", f"  {name:>8}   [{len(payload)}]  {spaced}"
        yield {
            "log": f"{begin} {bus} {name}#{payload.hex().upper()}",
            "log, nanoseconds": f"({stamp}789) {bus} {name}#{payload.hex().upper()}",
            "log, padded names and direction": f"{begin} {bus:>6} {name}#{payload.hex()} {dice.choice('RT')}",
            "log, CAN FD": f"{begin} {bus} {name}##5{dice.randbytes(16).hex()}",
            "screen": f" {begin}  {bus:>6}{shown}",
            "screen, direction": f" {begin}  {bus:>6}  RX - -{shown}",
            "screen, text": f" {begin}  {bus:>6}{shown:43}   '{text}'",
            "screen, swapped": f" {begin}  {bus:>6}  {name:>8}   [{len(payload)}]  {payload[::-1].hex('`').upper()}",
            "screen, dates": f" (2026-03-01 10:11:{number // 70:02d}.{stamp[-6:]})  {bus:>6}{shown}",
            "screen, colours": f" {begin}  \x1b[3{number % 8}m{bus:>6}\x1b[0m{shown}",
        }[form]


@pytest.mark.parametrize(
    "form",
    [
        "log",
        "log, nanoseconds",
        "log, padded names and direction",
        "log, CAN FD",
        "screen",
        "screen, direction",
        "screen, text",
        "screen, swapped",
        "screen, dates",
        "screen, colours",
    ],
)
def test_few_lines_of_a_usual_capture_are_read_by_themselves(form, monkeypatch):
    text = ("\n".join(many_lines(form)) + "\n").encode()
    careful = parse_block(text, 1, careful=True)
    assert len(careful.line) == 4000
    calls = []

    def counted(line):
        calls.append(line)
        return read_line(line)

    monkeypatch.setattr(blocks, "read_line", counted)
    monkeypatch.setattr(plain_log, "read_line", counted)
    assert_same(parse_block(text, 1), careful)
    assert len(calls) < 100


@given(st.binary(max_size=60).map(lambda text: text.replace(b"x", b"\n")), st.integers(0, 8))
def test_places_of_a_byte(text, blanks):
    buffer = np.frombuffer(b"." * blanks + text + b"\n" + text, np.uint8)
    assert blocks._places(buffer, 10).tolist() == np.flatnonzero(buffer == 10).tolist()


def test_buses_are_numbered_in_the_order_in_which_they_occur(tmp_path):
    path = tmp_path / "a.log"
    rows = ["(1700000000.000000) zzcan1 123#00"] * 20 + ["(1700000001.000000) can0 123#00"] * 20
    path.write_text("\n".join(["(1700000000.000000) gone 12#00", *rows]) + "\n")
    assert read_capture(path).bus_names == ("zzcan1", "can0")


def test_more_names_of_buses_than_a_byte_counts(tmp_path):
    path = tmp_path / "a.log"
    path.write_text("".join(f"(1700000000.{n:06d}) can{n % 300} 123#00\n" for n in range(600)))
    frames = read_capture(path)
    assert len(frames.bus_names) == 255
    assert frames.account.adds_up()
    assert dict(frames.account.skipped_reasons) == {"more than 255 names of buses": 90}
    assert [frames.bus_names[bus] for bus in frames.bus[-3:]] == ["can252", "can253", "can254"]


@pytest.mark.parametrize(
    ("like", "odd"),
    [
        ("(1700000000.123456) can0 123#{:02X}", "(1700000000.123456) can0\x00 123#00"),  # a NUL behind the name
        (" \x1b\x1b[m[m can0  123   [1]  {:02X}", "junk"),  # colours that show once colours are taken off
        ("  can0  123   [1]  {:02X}   'a'", "  can0  123   [1]  00   xa'"),  # a quote is lost
        ("  can0  123   [1]  {:02X}   'a'", "  can0  123   [1]  00   'ax"),
        ("(1700000000.123456) can0 123#{:02X}", "(1700000000.123456) ca#0 123#00"),  # a second one
    ],
)
def test_lines_that_are_nearly_like_the_others(like, odd):
    rows = [like.format(number) for number in range(40)]
    rows[20:20] = [odd]
    text = ("\n".join(rows) + "\n" * 90).encode()
    assert_same(parse_block(text, 1), parse_block(text, 1, careful=True))


def test_payload_columns_are_zero_past_a_frames_length(tmp_path, monkeypatch):
    rows = [f"(1700000000.{n:06d}) can0 123#{'FF' * (n % 9)}" for n in range(100)]
    rows += ["(1700000001.000000) can0 123##5" + "FF" * 64, "(1700000002.000000) can0 123##4" + "FF" * 12, *rows]
    path = tmp_path / "a.log"
    path.write_text("\n".join(rows))
    monkeypatch.setattr(
        np, "empty", lambda shape, dtype=float, order="C": np.full(shape, 255, dtype, order)
    )  # memory as it may come
    for frames in [read_capture(path), *read_blocks(path, block_bytes=500)]:
        past = np.arange(frames.data.shape[1]) >= frames.length[:, None]
        assert (frames.data[past] == 0).all()
        assert (frames.data[~past] == 255).all()
