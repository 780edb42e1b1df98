"""How the report writes numbers, units, times, places and severities. Temperatures may be shown in degrees Fahrenheit.

Only what is shown is turned: limits, judgements and the table of findings stay in the units of the quantities.
"""

from __future__ import annotations

import math
from enum import Enum
from typing import TYPE_CHECKING, Final, overload

from decoder.judgement.finding import DIGITS
from decoder.maps.pack_sheet import Place

if TYPE_CHECKING:
    from decoder.judgement import Finding
    from decoder.maps.pack_sheet import PackSheet

NOTHING: Final = "—"
MINUS: Final = "\u2212"
_LONGEST_UNIT: Final = 12
_SPELLED: Final = {
    "degC": "°C",
    "degC/s": "°C/s",
    "degF": "°F",
    "degF/s": "°F/s",
    "kohm": "kΩ",
    "mohm": "mΩ",
    "ohm/V": "Ω/V",
}
# A difference of temperatures is turned without the shift.
_DIFFERENCES: Final = frozenset({"temperature-spread", "temperature-rise", "temperature_spread_c"})


class Degrees(Enum):
    """What temperatures are shown in."""

    CELSIUS = "C"
    FAHRENHEIT = "F"


@overload
def turned(value: float, unit: str, degrees: Degrees, *, difference: bool = False) -> tuple[float, str]: ...


@overload
def turned(value: None, unit: str, degrees: Degrees, *, difference: bool = False) -> tuple[None, str]: ...


@overload
def turned(
    value: float | None, unit: str, degrees: Degrees, *, difference: bool = False
) -> tuple[float | None, str]: ...


def turned(value: float | None, unit: str, degrees: Degrees, *, difference: bool = False) -> tuple[float | None, str]:
    """Give value and unit as they are shown: temperatures in degrees Fahrenheit where these are wanted."""
    if degrees is Degrees.CELSIUS or not unit.startswith("degC"):
        return value, unit
    shift = 0.0 if difference or unit != "degC" else 32.0
    return None if value is None else value * 1.8 + shift, unit.replace("degC", "degF")


def is_difference(code: str) -> bool:
    """Tell whether the values of a finding, or a limit, are differences of temperatures."""
    return code in _DIFFERENCES


def unit_words(unit: str) -> str:
    """Write a unit as people do."""
    return _SPELLED.get(unit) or short_name(unit, _LONGEST_UNIT)


def number_words(value: float | None, digits: int) -> str:
    """Write a number with a true minus sign; a dash where there is none."""
    if value is None or not math.isfinite(value):
        return NOTHING
    text = f"{value:.5g}" if abs(value) >= 1e7 else f"{value:,.{digits}f}"
    if text.startswith("-"):
        text = MINUS + text[1:] if text.strip("-0.,") else text[1:]
    return text


def amount(
    value: float | None,
    unit: str,
    degrees: Degrees = Degrees.CELSIUS,
    *,
    difference: bool = False,
    digits: int | None = None,
) -> str:
    """Write a value with its unit; a dash where there is no value."""
    shown, written = turned(value, unit, degrees, difference=difference)
    number = number_words(shown, DIGITS.get(unit, 2) if digits is None else digits)
    return number if number == NOTHING else f"{number} {unit_words(written)}".rstrip()


def prose(text: str) -> str:
    """Write units in a sentence as people do."""
    return text.replace(" degC", " °C").replace(" mohm", " mΩ").replace(" kohm", " kΩ").replace(" ohm/V", " Ω/V")


def time_words(time_s: float) -> str:
    """Write a time from the first frame: seconds below ten minutes, then h:mm:ss."""
    if abs(time_s) < 600:
        return f"{number_words(time_s, 1)} s"
    sign, whole = MINUS if time_s < 0 else "", round(abs(time_s))
    return f"{sign}{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"


def lasts_words(span_s: float) -> str:
    """Write how long something lasts."""
    if span_s < 1:
        return f"{span_s * 1e3:.0f} ms"
    if span_s < 100:
        return f"{span_s:.1f} s"
    return f"{span_s / 60:.0f} min" if span_s < 6000 else f"{span_s / 3600:.1f} h"


def title_of(code: str) -> str:
    """Write a finding's code as words."""
    return code.replace("-", " ")


def place_words(finding: Finding, *, short: bool = False) -> str:
    """Write where a finding is; within its module only where `short`."""
    place = finding.place if finding.place is not None else Place()
    return str(Place(None, place.cell, place.sensor) if short and place.module is not None else place)


def case_words(sheet: PackSheet | None, module: int | None) -> str:
    """Write where a module sits in the case; empty where nothing says."""
    return (sheet.where_in_case(module) or "") if sheet is not None and module is not None else ""


def short_name(text: str, longest: int = 60) -> str:
    """Cut a long name in its middle: numbers stand at its end."""
    tail = longest // 2
    return text if len(text) <= longest else f"{text[: longest - tail - 1]}…{text[-tail:]}"
