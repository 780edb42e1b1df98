"""How cells answer to moves of the current, and one resistance a cell from many such answers.

Every answer is a resistance, ``-dU/dI`` with the current positive while discharging, and what it is unsure by. All
cells answer to the same moves, so what stands off the median cell is combined apart from the median cell itself:
charge, warmth and what moved before change all cells alike from move to move, but hardly the difference between two.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from decoder.channels.states import cycle_s
from decoder.judgement.cells.medians import row_medians

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from decoder.channels import Series

_TO_SIGMA = 1.4826  # a median absolute deviation as a standard deviation (of normal data)
# Answers that stand so many standard deviations off the others are left out: modified z of Iglewicz and Hoaglin.
_ODD = 3.5
_FEWEST_TO_SCATTER = 3
# No resistance is told better than to this share of the median cell's, for currents are measured no better, and a
# difference between two cells no better than to that. Common practice, no source.
_BEST_SHARED, _BEST_OWN = 0.01, 0.005
ONE_STEP = 12**-0.5  # standard deviation of rounding to steps of 1
# Noise from which on samples of the same voltage show different raw values, in steps: then rounding averages out.
# Common practice, no source.
_DITHERS = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class CellSamples:
    """The samples of one cell that have a value: float64 seconds from `first_ns` on, never falling, and V."""

    time_s: NDArray[np.float64]
    volt: NDArray[np.float64]
    step_v: float
    cycle_s: float
    noise_v: float

    @property
    def dithers(self) -> bool:
        """Whether the noise is so large that the mean of many samples is finer than one raw step."""
        return self.noise_v >= _DITHERS * self.step_v


def cell_samples(series: Series, step_v: float, first_ns: int) -> CellSamples:
    """Give the samples of a cell; its noise is how far samples stand off the line between their neighbours."""
    known = np.isfinite(series.in_quantity_unit)
    time_ns = series.rising_ns[known]  # a capture's clock may jump back
    volt = series.in_quantity_unit[known]
    bends = np.abs(np.diff(volt, 2))
    noise_v = _TO_SIGMA * float(np.median(bends)) / np.sqrt(6) if len(bends) else 0.0
    return CellSamples((time_ns - first_ns) / 1e9, volt, step_v, cycle_s(time_ns) or np.inf, noise_v)


@dataclass(frozen=True, slots=True, eq=False)
class Answers:
    """What each cell answers to each move of the current; NaN where it says nothing.

    ohm : float64, moves x cells
    noise : float64, moves x cells, variance of what differs from move to move (ohm squared)
    rounding : float64, moves x cells, variance that comes from the steps of the raw values: the same for all moves
        between the same two levels
    levels : float64, cells, between how many different pairs of levels the moves were
    shared : float64, moves, variance that all cells have alike: what drifted, and what is not known of the current
    by_a : float64, moves, how far the current moved (A)
    to_ns : int64, moves, when each ended
    """

    ohm: NDArray[np.float64]
    noise: NDArray[np.float64]
    rounding: NDArray[np.float64]
    levels: NDArray[np.float64]
    shared: NDArray[np.float64]
    by_a: NDArray[np.float64]
    to_ns: NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class Combined:
    """One resistance a cell.

    ohm, own_ohm : float64, cells; the resistance, and the standard deviation of how far it stands off the median cell
    median_ohm, shared_ohm : the median cell's resistance, and its standard deviation; all cells are unsure by the same
        percentage, beside what is their own
    moves : how many moves of the current are in it, of at most `largest_a`; the largest ends at `largest_ns`
    """

    ohm: NDArray[np.float64]
    own_ohm: NDArray[np.float64]
    median_ohm: float
    shared_ohm: float
    moves: int
    largest_a: float
    largest_ns: int

    @property
    def unsure_ohm(self) -> NDArray[np.float64]:
        """The standard deviation of each cell's resistance."""
        shared = self.shared_ohm / max(abs(self.median_ohm), 1e-12)
        return np.hypot(self.own_ohm, self.ohm * shared)


