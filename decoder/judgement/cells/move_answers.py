"""Resistance of every cell from a current that never rests, as in a drive: voltage moves against current moves.

Over one second, or one cycle of a cell where that is longer, charge and warmth hardly change: what a cell's voltage
moves by is -R times what the current moved by. The slope is a least squares fit with a constant for drift, stretch by
stretch, so that the scatter between stretches tells how sure it is.

A reading comes some time after it was taken, by up to one scan, and the current by up to one of its own cycles: the lag
at which both fit best is sought, for all cells of a frame together. What another lag nearby would have given, or one
that fits as well, is part of what the slope is unsure by: a single move between rare samples fits at many.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from decoder.channels.states import cycle_s
from decoder.judgement.cells.cell_answers import ONE_STEP, Answers, distinct_pairs

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from decoder.channels import Series
    from decoder.judgement.cells.cell_answers import CellSamples

# All of these: common practice, no source.
SPAN_S = 1.0  # moves are taken over this time
_SLOWEST_CYCLE_S = 5.0  # slower cells and currents do not show how they belong together
_MOST_STRETCHES, _FEWEST_STRETCHES = 16, 3  # so many slopes are fitted, each to its part of the capture
_USUAL_MOVES, _FEWEST_MOVES = 12, 6  # in a stretch, those that overlap counted once; samples in it at least
_MOST_MOVES = 20_000  # of one cell, those with the largest moves of the current
_LAGS = 9
_AS_GOOD = 4.0  # a lag fits as well as the best if it leaves no more than so many variances of one move besides
_ODD = 6.0  # moves that stand so many standard deviations off the first fit are left out: a loose wire, a lost bit
_LARGE = 0.3  # of the largest move
_TO_SIGMA = 1.4826
# In a stretch where the current moves by no more than so many times its own noise, or this share of the largest moves
# of all stretches, the slope says too little: noise of the current flattens it.
_LEAST_NOISES, _LEAST_SHARE = 7, 0.1
_TENTH = 0.1257 * np.sqrt(2)  # below this lies a tenth of the differences of two normal values, in sigmas
_QUICK_CYCLE_S = 0.25
# The slope lies between the ohmic resistance and that after a second or so: how much of it that is.
_BETWEEN = 0.05


@dataclass(frozen=True, slots=True, eq=False)
class _Moves:
    """Moves of one cell: when they began and ended (s), by how much (V), how many overlap each other."""

    begin_s: NDArray[np.float64]
    end_s: NDArray[np.float64]
    begin_v: NDArray[np.float64]
    end_v: NDArray[np.float64]
    overlap: int

    @property
    def by_v(self) -> NDArray[np.float64]:
        return self.end_v - self.begin_v


@dataclass(frozen=True, slots=True, eq=False)
class _Current:
    time_s: NDArray[np.float64]
    ampere: NDArray[np.float64]
    cycle_s: float
    noise_a: float

    def moves(self, moves: _Moves, lag_s: float) -> NDArray[np.float64]:
        at = [np.interp(time_s - lag_s, self.time_s, self.ampere) for time_s in (moves.begin_s, moves.end_s)]
        return at[1] - at[0]


def move_answers(
    cells: Sequence[CellSamples], frames: Sequence[object], current: Series, sign: int, first_ns: int
) -> Answers | None:
    """Give each cell's answer in each stretch of the capture; ``None`` where the samples are too few or too slow.

    Parameters
    ----------
    cells : their samples
    frames : what is the same for cells that are sent in one frame
    current, sign : the channel of the current, and 1 where it is positive while discharging, else -1
    first_ns : the zero of the cells' seconds
    """
    ampere = _current(current, sign, first_ns)
    if ampere is None:
        return None
    moves = [_largest(_moves(cell), ampere) for cell in cells]
    groups: dict[object, list[int]] = defaultdict(list)
    for column, frame in enumerate(frames):
        if len(moves[column].begin_s) >= _FEWEST_MOVES:
            groups[frame].append(column)
    if not groups:
        return None
    independent = float(np.median([len(move.begin_s) / move.overlap for move in moves]))
    stretches = int(np.clip(independent / _USUAL_MOVES, _FEWEST_STRETCHES, _MOST_STRETCHES))
    edges_s = np.linspace(ampere.time_s[0], ampere.time_s[-1], stretches + 1)[1:-1]
    ohm, noise, rounding = (np.full((stretches, len(cells)), np.nan) for _ in range(3))
    levels = np.ones(len(cells))
    moved_a = np.zeros(stretches)
    for members in groups.values():
        cycle = max(cells[column].cycle_s for column in members)
        lags_s = np.linspace(-ampere.cycle_s, cycle + ampere.cycle_s, _LAGS)
        best, as_good = _best_lags([moves[column] for column in members], [cells[c] for c in members], ampere, lags_s)
        for column in members:
            cell, move = cells[column], moves[column]
            by_a = ampere.moves(move, lags_s[best])
            kept = _not_odd(by_a, move.by_v, cell.step_v)
            stretch = np.searchsorted(edges_s, move.begin_s)
            near = [ampere.moves(move, lags_s[at]) for at in (max(best - 1, 0), min(best + 1, _LAGS - 1))]
            one, other = (_ratio(by[kept], move.by_v[kept]) for by in near)
            others = [_ratio(ampere.moves(move, lags_s[at])[kept], move.by_v[kept]) for at in as_good]
            of_lag = max(abs(one - other) / 4, max(others) - min(others)) ** 2 * ONE_STEP**2
            slope, variance, square = _slopes(
                by_a[kept], move.by_v[kept], (stretch[kept], stretches), move.overlap, cell.step_v
            )
            ohm[:, column] = _where_large(slope, square, stretch[kept], ampere.noise_a)
            noise[:, column] = variance
            levels[column] = max(distinct_pairs(move.begin_v[kept], move.end_v[kept], cell.step_v), 1)
            mean_square = square.sum() / max(len(by_a[kept]), 1)
            rounding[:, column] = 2 * (cell.step_v * ONE_STEP) ** 2 / max(mean_square, 1e-9)
            # What the lag is unsure by is the same in all stretches.
            rounding[:, column] += of_lag * levels[column]
            largest = np.zeros(stretches)
            np.maximum.at(largest, stretch[kept], np.abs(by_a[kept]))
            moved_a = np.maximum(moved_a, largest)
    if not np.isfinite(ohm).any():
        return None
    noise[np.isnan(ohm)] = rounding[np.isnan(ohm)] = np.nan
    ends_ns = first_ns + (np.array([*edges_s, ampere.time_s[-1]]) * 1e9).astype(np.int64)
    told = np.isfinite(ohm).any(axis=1)
    return Answers(
        ohm,
        noise,
        rounding,
        levels,
        np.full(stretches, (_BETWEEN * np.nanmedian(ohm)) ** 2 * np.count_nonzero(told)),
        moved_a,
        ends_ns,
    )


def _current(current: Series, sign: int, first_ns: int) -> _Current | None:
    known = np.isfinite(current.in_quantity_unit)
    time_ns = current.rising_ns[known]
    cycle = cycle_s(time_ns)
    if cycle is None or cycle > _SLOWEST_CYCLE_S:
        return None
    ampere = sign * current.in_quantity_unit[known]
    # The smallest tenth of the moves between samples: the others may be true. So are those between rare samples.
    noise_a = float(np.quantile(np.abs(np.diff(ampere)), 0.1)) / _TENTH if cycle <= _QUICK_CYCLE_S else 0.0
    rounding_a = ONE_STEP * abs(current.channel.signal.scale * (current.channel.factor or 1.0))
    return _Current((time_ns - first_ns) / 1e9, ampere, cycle, max(noise_a, rounding_a))


def _moves(cell: CellSamples) -> _Moves:
    """Give a cell's moves over `SPAN_S`, or over one cycle where that is longer; those over gaps are left out."""
    if not cell.cycle_s <= _SLOWEST_CYCLE_S:
        nothing = np.zeros(0)
        return _Moves(nothing, nothing, nothing, nothing, 1)
    apart = max(round(SPAN_S / cell.cycle_s), 1)
    begin_s, end_s = cell.time_s[:-apart], cell.time_s[apart:]
    kept = (end_s - begin_s <= 1.5 * apart * cell.cycle_s) & (end_s > begin_s)
    return _Moves(begin_s[kept], end_s[kept], cell.volt[:-apart][kept], cell.volt[apart:][kept], apart)


