"""Units as signal maps spell them, and the way from one to the unit of a quantity.

Prefixes keep their case where it decides (mohm and Mohm); elsewhere case, blanks and dots do not matter.
Factors: SI brochure 9th edition, table 5 and 7; 1 psi = 6.894757 kPa; C = (F - 32) * 5/9; C = K - 273.15.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from decoder.maps.quantities import Quantity

Dimension = Literal["voltage", "current", "temperature", "share", "resistance", "pressure", "power"]


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit: value in the dimension's own unit = value * `factor` + `offset`.

    Own units: V, A, degC, %, kohm, kPa, kW.
    """

    dimension: Dimension
    factor: float
    offset: float = 0.0


# Spellings that mean the same whatever their case, blanks and dots.
_ANY_CASE: dict[str, Unit] = {
    spelling: unit
    for spellings, unit in (
        ("v volt volts vdc", Unit("voltage", 1)),
        ("millivolt millivolts", Unit("voltage", 1e-3)),
        ("microvolt microvolts", Unit("voltage", 1e-6)),
        ("kv kilovolt kilovolts", Unit("voltage", 1e3)),
        ("a amp amps ampere amperes adc", Unit("current", 1)),
        ("milliamp milliamps milliampere milliamperes", Unit("current", 1e-3)),
        ("ka", Unit("current", 1e3)),
        ("°c ℃ degc degreec degreesc degreecelsius celsius c gradc", Unit("temperature", 1)),
        ("k degk °k kelvin", Unit("temperature", 1, -273.15)),
        ("°f ℉ degf f fahrenheit degreef degreesf", Unit("temperature", 5 / 9, -160 / 9)),
        ("% percent pct prozent perc %soc", Unit("share", 1)),
        ("‰ permille", Unit("share", 0.1)),
        ("ohm ohms ω", Unit("resistance", 1e-3)),
        ("kohm kohms kω kiloohm kiloohms", Unit("resistance", 1)),
        ("megaohm megaohms megohm megohms", Unit("resistance", 1e3)),
        ("pa pascal", Unit("pressure", 1e-3)),
        ("hpa", Unit("pressure", 0.1)),
        ("kpa kilopascal", Unit("pressure", 1)),
        ("bar", Unit("pressure", 100)),
        ("mbar millibar", Unit("pressure", 0.1)),
        ("psi", Unit("pressure", 6.894757)),
        ("w watt watts", Unit("power", 1e-3)),
        ("kw kilowatt kilowatts", Unit("power", 1)),
    )
    for spelling in spellings.split()
}

# Spellings whose case decides, or whose other case means nothing that a pack measures.
_EXACT: dict[str, Unit] = {
    "mV": Unit("voltage", 1e-3),
    "mv": Unit("voltage", 1e-3),
    "uV": Unit("voltage", 1e-6),
    "µV": Unit("voltage", 1e-6),
    "mA": Unit("current", 1e-3),
    "ma": Unit("current", 1e-3),
    "mOhm": Unit("resistance", 1e-6),
    "mohm": Unit("resistance", 1e-6),
    "mΩ": Unit("resistance", 1e-6),
    "MOhm": Unit("resistance", 1e3),
    "Mohm": Unit("resistance", 1e3),
    "MOHM": Unit("resistance", 1e3),
    "MΩ": Unit("resistance", 1e3),
    "MPa": Unit("pressure", 1e3),
    "MW": Unit("power", 1e3),
}


def unit_of(spelling: str) -> Unit | None:
    """Give the unit that `spelling` means, ``None`` for an empty or unknown one."""
    # U+2126 is the ohm sign, U+03BC the Greek mu; a UTF-8 degree sign read byte by byte has U+00C2 before it.
    text = spelling.replace("\u2126", "Ω").replace("\u03bc", "µ").replace("\u00c2°", "°").replace("º", "°")
    text = "".join(text.split()).strip("[]()").replace("_", "").replace(".", "")
    if text.startswith("\ufffd") and text[1:].upper() in {"C", "F"}:
        text = f"°{text[1:]}"
    return _EXACT.get(text) or _ANY_CASE.get(text.lower())


def unit_conversion(unit: str, quantity: Quantity) -> tuple[float, float] | None:
    """Give factor and offset for a value in `unit`: value * factor + offset is in the unit of `quantity`.

    A quantity without unit, or an empty unit, needs none: (1, 0). ``None`` where the two do not go together.
    """
    if not quantity.unit or not unit.strip():
        return 1.0, 0.0
    given, wanted = unit_of(unit), unit_of(quantity.unit)
    if given is None or wanted is None or given.dimension != wanted.dimension:
        return None
    return given.factor / wanted.factor, (given.offset - wanted.offset) / wanted.factor