def combined(answers: Answers) -> Combined | None:
    """Combine the answers to all moves, the surest counting most and odd ones nothing; ``None`` if there are none."""
    useful = np.count_nonzero(np.isfinite(answers.ohm), axis=1) >= 2
    if not useful.any():
        return None
    ohm, noise, rounding = answers.ohm[useful], answers.noise[useful], answers.rounding[useful]
    median = np.nanmedian(ohm, axis=1)
    off, own = _over_moves(ohm - median[:, None], noise, rounding, answers.levels)
    # The median of many cells is surer than one cell, but equal cells are all rounded the same way.
    cells = np.count_nonzero(np.isfinite(ohm), axis=1)
    of_median, unsure = _over_moves(
        median[:, None],
        (np.pi / 2 * row_medians(noise) / cells + answers.shared[useful])[:, None],
        row_medians(rounding)[:, None],
        np.array([float(np.median(answers.levels))]),
    )
    # Zero is the median of what stands off, move by move; over all moves it need not stay so.
    middle = float(np.nanmedian(off))
    median_ohm, shared_ohm = float(of_median[0]) + middle, float(unsure[0])
    shared_ohm = max(shared_ohm, _BEST_SHARED * abs(median_ohm))
    own = np.where(np.isfinite(own), np.maximum(own, _BEST_OWN * abs(median_ohm)), np.nan)
    # Resistance is never negative: where all cells seem to have less than none, the current counts the other way.
    sign = -1.0 if median_ohm < -_ODD * shared_ohm else 1.0
    by_a = answers.by_a[useful]
    return Combined(
        sign * (of_median[0] + off),
        own,
        sign * median_ohm,
        shared_ohm,
        len(ohm),
        float(np.abs(by_a).max()),
        int(answers.to_ns[useful][np.argmax(np.abs(by_a))]),
    )


def _over_moves(
    ohm: NDArray[np.float64], noise: NDArray[np.float64], rounding: NDArray[np.float64], levels: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Give the weighted mean over the moves, column by column, and its standard deviation; NaN where nothing is known.

    Where the answers scatter more than they should, the deviation grows by as much (the ratio of Birge, 1932, from
    memory).
    """
    known = np.isfinite(ohm)
    variance = np.where(known, noise + rounding, np.inf)
    weight = 1 / variance
    middle = _weighted_median(np.where(known, ohm, 0.0), weight)
    off = np.where(known, np.abs(ohm - middle), 0.0)
    scatter = np.zeros(ohm.shape[1])
    enough = np.count_nonzero(known, axis=0) >= _FEWEST_TO_SCATTER
    if enough.any():
        scatter[enough] = _TO_SIGMA * np.nanmedian(np.where(known, off, np.nan)[:, enough], axis=0)
    weight = np.where(off <= _ODD * np.sqrt(variance + scatter**2), weight, 0.0)
    total = weight.sum(axis=0)
    count = np.count_nonzero(weight, axis=0)
    has = total > 0
    safe = np.where(has, total, 1.0)
    mean = (weight * np.where(known, ohm, 0.0)).sum(axis=0) / safe
    excess = (weight * np.where(known, ohm - mean, 0.0) ** 2).sum(axis=0) / np.maximum(count - 1, 1)
    birge = np.where(count > 1, np.maximum(excess, 1.0), 1.0)
    from_noise = birge * (weight**2 * np.where(known, noise, 0.0)).sum(axis=0) / safe**2
    from_rounding = (weight * np.where(known, rounding, 0.0)).sum(axis=0) / safe / np.maximum(levels, 1.0)
    deviation = np.sqrt(from_noise + from_rounding)
    return np.where(has, mean, np.nan), np.where(has, deviation, np.nan)


def _weighted_median(value: NDArray[np.float64], weight: NDArray[np.float64]) -> NDArray[np.float64]:
    """Give the weighted median of each column."""
    order = np.argsort(value, axis=0)
    reached = np.cumsum(np.take_along_axis(weight, order, axis=0), axis=0)
    row = np.argmax(reached >= reached[-1] / 2, axis=0)
    middle: NDArray[np.float64] = np.take_along_axis(value, np.take_along_axis(order, row[None, :], axis=0), axis=0)[0]
    return middle


def distinct_pairs(one: NDArray[np.float64], other: NDArray[np.float64], step: float) -> int:
    """Count the different pairs of levels, told apart to half a step of the raw value."""
    if not len(one):
        return 0
    width = step / 2 or 1e-9
    pairs = np.round(np.stack([one, other]) / width).astype(np.int64)
    return len(np.unique(pairs, axis=1).T)
