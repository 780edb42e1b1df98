import fnmatch
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from decoder.maps.patterns import PatternError, bare_name, check, fit, literal, placeholders


@pytest.mark.parametrize(
    ("pattern", "name", "numbers"),
    [
        ("Cell_{module}_{cell}_V", "Cell_1_03_V", {"module": 1, "cell": 3}),
        ("Cell_{module}_{cell}_V", "Cell_1_V", None),
        ("Cell_{module}_{cell}_V", "cell_1_03_V", None),
        ("*_Alive", "Pack_Alive", {}),
        ("*_Alive", "_Alive", {}),
        ("*_Alive", "Pack_Alive2", None),
        ("*{cell}_V", "Cell_12_V", {"cell": 12}),
        ("M{module}*", "M12C3", {"module": 12}),
        ("*{module}*{cell}*", "Mod_2_Cell_11_V", {"module": 2, "cell": 11}),
        ("Temp{sensor}", "Msg.Temp07", {"sensor": 7}),
        ("Msg.Temp{sensor}", "Msg.Temp07", {"sensor": 7}),
        ("Temp{sensor}", "can0:Temp07", {"sensor": 7}),
        ("Temp", "Temp@3", {}),
        ("{cell}", "1" * 10, None),
        ("a.c", "abc", None),
        ("A{*}B", "A*B", {}),
        ("A{*}B", "AxB", None),
    ],
)
def test_what_a_pattern_fits(pattern, name, numbers):
    assert fit(pattern, name) == numbers


@pytest.mark.parametrize(
    "pattern", ["{", "}", "a}b", "{cel}", "{Cell}", "{cell", "{cell}{cell}", "{cell}{module}", "{}"]
)
def test_a_pattern_that_cannot_be_used(pattern):
    with pytest.raises(PatternError):
        check(pattern)


def test_the_nearest_placeholder_is_named():
    with pytest.raises(PatternError, match=r"the nearest is \{module\}"):
        check("Cell_{modul}")


@given(st.text(min_size=1), st.text())
def test_a_literal_pattern_fits_its_name_and_no_other(name, other):
    assert fit(literal(name), name) == {}
    assert placeholders(literal(name)) == ()
    if bare_name(other) != name and other != name:
        assert fit(literal(name), other) is None


@given(st.text("ab*", max_size=8), st.text("ab", max_size=10))
def test_stars_fit_as_shell_patterns_do(pattern, name):
    assert (fit(pattern, name) is not None) == fnmatch.fnmatchcase(name, pattern)


PIECES = st.sampled_from(["*", "a", "1", "_", "{module}", "{cell}"])


@given(st.lists(PIECES, max_size=7), st.text("a1_0", max_size=10))
def test_the_quick_match_finds_what_trying_everything_finds(pieces, name):
    pattern = "".join(pieces)
    try:
        check(pattern)
    except PatternError:
        return
    slow = ""
    previous = ""
    for piece in pieces:
        if piece == "*":
            slow += ".*?"
        elif piece[0] == "{":
            slow += "(?<![0-9])" if previous == "*" else ""
            slow += f"(?P<{piece[1:-1]}>[0-9]+)(?![0-9])"
        else:
            slow += piece
        previous = piece
    found = re.fullmatch(slow, name)
    expected = None if found is None else {key: int(value) for key, value in found.groupdict().items()}
    assert fit(pattern, name) == expected


def test_many_stars_come_to_an_end():
    assert fit("*a" * 60 + "b", "a" * 2000) is None
