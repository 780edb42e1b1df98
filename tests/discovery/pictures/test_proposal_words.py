"""What is known of a field, in words; any part of it may be missing."""

import unicodedata

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from decoder.bits import Field
from decoder.discovery.pictures.proposal_words import bits_words, proposal_words
from tests.discovery.carvings import number

KINDS = ["constant", "counter", "check", "flag", "state", "number", "multiplexor", "text", "unknown"]


def words(kind, **detail):
    return proposal_words(number(Field(0, 8), kind=kind, **detail))


@pytest.mark.parametrize(
    ("kind", "detail", "said"),
    [
        ("counter", {"step": 1, "modulus": 16, "lowest": 0, "exceptions": 0},
         "counts up by 1, modulo 16, without exception"),
        ("counter", {"step": -2, "modulus": 15, "lowest": 1}, "counts down by 2, modulo 15 from 1"),
        ("counter", {"exceptions": 1}, "1 exception"),
        ("check", {"form": "CRC-8", "holds": 99, "frames": 1000}, "CRC-8, holds in 99 of 1,000"),
        ("check", {"covers": [0, 1, 2, 5], "constant": 0x27, "polynomial": 0x1D},
         "over bytes 0 to 2, 5, polynomial 0x1D, constant 0x27"),
        ("check", {"proved": True, "rank": 35}, "proved (35 independent differences of payloads)"),
        ("check", {"proved": False}, "not proved"),
        ("check", {"covers": [0, 1], "parameters": {"polynomial": 0x1D, "constant": 0, "hidden_behind": "5C"}},
         "over bytes 0 to 1, polynomial 0x1D, with 5C behind them, not sent"),
        ("flag", {"values": [{"value": 0, "frames": 1200, "dwell_ms": 40.0}, {"value": 1, "frames": 3}]},
         "0 (1,200x, 40 ms), 1 (3x)"),
        ("multiplexor", {"values": [{"value": n} for n in range(28)], "cyclic": True},
         "28 values: 0 to 27, in a fixed turn"),
        ("number", {"lowest": -3, "highest": 40, "changes": 1}, "-3 to 40, 1 change"),
        ("number", {"not_available": [65535, 65534]}, "65535, 65534 taken as not available"),
        ("number", {"indexes": [1, 2, 3, 9]}, "index 1 to 3, 9"),
        ("text", {"text": "HS-\x1b[2J"}, '"HS-\\x1b[2J"'),
        ("constant", {"value": 190}, "always 190 (0xBE)"),
        ("constant", {"value": 0}, "always 0"),
        ("state", {"hidden": True, "values": [{"value": 65}]},
         "holds a vehicle identification number; --show-vin shows it"),
    ],
)  # fmt: skip
def test_words(kind, detail, said):
    assert words(kind, **detail) == said


@pytest.mark.parametrize("kind", KINDS)
def test_nothing_known_is_nothing_said(kind):
    assert words(kind) == ""


def test_numbers_of_numpy_are_numbers():
    assert words("number", lowest=np.int64(3), highest=np.uint64(2**63), changes=np.int32(2)) == (
        "3 to 9223372036854775808, 2 changes"
    )


def test_a_dwell_time_that_is_not_known_is_left_out():
    assert words("flag", values=[{"value": 1, "frames": 2, "dwell_ms": float("nan")}]) == "1 (2x)"


def test_certain_and_likely_bits_are_places():
    assert bits_words({"certain": {"start": 4, "length": 13}}, "certain") == "4|13"
    assert bits_words({}, "likely") == ""


ANYTHING = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text() | st.binary(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3),
    max_leaves=6,
)
KEYS = [
    "step", "modulus", "lowest", "exceptions", "form", "holds", "frames", "rank", "proved", "constant", "polynomial",
    "covers", "also", "values", "cyclic", "indexes", "highest", "not_available", "text", "value", "changes", "certain",
]  # fmt: skip


@given(st.sampled_from(KINDS), st.dictionaries(st.sampled_from(KEYS), ANYTHING))
def test_whatever_the_detail_the_words_are_one_printable_line(kind, detail):
    said = words(kind, **detail) + bits_words(detail, "certain")
    assert not {unicodedata.category(character) for character in said} & {"Cc", "Cf", "Cs", "Zl", "Zp"}
