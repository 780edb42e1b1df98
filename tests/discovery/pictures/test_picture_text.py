"""The picture of a payload in characters."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from decoder.bits import Field
from decoder.discovery.pictures.payload_picture import picture
from decoder.discovery.pictures.picture_text import picture_lines
from decoder.discovery.proposal import Selector
from tests.discovery.carvings import carving, number
from tests.strategies import fields


def drawn(one, width=80, most=32, first_ns=0):
    return picture_lines(picture(one, most), width, first_ns)


def strip_of(line):
    """What stands between the names of the bits and the bracket."""
    return line.split("│", 1)[1][:-1]


def test_halves_of_a_line_are_two_bits():
    payloads = [bytes([0b01]), bytes([0b10]), bytes([0b11]), bytes([0b00])]
    lines = drawn(carving(payloads, number(Field(1, 2, "big"))))
    (line,) = (line for line in lines if line.lstrip().startswith("0.1-0"))
    strip = line.split("│")[1].split("╴")[0]
    quarter = len(strip) // 4
    assert [strip[quarter * n + quarter // 2] for n in range(4)] == ["▄", "▀", "█", " "]


def test_a_counter_is_a_comb_in_the_close_up_and_grey_in_the_whole():
    lines = drawn(carving([bytes([n % 256]) for n in range(3000)], number(Field(7, 8, "big"), kind="counter")))
    whole, close = lines[4].removesuffix("┘").split("│")[1:]
    assert set(whole) == {"▒"}
    assert "▄▀█ ▄▀█ " in close


def test_bits_at_rest_are_a_thin_line_with_their_value():
    lines = drawn(carving([bytes([0xAB, n]) for n in range(256)], number(Field(7, 8, "big"), kind="constant")))
    assert "┄ AB ┄┄┄" in lines[1]
    assert lines[1].lstrip().startswith("0│")
    assert lines[1].endswith("╴ constant 7|8@0+  90 %")


def test_a_bracket_names_its_field_and_says_what_is_known():
    noise = [bytes(row) for row in np.random.default_rng(1).integers(0, 256, (50, 2), np.uint8)]
    lines = drawn(carving(noise, number(Field(7, 16, "big"), 0.876, lowest=3, highest=900)), width=120)
    assert lines[1].endswith("┐ number 7|16@0+  88 %")
    assert lines[2].endswith("│ 3 to 900")
    assert lines[-1].endswith("┘")


def test_times_count_from_the_captures_first_frame():
    lines = drawn(carving([b"\x00", b"\x01"], number(Field(0, 1)), times_s=[11, 13]), first_ns=10_000_000_000)
    assert lines[0].split()[0] == "1.0"
    assert "3.0 s" in lines[0]


def test_a_single_payload_has_one_time():
    lines = drawn(carving([b"\x62\x01"], times_s=[2]))
    assert [line.split() for line in lines[:1]] == [["2.0", "s"]]
    assert lines[1].startswith("0-1│┄ 62 01 ┄")


def test_what_is_left_out_is_said():
    wide = [bytes(row) for row in np.random.default_rng(3).integers(0, 256, (50, 400), np.uint8)]
    lines = drawn(carving(wide, *(number(Field(7 + 16 * n, 16, "big")) for n in range(200))))
    assert lines[-1].strip() == "not drawn: 196 fields in bytes 8 to 399"
    assert len(lines) <= 34


def test_sections_of_a_multiplexor_have_titles():
    payloads = [bytes([n % 3, n * 5 % 256]) for n in range(60)]
    one = carving(payloads, number(Field(8, 8), selector=Selector(Field(0, 8), 2)))
    assert "under 0|8@1+ = 2: 20 frames" in drawn(one)


def test_nothing_to_draw_is_no_line():
    assert drawn(carving([])) == []


@pytest.mark.parametrize("width", [80, 120, 200])
@given(some=st.lists(fields(8), max_size=6), seed=st.integers(0, 100), count=st.sampled_from([1, 2, 30, 300]))
def test_lines_fit_the_terminal(width, some, seed, count):
    generator = np.random.default_rng(seed)
    moving = generator.integers(0, 256, 8, np.uint8)
    rows = generator.integers(0, 256, (count, 8), np.uint8) & moving
    one = carving([bytes(row) for row in rows], *(number(one, lowest=0, highest=2**60, changes=12) for one in some))
    lines = drawn(one, width)
    assert max(map(len, lines), default=0) <= width
    brackets = {line.index("│") for line in lines[1:] if "│" in line[:12]}
    assert len(brackets) <= 1
