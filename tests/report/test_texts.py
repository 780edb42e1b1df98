"""Numbers, units and times as the report writes them."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from decoder.report.texts import Degrees, amount, lasts_words, number_words, short_name, time_words, turned


@pytest.mark.parametrize(("celsius", "fahrenheit"), [(0.0, 32.0), (100.0, 212.0), (-40.0, -40.0), (37.0, 98.6)])
def test_fixed_points_of_the_two_scales(celsius, fahrenheit):
    value, unit = turned(celsius, "degC", Degrees.FAHRENHEIT)
    assert value == pytest.approx(fahrenheit)
    assert unit == "degF"


def test_differences_and_rates_have_no_shift():
    assert turned(10.0, "degC", Degrees.FAHRENHEIT, difference=True)[0] == pytest.approx(18.0)
    assert turned(1.0, "degC/s", Degrees.FAHRENHEIT) == (pytest.approx(1.8), "degF/s")


@pytest.mark.parametrize("unit", ["V", "A", "%", "kPa", "mohm", ""])
def test_other_units_are_left_alone(unit):
    assert turned(3.5, unit, Degrees.FAHRENHEIT) == (3.5, unit)


def test_what_is_no_number_is_a_dash():
    assert {number_words(one, 2) for one in (None, float("nan"), float("inf"))} == {"—"}
    assert amount(None, "V") == "—"


@given(st.floats(-1e12, 1e12), st.integers(0, 4))
def test_minus_signs_are_true_ones_and_zero_has_none(value, digits):
    text = number_words(value, digits)
    assert not text.startswith("-")
    if text.startswith("\u2212"):
        assert float(text[1:].replace(",", "")) > 0


def test_times():
    assert time_words(41.25) == "41.2 s"
    assert time_words(3723.4) == "1:02:03"
    assert lasts_words(0.074) == "74 ms"
    assert lasts_words(7200) == "2.0 h"


def test_long_names_keep_both_ends():
    name = "Cell_" + "x" * 100 + "_14"
    assert len(short_name(name, 40)) == 40
    assert short_name(name, 40).startswith("Cell_")
    assert short_name(name, 40).endswith("_14")
