"""Cell chemistries: the voltage window where no limit is given, and rest voltage over state of charge.

The windows are flags for an unfamiliar pack; the maker's sheet rules. Published lower ends differ, so each
window starts at the lowest of them and names them all.

The curves are open-circuit cell voltages at 25 degC. Their 0 % and 100 % are where each parameter set's own
voltage limits lie (computed with the electrode-balance solver of PyBaMM 26.10 from the published sets).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from decoder.errors import SheetError, Where
from decoder.printable import printable

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from decoder.maps.pack_sheet import PackSheet


@dataclass(frozen=True, slots=True)
class CellWindow:
    """What a cell's voltage is held within, in V."""

    low_v: float
    nominal_v: float
    high_v: float
    source: str


@dataclass(frozen=True, slots=True)
class ChargeCurve:
    """Rest voltage of a cell: `volt` over `charge_percent`, both rising, at 25 degC."""

    name: str
    chemistry: str
    charge_percent: tuple[float, ...]
    volt: tuple[float, ...]
    source: str


WINDOWS: dict[str, CellWindow] = {
    "NMC": CellWindow(
        2.5,
        3.65,
        4.2,
        "low 2.5 V (parameter set of Chen et al. 2020), others 2.8 V (Mohtat et al. 2020) and 3.0 V (a "
        "vendor's sheet); nominal 3.6 to 3.7 V, full 4.2 V in all",
    ),
    "NCA": CellWindow(2.7, 3.6, 4.2, "parameter set of Kim et al. 2011"),
    "LFP": CellWindow(
        2.0,
        3.2,
        3.65,
        "low 2.0 V (parameter set of Prada et al. 2013), others 2.5 V (a vendor's sheet); full 3.6 to 3.65 V",
    ),
    "LTO": CellWindow(1.5, 2.4, 2.8, "nominal 2.3 to 2.4 V published; low and full 2.7 to 2.8 V from memory"),
    "NiMH": CellWindow(1.0, 1.2, 1.6, "a vendor's text; full 1.4 to 1.6 V while charging"),
}

_PERCENT = (0.0, 2.0, 5.0, 10.0, 20.0, 30.0, 40.0, 50.0, 60.0, 70.0, 80.0, 90.0, 95.0, 100.0)


def _volts(words: str) -> tuple[float, ...]:
    return tuple(float(word) for word in words.split())


CURVES: dict[str, ChargeCurve] = {
    curve.name: curve
    for curve in (
        ChargeCurve(
            "NMC811",
            "NMC",
            _PERCENT,
            _volts("2.500 2.863 3.109 3.296 3.485 3.581 3.667 3.751 3.841 3.948 4.042 4.097 4.124 4.200"),
            "Chen et al. 2020, J. Electrochem. Soc. 167 080534",
        ),
        ChargeCurve(
            "NMC532",
            "NMC",
            _PERCENT,
            _volts("2.800 3.285 3.462 3.511 3.585 3.639 3.671 3.716 3.797 3.880 3.971 4.077 4.136 4.200"),
            "Mohtat et al. 2020 (parameter set as published in PyBaMM)",
        ),
        ChargeCurve(
            "NCA",
            "NCA",
            _PERCENT,
            _volts("2.700 3.118 3.194 3.247 3.372 3.492 3.598 3.685 3.768 3.874 3.980 4.080 4.135 4.200"),
            "Kim et al. 2011 (parameter set as published in PyBaMM)",
        ),
        ChargeCurve(
            "LFP",
            "LFP",
            _PERCENT,
            _volts("2.000 2.460 2.785 2.978 3.169 3.206 3.253 3.266 3.269 3.274 3.310 3.314 3.316 3.600"),
            "Prada et al. 2013 (parameter set as published in PyBaMM)",
        ),
    )
}

_COLUMNS = ("charge_percent", "voltage")


def window(chemistry: str) -> CellWindow:
    """Give the cell window of `chemistry` (a key of `WINDOWS`). Raises `KeyError`."""
    return WINDOWS[chemistry]


def curves_of(chemistry: str) -> tuple[ChargeCurve, ...]:
    """Give the built-in curves of `chemistry`, none where none is published here (LTO, NiMH)."""
    return tuple(curve for curve in CURVES.values() if curve.chemistry == chemistry)


def charge_curve(sheet: PackSheet) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
    """Give the sheet's curve as charge in percent (rising) and rest voltage in V (never falling).

    ``None`` where the sheet names none. A CSV file is looked for beside the sheet. Raises `SheetError`.
    """
    if sheet.charge_curve is None:
        return None
    built_in = CURVES.get(sheet.charge_curve)
    if built_in is not None:
        return np.array(built_in.charge_percent), np.array(built_in.volt)
    folder = Path(sheet.path).parent if sheet.path else Path()
    return _read_curve(folder / sheet.charge_curve)


def _read_curve(path: Path) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Read a CSV with the columns charge_percent and voltage, which may be in any order beside others."""
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "it is not UTF-8 text"
        raise SheetError(
            f"cannot read the charge curve ({reason})",
            where=Where(str(path)),
            expected=f"one of {', '.join(CURVES)}, or a CSV file with the columns charge_percent,voltage",
            advice="correct charge_curve in the pack sheet",
        ) from error
    lines = [(number, line) for number, line in enumerate(text.splitlines(), start=1) if line.strip()]
    header = [word.strip() for word in lines[0][1].split(",")] if lines else []
    if any(header.count(column) != 1 for column in _COLUMNS):
        raise _bad_curve(path, lines[0][0] if lines else 1, "the columns are not named")
    columns = [header.index(column) for column in _COLUMNS]
    rows = [(number, _curve_row(path, number, line, columns)) for number, line in lines[1:]]
    for (_, before), (number, after) in pairwise(rows):
        if after[0] <= before[0] or after[1] < before[1]:
            raise _bad_curve(path, number, "the charge does not rise, or the voltage falls")
    if len(rows) < 2:
        raise _bad_curve(path, lines[-1][0], "there are fewer than two points")
    table = np.array([row for _, row in rows], dtype=np.float64)
    return table[:, 0].copy(), table[:, 1].copy()


def _curve_row(path: Path, number: int, line: str, columns: list[int]) -> tuple[float, float]:
    words = line.split(",")
    try:
        percent, volt = (float(words[column]) for column in columns)
    except (ValueError, IndexError) as error:
        raise _bad_curve(path, number, f"'{printable(line, 60)}' does not hold the two numbers") from error
    if not (0 <= percent <= 100 and 0 <= volt <= 10):  # also refuses what is not a number
        raise _bad_curve(path, number, f"{percent:g} % or {volt:g} V cannot be")
    return percent, volt


def _bad_curve(path: Path, line: int, what: str) -> SheetError:
    return SheetError(
        f"the charge curve cannot be used: {what}",
        where=Where(str(path), line),
        expected="a line 'charge_percent,voltage', then two or more points with rising charge (0 to 100) and "
        "a cell voltage in V that never falls",
    )
