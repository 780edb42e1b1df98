"""Cells compared at one instant.

A controller scans its cells one after the other and sends them over several frames. Joining every cell's latest sample
compares cells of different moments: while the current moves this shows spreads that are not there. So a row of the
table here is one scan: every cell's sample lies within one scan time, and the row says how far the pack as a whole
moved around it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from decoder.channels.states import cycle_s
from decoder.judgement.cells.sensor_noise import noise_a

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from decoder.channels import Series

# A cell's sample belongs to a scan if it is not older than this many cycle times. Common practice, no source.
_OLDEST_CYCLES = 1.25
_PROBE_SAMPLES = 200
# Samples that lie within this share of a scan time are of one moment, whatever the current does: a burst of frames.
# Common practice, no source.
_AT_ONCE_SHARE = 0.1
# The current counts as steady within a scan if it moves by no more than this share of its largest amount, this many
# steps of its resolution, so many ampere (which move no cell of a traction pack by more than some mV), or this many
# standard deviations of its sensor's noise (hundreds of samples seldom lie farther apart), whichever is most. Common
# practice, no source.
_STEADY_SHARE = 0.02
_STEADY_STEPS = 5
_STEADY_A = 1.0
_STEADY_SIGMA = 8


@dataclass(frozen=True, slots=True, eq=False)
class Scans:
    """Cell voltages scan by scan.

    time_ns : int64, k, when each scan ended
    volt : float64, k x cells, NaN where a cell has no sample in this scan
    moved_v : float64, k, how far the median cell moves from the scan before to the scan after; 0 where the scan's
        samples are of one moment
    steady : bool, k, the current (where a channel measures it) does not move within the scan, or its samples are of
        one moment
    """

    time_ns: NDArray[np.int64]
    volt: NDArray[np.float64]
    moved_v: NDArray[np.float64]
    steady: NDArray[np.bool_]


def scans(cells: Sequence[Series], current: Series | None = None) -> Scans | None:
    """Line up cells scan by scan; ``None`` where that cannot be done (not one cell with three samples or more)."""
    cycles = {id(series): cycle for series in cells if (cycle := cycle_s(series.time_ns))}
    if not cycles:
        return None
    scan_ns = int(max(cycles.values()) * 1e9)
    time_ns = _scan_ends([series for series in cells if id(series) in cycles], scan_ns)
    volt = np.full((len(time_ns), len(cells)), np.nan)
    apart_ns = np.zeros(len(time_ns), np.int64)
    taken_ns = np.zeros((len(time_ns), len(cells)), np.int64)
    for column, series in enumerate(cells):
        rising_ns = series.rising_ns  # a capture's clock may jump back
        index = np.searchsorted(rising_ns, time_ns, side="right") - 1
        age_ns = time_ns - rising_ns[index]
        fresh = (index >= 0) & (age_ns <= scan_ns * _OLDEST_CYCLES)
        apart_ns[fresh] = np.maximum(apart_ns[fresh], age_ns[fresh])
        volt[fresh, column] = series.in_quantity_unit[index[fresh]]
        taken_ns[:, column] = rising_ns[index]
    at_once = apart_ns <= _AT_ONCE_SHARE * scan_ns
    oldest = np.searchsorted(time_ns, time_ns - apart_ns)  # the first row that lies within the age of the samples
    moved_v = np.where(at_once, 0.0, _moved(volt, taken_ns, time_ns, np.minimum(oldest, np.arange(len(time_ns)))))
    return Scans(time_ns, volt, moved_v, at_once | _steady(current, time_ns, scan_ns))


def _scan_ends(cells: Sequence[Series], scan_ns: int) -> NDArray[np.int64]:
    """Give the sample times of the cell that comes last in a scan: there the others are youngest.

    Where this cell has none, for it may fall silent, those of the cell before it count, and so on.
    """
    slowest = max(cells, key=lambda series: cycle_s(series.time_ns) or 0.0)
    probe = slowest.time_ns[1 : _PROBE_SAMPLES + 1]
    delays = []
    for series in cells:
        after = np.searchsorted(series.time_ns, probe, side="left")
        inside = after < len(series)
        delay = series.time_ns[after[inside]] - probe[inside]
        delays.append(float(np.median(delay)) if len(delay) else 0.0)
    # On a circle of one scan time, the scan ends before the widest silence.
    phase = np.mod(delays, scan_ns)
    order = np.argsort(phase)
    silence = np.diff(phase[order], append=phase[order[0]] + scan_ns)
    backwards = np.roll(order[::-1], int(np.argmax(silence)) + 1)
    times = np.unique(cells[backwards[0]].rising_ns)
    for number in backwards[1:]:
        times = _with_uncovered(times, cells[number].rising_ns, scan_ns)
    return times


def _with_uncovered(times: NDArray[np.int64], others: NDArray[np.int64], scan_ns: int) -> NDArray[np.int64]:
    """Add those of `others` that no scan ending at one of `times` takes in."""
    oldest_ns = int(scan_ns * _OLDEST_CYCLES)
    if others[-1] <= times[-1] and others[0] >= times[0] - oldest_ns and np.diff(times).max(initial=0) <= oldest_ns:
        return times
    following = np.append(times, np.iinfo(np.int64).max)[np.searchsorted(times, others)]
    # In this order, so that the largest number does not overflow.
    uncovered = others < following - oldest_ns
    return np.union1d(times, others[uncovered]) if uncovered.any() else times


def _moved(
    volt: NDArray[np.float64], taken_ns: NDArray[np.int64], time_ns: NDArray[np.int64], oldest: NDArray[np.intp]
) -> NDArray[np.float64]:
    """Give the median cell's way from the row before the oldest sample of a scan to the scan after.

    taken_ns : when each voltage was taken; one that is the same as in the row before says nothing of what moved
    time_ns : when each scan ended
    oldest : the first row that lies within the age of each row's samples

    A step within a scan moves the median partly before and partly after it: both parts together are the step. Where
    nothing can be said it is 0.
    """
    if len(volt) < 2:
        return np.zeros(len(volt))
    steps, apart_ns = np.diff(volt, axis=0), np.diff(taken_ns, axis=0)
    # Cells that are read as often as there are rows see each step at once; rarer ones later, or not at all.
    quick = (apart_ns > 0) & (apart_ns <= 2 * np.diff(time_ns)[:, None])
    move = np.maximum(_median_step(steps, quick), _median_step(steps, apart_ns > 0))
    way = np.concatenate(([0.0], np.cumsum(move)))
    after = np.minimum(np.arange(len(volt)) + 1, len(volt) - 1)
    moved: NDArray[np.float64] = way[after] - way[np.maximum(oldest - 1, 0)]
    moved[[0, -1]] *= 2  # only one side is known
    return moved


def _median_step(steps: NDArray[np.float64], counted: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Give the size of the median of the steps that count, row by row; 0 where there is none."""
    steps = np.where(counted, steps, np.nan)
    known = ~np.isnan(steps).all(axis=1)
    size = np.zeros(len(steps))
    if known.any():
        size[known] = np.abs(np.nanmedian(steps[known], axis=1))
    return size


