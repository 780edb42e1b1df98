"""The pulse method: resistance of every cell from every step of the current, some time after it.

R = -dU/dI over the step (pulse method of IEC 62660-1, from memory). Each cell is read at its own times, so its own
samples count, never those of one row of all cells; the current is quiet on both sides, so that a reading that comes
late by up to one cycle says the same.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from decoder.judgement.cells.cell_answers import ONE_STEP, Answers, distinct_pairs

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from decoder.judgement.cells.cell_answers import CellSamples
    from decoder.judgement.cells.current_steps import CurrentSteps

# Samples so long after the step count for a wait, as shares of it.
_EARLIEST, _LATEST = {1.0: 0.5, 10.0: 0.8}, {1.0: 1.5, 10.0: 1.2}
# A slow cell is waited for up to so many of its cycles, at most so many seconds.
_CYCLES_WAITED, _LONGEST_CYCLE_S = 2.1, 1.5
# What drifted before the step goes on after it, or dies away with a time constant of no less than this.
# Common practice, no source.
_QUICKEST_DRIFT_S = 3.0
# So much of its resistance a cell may gain in a second after a step: what cells that were read at different times may
# differ by. Common practice, no source.
_GAINS_PER_S = 0.2


def step_answers(cells: Sequence[CellSamples], steps: CurrentSteps, wait_s: float, first_ns: int) -> Answers:
    """Give each cell's answer to each step, `wait_s` (1 or 10) after it; NaN where it was not read in time.

    first_ns : the zero of the cells' seconds
    """
    shape = len(steps), len(cells)
    before, after, at_before, at_after, slope = (np.full(shape, np.nan) for _ in range(5))
    noise, rounding = np.full(shape, np.nan), np.full(shape, np.nan)
    borders_s = [
        (at - first_ns) / 1e9
        for at in (steps.before_from_ns, steps.before_to_ns, steps.after_from_ns, steps.after_to_ns)
    ]
    middle_s = (borders_s[1] + borders_s[2]) / 2
    enough = borders_s[3] - middle_s >= wait_s
    for column, cell in enumerate(cells):
        if cell.cycle_s > max(_EARLIEST[wait_s] * wait_s, _LONGEST_CYCLE_S):
            continue
        means = _Means(cell)
        # A sample may be as old as one cycle when it is sent.
        begin = np.minimum(borders_s[0] + cell.cycle_s, borders_s[1])
        begin_after = np.maximum(middle_s + _EARLIEST[wait_s] * wait_s, borders_s[2] + cell.cycle_s)
        end_after = np.maximum(middle_s + _LATEST[wait_s] * wait_s, borders_s[2] + _CYCLES_WAITED * cell.cycle_s)
        count_before, at_before[:, column], before[:, column] = means.between(begin, borders_s[1])
        count_after, at_after[:, column], after[:, column] = means.between(
            begin_after, np.where(enough, np.minimum(end_after, borders_s[3]), begin_after)
        )
        slope[:, column] = means.slope(begin, borders_s[1])
        counts = 1 / np.maximum(count_before, 1) + 1 / np.maximum(count_after, 1)
        noise[:, column] = cell.noise_v**2 * counts
        rounding[:, column] = (cell.step_v * ONE_STEP) ** 2 * (counts if cell.dithers else 2)
    return _answers(cells, steps, (before, after), (at_before, at_after), slope, noise, rounding, wait_s, first_ns)


def _answers(
    cells: Sequence[CellSamples],
    steps: CurrentSteps,
    volt: tuple[NDArray[np.float64], NDArray[np.float64]],
    at_s: tuple[NDArray[np.float64], NDArray[np.float64]],
    slope: NDArray[np.float64],
    noise: NDArray[np.float64],
    rounding: NDArray[np.float64],
    wait_s: float,
    first_ns: int,
) -> Answers:
    """Turn voltages before and after into resistances; what all cells drifted by before a step is taken off."""
    (before, after), lasted_s = volt, at_s[1] - at_s[0]
    known = np.isfinite(before) & np.isfinite(after)
    lasted_s = np.where(known, lasted_s, 1.0)
    drift = _middle_mean(slope)[:, None]
    died = _QUICKEST_DRIFT_S / lasted_s * -np.expm1(-lasted_s / _QUICKEST_DRIFT_S)
    by_a = steps.by_a[:, None]
    ohm = np.where(known, -(after - before - drift * lasted_s * (1 + died) / 2) / by_a, np.nan)
    usual = np.zeros(len(steps))
    some = known.any(axis=1)
    usual[some] = np.abs(np.nanmedian(ohm[some], axis=1))
    longest_s = np.where(known, lasted_s, 0.0).max(axis=1, initial=0.0)
    unsure_drift = drift[:, 0] * longest_s * (1 - died.min(axis=1, initial=1.0)) / 2
    moved = (usual * steps.wobble_a / steps.by_a) ** 2
    # Cells are read at different times after each step, the usual one not just at the time asked for: both go on being
    # so from step to step.
    usual_at_s = np.where(some, _middle_mean(at_s[1]), 0.0)
    # How long before it is sent a value was read, by up to one cycle, nobody knows: this too is the same for all steps.
    aged_s = np.array([cell.cycle_s if np.isfinite(cell.cycle_s) else 0.0 for cell in cells]) * ONE_STEP
    apart_s = np.hypot(at_s[1] - usual_at_s[:, None], aged_s)
    between = (_GAINS_PER_S * usual[:, None] * apart_s) ** 2
    middle_s = (steps.before_to_ns + steps.after_from_ns) / 2e9 - first_ns / 1e9
    missed = (_GAINS_PER_S * usual * np.where(some, usual_at_s - middle_s - wait_s, 0.0)) ** 2
    levels = [
        max(distinct_pairs(before[seen, column], after[seen, column], cells[column].step_v), 1)
        for column, seen in enumerate(known.T)
    ]
    return Answers(
        ohm,
        np.where(known, noise / by_a**2 + moved[:, None], np.nan),
        np.where(known, rounding / by_a**2 + between * levels, np.nan),
        np.array(levels, np.float64),
        moved + ((unsure_drift / steps.by_a) ** 2 + missed) * np.count_nonzero(some),
        steps.by_a,
        steps.after_from_ns,
    )


class _Means:
    """Means of a cell's samples between any two moments, by running sums."""

    def __init__(self, cell: CellSamples) -> None:
        self._time_s = cell.time_s
        self._offset_v = float(cell.volt[0]) if len(cell.volt) else 0.0
        self._volt = np.concatenate(([0.0], np.cumsum(cell.volt - self._offset_v)))
        self._at_s = np.concatenate(([0.0], np.cumsum(cell.time_s)))

    def between(
        self, begin_s: NDArray[np.float64], end_s: NDArray[np.float64]
    ) -> tuple[NDArray[np.intp], NDArray[np.float64], NDArray[np.float64]]:
        """Give how many samples there are, their mean time and their mean voltage (NaN where there is none)."""
        first, end = np.searchsorted(self._time_s, begin_s), np.searchsorted(self._time_s, end_s)
        count = np.maximum(end - first, 0)
        some = np.where(count > 0, count, np.nan)
        at_s, volt = (self._at_s[end] - self._at_s[first]) / some, (self._volt[end] - self._volt[first]) / some
        return count, at_s, volt + self._offset_v

    def slope(self, begin_s: NDArray[np.float64], end_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Give how fast the voltage moves: the second half's mean against the first half's (V/s), NaN where unknown."""
        half = (begin_s + end_s) / 2
        _, at_one, one = self.between(begin_s, half)
        _, at_other, other = self.between(half, end_s)
        apart = at_other - at_one
        return (other - one) / np.where(apart > 0, apart, np.nan)


def _middle_mean(table: NDArray[np.float64]) -> NDArray[np.float64]:
    """Give the mean of the middle half of each row: finer than a median where values come in steps; 0 where unknown."""
    count = np.count_nonzero(np.isfinite(table), axis=1)
    ordered = np.sort(table, axis=1)  # NaN go last
    rank = np.arange(table.shape[1])[None, :]
    low = count // 4
    inside = (rank >= low[:, None]) & (rank < (count - low)[:, None])
    middle: NDArray[np.float64] = np.where(inside, ordered, 0.0).sum(axis=1) / np.maximum(inside.sum(axis=1), 1)
    return middle
