"""Readings: what a person or a meter took, from a CSV ``time_s,label,value,unit`` or typed as one text.

Values come into the units of the design: V, A, %, degC, kohm, kPa, kW (see `decoder.maps.units`); other units stay.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from decoder.discovery.timed_rows import read_timed_rows, seconds
from decoder.errors import TableError, UsageError, Where
from decoder.maps.units import Dimension, unit_of
from decoder.printable import printable

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

_COLUMNS: Final = ("label", "value", "unit")
_OWN_UNITS: Final[dict[Dimension, str]] = {
    "voltage": "V",
    "current": "A",
    "temperature": "degC",
    "share": "%",
    "resistance": "kohm",
    "pressure": "kPa",
    "power": "kW",
}
_TIME: Final = re.compile(r"\s*(?:t\s*=\s*)(\S+)\s+(.+)", re.DOTALL)
_NUMBER: Final = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d{1,3})?")
_GLUED: Final = re.compile(rf"(?P<number>{_NUMBER.pattern})(?P<unit>[^\d\s.,].*)")
_LONGEST_SHOWN: Final = 60
_LONGEST_LABEL: Final = 200


@dataclass(frozen=True, slots=True)
class Reading:
    """One reading.

    time_s : by the meter's clock, seconds from the capture's first frame
    value, unit : in the units of the design where `decoder.maps.units` knows the way there
    step : the last digit that was written, in `unit`; ``None`` where the number alone has to tell
    """

    time_s: float
    label: str
    value: float
    unit: str
    step: float | None = None


def load_readings(path: Path, first_ns: int) -> tuple[Reading, ...]:
    """Read a CSV of readings, in the order of the file.

    first_ns : the capture's first frame, on its own clock, from which stamps of ISO 8601 are counted

    Raises `TableError` with the line.
    """
    readings = []
    for row in read_timed_rows(path, _COLUMNS, first_ns):
        try:
            readings.append(_reading(row.time_s, row.cells["label"], row.cells["value"], row.cells["unit"]))
        except ValueError as error:
            raise TableError(
                str(error),
                where=Where(str(path), row.line),
                expected="rows such as 12.5,cell 7 voltage,3.642,V",
            ) from error
    return tuple(readings)


def parse_reading(text: str, first_ns: int = 0) -> Reading:
    """Read a typed reading such as ``t=12.5 cell 7 voltage 3.642 V``: time, label, value, unit.

    The label may have several words and numbers; the last number is the value, what follows it the unit.

    Raises `UsageError`.
    """
    found = _TIME.fullmatch(text)
    time_s = seconds(found[1], first_ns) if found else None
    if found is None or time_s is None:
        raise _unreadable(text, "the reading begins with no time")
    try:
        return _reading(time_s, *_split(found[2].split()))
    except ValueError as error:
        raise _unreadable(text, str(error)) from error


def _unreadable(text: str, why: str) -> UsageError:
    return UsageError(
        f"'{printable(text, _LONGEST_SHOWN)}': {why}", expected="a reading such as t=12.5 cell 7 voltage 3.642 V"
    )


def _split(words: Sequence[str]) -> tuple[str, str, str]:
    """Give label, value and unit. Raises `ValueError`."""
    if words and _NUMBER.fullmatch(words[-1]):
        return " ".join(words[:-1]), words[-1], ""
    glued = _GLUED.fullmatch(words[-1]) if words else None
    if glued:
        return " ".join(words[:-1]), glued["number"], glued["unit"]
    for at in range(len(words) - 2, 0, -1):
        if _NUMBER.fullmatch(words[at]):
            return " ".join(words[:at]), words[at], " ".join(words[at + 1 :])
    raise ValueError("it has no label with a number behind it")


def _reading(time_s: float, label: str, value: str, unit: str) -> Reading:
    """Build a reading from texts. Raises `ValueError`."""
    label = " ".join(label.split())
    if not label:
        raise ValueError("the reading has no label")
    if len(label) > _LONGEST_LABEL:
        raise ValueError(f"the label has more than {_LONGEST_LABEL} characters")
    if not _NUMBER.fullmatch(value):
        raise ValueError(f"'{printable(value, _LONGEST_SHOWN)}' is no number")
    number, step = float(value), _last_digit(value)
    known = unit_of(unit)
    if known is not None:
        number, step, unit = number * known.factor + known.offset, step * known.factor, _OWN_UNITS[known.dimension]
    if not (math.isfinite(number) and math.isfinite(step)):
        raise ValueError(f"'{printable(value, _LONGEST_SHOWN)}' is too large a number")
    return Reading(time_s, label, float(f"{number:.12g}"), unit, float(f"{step:.12g}"))


def _last_digit(value: str) -> float:
    """Give what one step of the last digit is worth."""
    mantissa, _, exponent = value.lower().partition("e")
    decimals = len(mantissa.partition(".")[2])
    return float(f"1e{int(exponent or 0) - decimals}")
