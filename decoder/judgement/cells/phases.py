"""When the pack rests and when it carries load, scan by scan.

Where a channel measures the current, that tells, less the noise of its sensor. A sensor has an offset too: a current
near zero that lasts is rest as well, if the median cell stands still beside it. Where no channel measures the current,
the pack counts as resting while its median cell stands still; a load that never changes looks the same, so what rests
on this must say so.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from decoder.judgement.cells.cell_table import step_of
from decoder.judgement.cells.medians import median_of, row_medians
from decoder.judgement.cells.sensor_noise import NEAR_ZERO_A, noise_a

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from decoder.judgement.cells.cell_table import CellTable

# At rest the current is below this share of its largest amount, or this many steps of its resolution, or this many
# ampere, whichever is most: a sensor's own error and what the controller itself takes. Common practice, no source.
_REST_SHARE = 0.01
_REST_STEPS = 3
_REST_A = 0.5
# Its noise is taken out by medians over windows of this length; a sample alone may be this many standard deviations of
# the noise farther. Common practice, no source.
_LEVEL_WINDOW_S = 5.0
_ALONE_SIGMA = 5
# Near zero, and lasting this long, it is rest too if in the later half the median cell moves by no more than this, or
# by so many steps of the reading. Cells whose capacities differ by 5 % then part by 1 mV/h. Common practice, no source.
_LASTING_S = 60.0
_DRIFT_V_PER_H = 0.020
_DRIFT_STEPS = 1.5
_S_PER_H = 3600.0
# Under load it is above this share of its largest amount. Common practice, no source.
_LOAD_SHARE = 0.5
# The largest amount is this quantile of all amounts, for one damaged sample must not say what is large.
_LARGEST_QUANTILE = 0.995
# Rest counts from so long after a load: what falls off at once has fallen off. Common practice, no source.
_AFTER_LOAD_S = 10.0
# Without a current, the median cell stands still if it moves by no more than this, or so many steps, in two windows of
# this length: half an hour's discharge moves it by some mV a minute. Common practice, no source.
_STILL_V = 0.003
_STILL_STEPS = 2
_STILL_WINDOW_S = 30.0
# A stretch ends where no scan comes for this long, or for so many usual distances of scans.
_SILENCE_S = 60.0
_SILENCE_SCANS = 20


def rest(table: CellTable) -> NDArray[np.bool_]:
    """Tell which scans are at rest (k), those just after a load left out."""
    resting: NDArray[np.bool_] = rested_s(table) >= _AFTER_LOAD_S
    return resting


def rested_s(table: CellTable) -> NDArray[np.float64]:
    """Give how long the pack has been without load at each scan (s, k): 0 under load, infinite before the first one."""
    time_ns = table.scans.time_ns
    if not len(time_ns):
        return np.zeros(0)
    known = np.isfinite(table.current_a)
    if known.any():
        quiet = known & _little_flows(table)
        loaded = known & ~quiet
    else:
        quiet = _still(table)
        loaded = ~quiet
    latest = np.maximum.accumulate(np.where(loaded, np.arange(len(time_ns)), -1))
    since_s = np.where(latest >= 0, (time_ns - time_ns[np.maximum(latest, 0)]) / 1e9, np.inf)
    return np.where(quiet, since_s, 0.0)


def load(table: CellTable) -> NDArray[np.bool_]:
    """Tell which scans are under heavy and steady load (k); none where no channel measures the current."""
    known = np.isfinite(table.current_a)
    heavy = np.zeros(len(table.current_a), np.bool_)
    if known.any():
        least_a = max(_LOAD_SHARE * largest_a(table), _rest_current(table))
        heavy[known] = np.abs(table.current_a[known]) > least_a
    return heavy & table.scans.steady


def largest_a(table: CellTable) -> float:
    """Give the largest amount of current (A), single odd samples left out; 0 where it is not known."""
    amounts = np.abs(table.current_a[np.isfinite(table.current_a)])
    return float(np.quantile(amounts, _LARGEST_QUANTILE)) if len(amounts) else 0.0


def stretches(time_ns: NDArray[np.int64], inside: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Give the stretches of scans that are `inside`, as (first, end); silence in the capture ends one too."""
    if not len(time_ns):
        return []
    apart_ns = np.diff(time_ns)
    usual_ns = float(np.median(apart_ns)) if len(apart_ns) else 0.0
    silent = np.append(True, apart_ns > max(_SILENCE_S * 1e9, _SILENCE_SCANS * usual_ns))
    begins = inside & (silent | ~np.append(False, inside[:-1]))
    ends = inside & np.append(silent[1:] | ~inside[1:], True)
    return list(zip(np.flatnonzero(begins).tolist(), (np.flatnonzero(ends) + 1).tolist(), strict=True))


