"""Text from files is shown, never obeyed."""

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from decoder.printable import printable

_ODD = st.text(st.characters(codec=None) | st.sampled_from("\x1b\x00\x7f\x9b\u202e\u2066\ufeff\u2028\ud800\n\r\t"))


@given(_ODD)
def test_no_control_format_surrogate_or_line_separator_is_left(text):
    kinds = {unicodedata.category(character) for character in printable(text)}
    assert not kinds & {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}


@given(_ODD)
def test_what_is_shown_can_be_written_as_utf_8(text):
    assert printable(text).encode("utf-8")[:0] == b""


@given(_ODD, st.integers(0, 20))
def test_it_is_never_longer_than_the_limit(text, limit):
    shown = printable(text, limit)
    assert len(shown) <= limit
    if shown != printable(text) and limit:
        assert shown.endswith("…")


@given(st.text(st.characters(categories=["L", "N", "P", "S"])))
def test_letters_numbers_and_signs_stay_as_they_are(text):
    assert printable(text) == text


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("\x1b[31mred", "\\x1b[31mred"),
        ("a\nb\tc", "a\\x0ab\\x09c"),
        ("\u202eabc", "\\u202eabc"),
        ("\x9b2J", "\\x9b2J"),
        ("\U000e0041", "\\U000e0041"),
        ("\ud800", "\\ud800"),
        ("25 °C, 3,7 kΩ", "25 °C, 3,7 kΩ"),
    ],
)
def test_examples(text, shown):
    assert printable(text) == shown
