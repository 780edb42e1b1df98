"""How large the change of a number is at every moment, in units of what it usually does: steps, and bends of slope.

A step is the mean shortly after less the mean shortly before. A bend is the slope after less the slope before, by least
squares. Both are divided by their usual size in the same number, so that one scale holds for all.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from decoder.discovery.contrasting.contrast_fields import Table

    Array = NDArray[np.float64]

Form = Literal["step", "drift"]

# Common practice, no source.
STEP_S: Final = (0.7, 2.0, 5.0)  # before and after
DRIFT_S: Final = 6.0
_FEWEST_PERIODS: Final = 1.5  # that each side of a step must hold
_FEWEST_DRIFT_PERIODS: Final = 4.5
_LEAST_THERE: Final = 0.5  # of the values that each side of a change should have
_DRIFT_PAYLOADS: Final = 3.0  # on each side
_LEAST_SPREAD: Final = 1e-6  # of times (s²) and of values, below which there is none
_MOMENT_S: Final = 0.1  # between the moments that are looked at, at least
_LEAST_STEPS: Final = 0.5  # of the raw value: a usual change is not taken for smaller
_OF_NORMAL: Final = {0.25: 0.3186, 0.5: 0.6745}  # shares of normal noise that are within so many standard deviations
_FEWEST_QUIET: Final = 20  # moments away from marks that tell what is usual


@dataclass(frozen=True, eq=False, slots=True)
class Sizes:
    """Changes at each moment.

    moment_s : float64, m; size : float64, m x fields, signed, in usual sizes; NaN where it cannot be told
    raw : float64, m x fields, the same in raw values (of a drift: a second)
    restless : bool, fields: usual changes are more than half a raw value
    """

    form: Form
    moment_s: Array
    size: Array
    raw: Array
    restless: NDArray[np.bool_]


def sizes_of(table: Table, form: Form, quiet: Array) -> Sizes:
    """Measure all changes of a table.

    quiet : n x 2, spans away from all marks, which tell what is usual
    """
    moments = _moments(table.time_s)
    still = _inside(moments, quiet)
    if form == "drift":
        width_s = max(DRIFT_S, _FEWEST_DRIFT_PERIODS * table.period_s)
        raw, bent = _bends(table, moments, width_s)
        middle, usual = _usual(raw, still)
        restless = usual > _LEAST_STEPS / width_s
        size = np.where(bent, (raw - middle) / np.maximum(usual, _LEAST_STEPS / width_s), 0.0 * raw)
        return Sizes(form, moments, size, raw, restless)
    widths = sorted({max(width, _FEWEST_PERIODS * table.period_s) for width in STEP_S})
    steps = np.stack([_steps(table, moments, width_s) for width_s in widths])
    middle, usual = (np.stack(some)[:, None] for some in zip(*(_usual(one, still) for one in steps), strict=True))
    sizes = (steps - middle) / np.maximum(usual, _LEAST_STEPS)
    which = np.argmax(np.abs(np.nan_to_num(sizes)), axis=0)[None]
    size, raw = (np.take_along_axis(columns, which, axis=0)[0] for columns in (sizes, steps))
    return Sizes(form, moments, size, raw, np.any(usual > _LEAST_STEPS, axis=(0, 1)))


def flips_of(table: Table) -> Sizes:
    """Give where states and flags change, 1 up and -1 down."""
    moved = np.diff(table.values, axis=0)
    some = np.flatnonzero(moved.any(axis=1))
    size = np.sign(moved[some])
    return Sizes("step", table.time_s[1:][some], size, moved[some], np.zeros(size.shape[1], np.bool_))


def _moments(time_s: Array) -> Array:
    """Give the times of payloads, of fast ones no more than one each `_MOMENT_S`."""
    _, first = np.unique(np.floor(time_s / _MOMENT_S), return_index=True)
    return time_s[first]


def _inside(moments: Array, spans: Array) -> NDArray[np.bool_]:
    inside = np.zeros(len(moments), np.bool_)
    for start, end in spans:
        inside |= (moments >= start) & (moments < end)
    return inside


def _usual(raw: Array, still: NDArray[np.bool_]) -> tuple[Array, Array]:
    """Give the middle of each field's changes and how far they usually are from it: a steady trend is no change.

    Where little lies away from marks, all moments tell it, the calmest quarter of them: what was done may last.
    """
    few = still.sum() < _FEWEST_QUIET
    told, share = (raw, 0.25) if few else (raw[still], 0.5)
    known = np.isfinite(told).any(axis=0) if len(told) else np.zeros(raw.shape[1], np.bool_)
    middle, usual = np.zeros(raw.shape[1]), np.zeros(raw.shape[1])
    if known.any():
        middle[known] = np.nanmedian(told[:, known], axis=0)
        usual[known] = np.nanquantile(np.abs(told[:, known] - middle[known]), share, axis=0) / _OF_NORMAL[share]
    return middle, usual


def _steps(table: Table, moments: Array, width_s: float) -> Array:
    there = np.isfinite(table.values)
    sums = _running(np.where(there, table.values - _offset(table.values), 0.0))
    counts = _running(there.astype(np.float64))
    begin, at, end = (np.searchsorted(table.time_s, moments + shift) for shift in (-width_s, 0.0, width_s))
    before, after = counts[at] - counts[begin], counts[end] - counts[at]
    with np.errstate(invalid="ignore", divide="ignore"):
        step = (sums[end] - sums[at]) / after - (sums[at] - sums[begin]) / before
    enough = max(1.0, _enough(table, width_s))
    known = _whole(table, moments, width_s)[:, None] & (np.minimum(before, after) >= enough)
    return np.where(known, step, np.nan)


def _enough(table: Table, width_s: float) -> float:
    """Give how many values a side of so many seconds must have."""
    return _LEAST_THERE * width_s / table.period_s if table.period_s else 0.0


def _bends(table: Table, moments: Array, width_s: float) -> tuple[Array, NDArray[np.bool_]]:
    """Give slope after less slope before, and where two slopes say more than one step anywhere near."""
    there = np.isfinite(table.values)
    value = np.where(there, table.values - _offset(table.values), 0.0)
    time_s = np.where(there, table.time_s[:, None], 0.0)
    columns = there.astype(np.float64), time_s, time_s**2, value, value * time_s, value**2
    running = [_running(column) for column in columns]
    begin, at, end = (np.searchsorted(table.time_s, moments + shift) for shift in (-width_s, 0.0, width_s))
    before, after = (_Line.through(running, *ends) for ends in ((begin, at), (at, end)))
    whole = np.maximum(_Line.through(running, begin, end).spread, _LEAST_SPREAD)
    steps = largest_near(1 - (before.spread + after.spread) / whole, moments, width_s)
    bent = 1 - (before.left + after.left) / whole > steps
    enough = max(_DRIFT_PAYLOADS, _enough(table, width_s))
    known = _whole(table, moments, width_s)[:, None] & (np.minimum(before.count, after.count) >= enough)
    return np.where(known, after.slope - before.slope, np.nan), bent


@dataclass(frozen=True, eq=False, slots=True)
class _Line:
    """Lines by least squares: how many values, slopes, sums of squares about the mean and about the line."""

    count: Array
    slope: Array
    spread: Array
    left: Array

    @classmethod
    def through(cls, running: list[Array], begin: NDArray[np.intp], end: NDArray[np.intp]) -> _Line:
        """Fit from running sums of 1, t, t², x, tx and x²."""
        count, time_s, square, value, product, squared = (column[end] - column[begin] for column in running)
        n = np.maximum(count, 1.0)
        along = np.maximum(square - time_s**2 / n, _LEAST_SPREAD)
        both = product - time_s * value / n
        spread = np.maximum(squared - value**2 / n, 0.0)
        return cls(count, both / along, spread, np.maximum(spread - both**2 / along, 0.0))


def largest_near(columns: Array, moments: Array, reach_s: float) -> Array:
    """Give the largest of each column within `reach_s` of each moment, by steps that double."""
    apart_s = float(np.median(np.diff(moments))) if len(moments) > 1 else 1.0
    left = min(int(reach_s / max(apart_s, 1e-3)), len(moments) - 1)
    largest, reached = columns, 0
    while reached < left:
        step = min(max(reached, 1), left - reached)
        wider = largest.copy()
        wider[step:] = np.maximum(wider[step:], largest[:-step])
        wider[:-step] = np.maximum(wider[:-step], largest[step:])
        largest, reached = wider, reached + step
    return largest


def _whole(table: Table, moments: Array, width_s: float) -> NDArray[np.bool_]:
    """Tell where both sides lie within the payloads, to a payload."""
    loose_s = max(table.period_s, _MOMENT_S)
    first, last = table.time_s[0] - loose_s, table.time_s[-1] + loose_s
    whole: NDArray[np.bool_] = (moments - width_s >= first) & (moments + width_s <= last)
    return whole


def _offset(values: Array) -> Array:
    """Give a value near each number's own, so that sums of large numbers stay exact."""
    return np.nanmedian(np.where(np.isfinite(values).any(axis=0), values, 0.0), axis=0)


def _running(columns: Array) -> Array:
    return np.concatenate([np.zeros((1, columns.shape[1])), np.cumsum(columns, axis=0)])