def _rest_current(table: CellTable) -> float:
    step_a = step_of(table.current) if table.current is not None else 0.0
    return max(_REST_SHARE * largest_a(table), _REST_STEPS * step_a, _REST_A)


def _little_flows(table: CellTable) -> NDArray[np.bool_]:
    """Tell in which scans the current is that of rest (k)."""
    rest_a = _rest_current(table)
    level_a, noise = _levels(table)
    amount_a = np.nan_to_num(np.abs(table.current_a))
    quiet: NDArray[np.bool_] = (level_a <= rest_a) & (amount_a <= rest_a + _ALONE_SIGMA * noise)
    near = (level_a <= NEAR_ZERO_A) & (amount_a <= NEAR_ZERO_A + _ALONE_SIGMA * noise)
    for first, end in stretches(table.scans.time_ns, near):
        if not quiet[first:end].all() and _stands(table, first, end):
            quiet[first:end] = True
    return quiet


def _levels(table: CellTable) -> tuple[NDArray[np.float64], float]:
    """Give the amount of the current's level at each scan (A, k), and the noise of its sensor (A).

    The level is the median of the samples within the window of the scan; the latest one where it holds none.
    """
    level_a = np.abs(table.current_a)
    if table.current is None:
        return np.nan_to_num(level_a), 0.0
    there = np.isfinite(table.current.in_quantity_unit)
    ampere = table.current.in_quantity_unit[there]
    taken_ns, began_ns = table.current.rising_ns[there], table.scans.time_ns[0]
    window_ns = int(_LEVEL_WINDOW_S * 1e9)
    window = (taken_ns - began_ns) // window_ns
    first = np.flatnonzero(np.diff(window, prepend=window[:1] - 1))
    count = np.diff(first, append=len(window))
    ordered = ampere[np.lexsort((ampere, window))]
    middle = (ordered[first + (count - 1) // 2] + ordered[first + count // 2]) / 2
    numbers = (table.scans.time_ns - began_ns) // window_ns
    at = np.minimum(np.searchsorted(window[first], numbers), len(first) - 1)
    inside = window[first][at] == numbers
    return np.nan_to_num(np.where(inside, np.abs(middle[at]), level_a)), noise_a(ampere)


def _stands(table: CellTable, first: int, end: int) -> bool:
    """Tell whether some scans last, and the median cell does not drift in their later half, as by a discharge."""
    seconds = (table.scans.time_ns[first:end] - table.scans.time_ns[first]) / 1e9
    if seconds[-1] < _LASTING_S:
        return False
    middle = row_medians(table.scans.volt[first:end])
    parts = [
        median_of(middle[(seconds >= low * seconds[-1]) & (seconds <= high * seconds[-1])])
        for low, high in ((0.5, 0.625), (0.875, 1.0))
    ]
    hours = 0.375 * float(seconds[-1]) / _S_PER_H
    allowed_v = max(_DRIFT_V_PER_H * hours, _DRIFT_STEPS * float(np.median(table.step_v)))
    return bool(abs(parts[1] - parts[0]) <= allowed_v)


def _still(table: CellTable) -> NDArray[np.bool_]:
    """Tell in which scans the median cell stands still, judged by windows that overlap by half."""
    time_ns, middle = table.scans.time_ns, row_medians(table.scans.volt)
    allowed = max(_STILL_V, _STILL_STEPS * float(np.median(table.step_v)))
    window = ((time_ns - time_ns[0]) / (_STILL_WINDOW_S * 1e9)).astype(np.int64)
    first = np.flatnonzero(np.diff(window, prepend=-1))
    high = np.maximum.reduceat(np.where(np.isnan(middle), -np.inf, middle), first)
    low = np.minimum.reduceat(np.where(np.isnan(middle), np.inf, middle), first)
    moves = np.maximum(high[1:], high[:-1]) - np.minimum(low[1:], low[:-1]) > allowed
    alone = (high - low > allowed) | ~np.isfinite(high)
    unsteady = alone | np.append(moves, False) | np.append(False, moves)
    return ~np.repeat(unsteady, np.diff(first, append=len(time_ns)))
