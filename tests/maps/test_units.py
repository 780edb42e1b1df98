import pytest

from decoder.maps.quantities import quantity
from decoder.maps.units import unit_conversion, unit_of

# Fixed points of the scales and SI prefixes (SI brochure): value, unit, quantity, value in the quantity's unit.
SAME = [
    (3650, "mV", "cell voltage", 3.65),
    (3.65, "Volt", "cell voltage", 3.65),
    (0.4, "kV", "pack voltage", 400),
    (3_650_000, "uV", "cell voltage", 3.65),
    (32, "°F", "module temperature", 0),
    (212, "degF", "module temperature", 100),
    (98.6, "F", "module temperature", 37),
    (-40, "°F", "module temperature", -40),
    (273.15, "K", "module temperature", 0),
    (25, "Â°C", "module temperature", 25),
    (25, "\ufffdC", "module temperature", 25),
    (25, "deg C", "module temperature", 25),
    (25, "℃", "module temperature", 25),
    (1200, "mA", "pack current", 1.2),
    (2, "Mohm", "insulation resistance", 2000),
    (2, "MΩ", "insulation resistance", 2000),
    (2_000_000, "mohm", "insulation resistance", 2),
    (500, "\u2126", "insulation resistance", 0.5),
    (40, "kOhm", "insulation resistance", 40),
    (1, "bar", "swelling pressure", 100),
    (1013.25, "mbar", "swelling pressure", 101.325),
    (1013.25, "hPa", "swelling pressure", 101.325),
    (1, "psi", "swelling pressure", 6.894757),
    (55, "%", "state of charge", 55),
    (55, "[%]", "state of charge", 55),
    (1500, "W", "power limit", 1.5),
]


@pytest.mark.parametrize(("value", "unit", "name", "converted"), SAME)
def test_a_value_keeps_its_meaning(value, unit, name, converted):
    factor, offset = unit_conversion(unit, quantity(name))
    assert value * factor + offset == pytest.approx(converted, abs=1e-9)


@pytest.mark.parametrize("unit", ["A", "Ah", "rpm", "xyz", "MV"])
def test_a_unit_of_something_else_cannot_be_compared(unit):
    assert unit_conversion(unit, quantity("cell voltage")) is None


def test_nothing_to_convert_without_a_unit():
    assert unit_conversion("", quantity("cell voltage")) == (1, 0)
    assert unit_conversion("xyz", quantity("contactor")) == (1, 0)
    assert unit_of(" ") is None