def _largest(moves: _Moves, current: _Current) -> _Moves:
    """Leave the moves while the current is known; of very many those with the largest moves of it."""
    inside = (moves.begin_s >= current.time_s[0]) & (moves.end_s <= current.time_s[-1])
    chosen = np.flatnonzero(inside)
    if len(chosen) > _MOST_MOVES:
        by_a = np.abs(current.moves(moves, 0.0)[chosen])
        chosen = np.sort(chosen[np.argpartition(-by_a, _MOST_MOVES)[:_MOST_MOVES]])
    return _Moves(moves.begin_s[chosen], moves.end_s[chosen], moves.begin_v[chosen], moves.end_v[chosen], moves.overlap)


def _ratio(by_a: NDArray[np.float64], by_v: NDArray[np.float64]) -> float:
    """Give the slope -dV/dA of all moves together, with a constant for drift; 0 where the current did not move."""
    off_a = by_a - by_a.mean() if len(by_a) else by_a
    square = float(off_a @ off_a)
    return -float(off_a @ by_v) / square if square > 0 else 0.0


def _not_odd(by_a: NDArray[np.float64], by_v: NDArray[np.float64], step_v: float) -> NDArray[np.bool_]:
    """Tell which moves fit a first slope; it is fitted twice, for odd ones pull the first fit."""
    kept = np.ones(len(by_a), np.bool_)
    large = np.abs(by_a) >= _LARGE * np.abs(by_a).max(initial=0.0)
    for _ in range(2):
        rest = by_v + _ratio(by_a[kept], by_v[kept]) * by_a
        rest -= np.median(rest)
        # Where the current mostly rests, most moves fit well; the few large ones, which tell, may be read late.
        scale = max(*(_TO_SIGMA * float(np.median(np.abs(some))) for some in (rest, rest[large])), step_v)
        kept = np.abs(rest) <= _ODD * scale
    return kept


