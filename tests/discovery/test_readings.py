"""Readings from files and typed ones: what is taken, in which units, and what is refused with its line."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from decoder.discovery.readings import Reading, load_readings, parse_reading
from decoder.errors import TableError, UsageError


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("t=12.5 cell voltage 3.642 V", Reading(12.5, "cell voltage", 3.642, "V", 0.001)),
        ("t=-3 module 2 cell 7 3642 mV", Reading(-3.0, "module 2 cell 7", 3.642, "V", 0.001)),
        ("t = 1e1 pack 0.4015 kV", Reading(10.0, "pack", 401.5, "V", 0.1)),
        ("t=1 sensor 3 68.0 degF", Reading(1.0, "sensor 3", 20.0, "degC", 0.0555555555556)),
        ("t=1 sensor 3 293.15 K", Reading(1.0, "sensor 3", 20.0, "degC", 0.01)),
        ("t=1 current 250 mA", Reading(1.0, "current", 0.25, "A", 0.001)),
        ("t=1 current -3.2A", Reading(1.0, "current", -3.2, "A", 0.1)),
        ("t=1 duty 55", Reading(1.0, "duty", 55.0, "", 1.0)),
        ("t=1 torque 1.5e2 N m", Reading(1.0, "torque", 150.0, "N m", 10.0)),
        ("t=1970-01-01T00:00:05Z  cell   3.6 V", Reading(3.0, "cell", 3.6, "V", 0.1)),
    ],
)
def test_typed_readings(text, expected):
    found = parse_reading(text, 2_000_000_000)
    assert (found.label, found.unit, found.time_s) == (expected.label, expected.unit, expected.time_s)
    assert (found.value, found.step) == pytest.approx((expected.value, expected.step))


@pytest.mark.parametrize(
    "text",
    [
        "",
        "cell 3.6 V",
        "t=soon cell 3.6 V",
        "t=1",
        "t=1 V",
        "t=1 3.6 V",
        "t=1 cell V",
        "t=1 cell nan V",
        "t=inf cell 1 V",
    ],
)
def test_what_is_no_reading_is_refused(text):
    with pytest.raises(UsageError, match="expected: a reading such as"):
        parse_reading(text)


@given(st.text())
def test_any_text_is_a_reading_or_a_usage_error(text):
    try:
        found = parse_reading("t=1 " + text)
    except UsageError:
        return
    assert found.label
    assert abs(found.value) < float("inf")


def test_a_file_of_readings(tmp_path):
    path = tmp_path / "r.csv"
    path.write_text("label,time_s,unit,value,who\ncell 7,12.5,mV,3642,me\npack,13,V,401.50,me\n", "utf-8")
    assert load_readings(path, 0) == (
        Reading(12.5, "cell 7", 3.642, "V", 0.001),
        Reading(13.0, "pack", 401.5, "V", 0.01),
    )


@pytest.mark.parametrize(
    ("row", "line", "what"),
    [("1,cell,three,V", 3, "'three' is no number"), ("1,,3.6,V", 3, "no label"), ("soon,cell,3.6,V", 3, "no time")],
)
def test_a_bad_row_is_refused_with_its_line(tmp_path, row, line, what):
    path = tmp_path / "r.csv"
    path.write_text(f"time_s,label,value,unit\n0,cell,3.6,V\n{row}\n", "utf-8")
    with pytest.raises(TableError, match=what) as error:
        load_readings(path, 0)
    assert error.value.where.line == line