def _steady(current: Series | None, time_ns: NDArray[np.int64], scan_ns: int) -> NDArray[np.bool_]:
    """Tell for which scans the current stays the same, from one scan time before the scan to just after its end."""
    if current is None or len(current) < 2:
        return np.ones(len(time_ns), np.bool_)
    ampere = current.in_quantity_unit
    at = current.rising_ns
    first = np.maximum(np.searchsorted(at, time_ns - 2 * scan_ns, side="right") - 1, 0)
    # The current's next sample counts too: it shows a step that fell between two samples.
    end = np.minimum(np.searchsorted(at, time_ns, side="right") + 1, len(at))
    largest = float(np.nanmax(np.abs(ampere))) if not np.isnan(ampere).all() else 0.0
    step = abs(current.channel.signal.scale * (current.channel.factor or 1.0))
    allowed = max(_STEADY_SHARE * largest, _STEADY_STEPS * step, _STEADY_A, _STEADY_SIGMA * noise_a(ampere))
    return (end > first) & (_range_between(ampere, first, np.maximum(end, first + 1)) <= allowed)


def _range_between(value: NDArray[np.float64], first: NDArray[np.intp], end: NDArray[np.intp]) -> NDArray[np.float64]:
    """Give largest minus smallest of ``value[first:end]`` for many windows at once, NaN values left out."""
    # reduceat takes pairs of borders; a closing element keeps the last border legal.
    borders = np.stack([first, end], axis=1).ravel()
    high = np.maximum.reduceat(np.append(np.where(np.isnan(value), -np.inf, value), -np.inf), borders)[::2]
    low = np.minimum.reduceat(np.append(np.where(np.isnan(value), np.inf, value), np.inf), borders)[::2]
    with np.errstate(invalid="ignore"):
        return np.where(high >= low, high - low, 0.0)