def _best_lags(
    moves: Sequence[_Moves], cells: Sequence[CellSamples], current: _Current, lags_s: NDArray[np.float64]
) -> tuple[int, list[int]]:
    """Give the index of the lag at which the current explains the moves of these cells best, and those as good.

    No move is left out: at a wrong lag it is the telling ones that look odd.
    """
    left = np.zeros(len(lags_s))
    allowed = 0.0
    for move, cell in zip(moves, cells, strict=True):
        by_v = move.by_v - move.by_v.mean()
        all_v = float(by_v @ by_v)
        if all_v > 0:
            of_one = 2 * max(cell.noise_v, cell.step_v * ONE_STEP) ** 2
            allowed += _AS_GOOD * of_one * move.overlap / all_v
        for number, lag_s in enumerate(lags_s):
            by_a = current.moves(move, lag_s)
            by_a = by_a - by_a.mean()
            square = float(by_a @ by_a)
            if square > 0 and all_v > 0:
                left[number] += 1 - float(by_a @ by_v) ** 2 / square / all_v
    best = int(np.argmin(left))
    return best, np.flatnonzero(left <= left[best] + allowed).tolist()


def _slopes(
    by_a: NDArray[np.float64],
    by_v: NDArray[np.float64],
    stretches: tuple[NDArray[np.intp], int],
    overlap: int,
    step_v: float,
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Give the slope -dV/dA in each stretch, its variance, and the sum of squares of the current's moves.

    stretches : the stretch of each move, and how many there are

    Moves that overlap are not independent: the variance is that of one in `overlap` of them.
    """
    stretch, number = stretches

    def total(column: NDArray[np.float64]) -> NDArray[np.float64]:
        sums: NDArray[np.float64] = np.bincount(stretch, column, number).astype(np.float64)
        return sums

    count = total(np.ones(len(by_a)))
    safe = np.maximum(count, 1)
    off_a, off_v = by_a - (total(by_a) / safe)[stretch], by_v - (total(by_v) / safe)[stretch]
    square = total(off_a**2)
    enough = (count >= _FEWEST_MOVES) & (square > 0)
    divisor = np.where(enough, square, 1.0)
    slope = np.where(enough, -total(off_a * off_v) / divisor, np.nan)
    rest = off_v + np.where(enough, slope, 0.0)[stretch] * off_a
    per_move = np.maximum(total(rest**2) / np.maximum(count - 2, 1), 2 * (step_v * ONE_STEP) ** 2)
    return slope, np.where(enough, per_move * overlap / divisor, np.nan), square


def _where_large(
    slope: NDArray[np.float64], square: NDArray[np.float64], stretch: NDArray[np.intp], noise_a: float
) -> NDArray[np.float64]:
    """Leave the slopes of the stretches in which the current moves enough."""
    usual_a = np.sqrt(square / np.maximum(np.bincount(stretch, minlength=len(square)), 1))
    large = usual_a >= max(_LEAST_NOISES * noise_a, _LEAST_SHARE * float(usual_a.max()))
    return np.where(large, slope, np.nan)
