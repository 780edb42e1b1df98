"""How far the meter's clock is off the capture's: one offset for all labels, weighed by all of their candidates."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.discovery.pinning.field_values import around_times, on_grid, usual_step
from decoder.discovery.pinning.reading_fit import fit, log_likelihood_of_none

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from decoder.discovery.pinning.byte_rows import ByteRows
    from decoder.discovery.pinning.field_search import Candidates
    from decoder.discovery.pinning.reading_errors import LabelReadings
    from decoder.discovery.pinning.reading_scales import Scale
    from decoder.discovery.quick_parts import Part

REACH_S: Final = 15.0  # how far a meter's clock may be off
STEP_S: Final = 0.1
COARSE: Final = 5  # of the offsets, that are tried at first
_SURE: Final = 9.0  # log likelihood below the best at which an offset is left out
_MOST_OFFSETS: Final = 24
_FEW_OFFSETS: Final = 8  # where nothing is known of the clock
_FLAT: Final = 4.0  # log weights between the best and the worst offset, below which nothing is known
_PEAK_S: Final = 0.5  # around the likeliest offset, over which the offset that is told is a mean
_HAND_S: Final = 0.07  # how exactly a reading's time is noted; common practice, no source
_LOOKS: Final = 9  # readings that a first look takes
_MOST_LOOKS: Final = 300_000  # candidates times offsets that it takes
_CHUNK: Final = 1000  # candidates worked on at a time
_STRAYS: Final = 0.75  # of the change over that time, before and after, by which a value may be another
_BETWEEN: Final = 0.3  # of a usual step, by which a value may stray between two payloads
_FAR: Final = 4.0  # tolerances from which on it does not matter how far off a reading is


@dataclass(frozen=True, eq=False, slots=True)
class Weighed:
    """Candidates of one label with their log likelihood, prior included, at each offset (c x d); and that of none."""

    candidates: Candidates
    log_joint: NDArray[np.float64]
    residual: NDArray[np.float64]
    none: float

    def with_odds(self, log_odds: NDArray[np.float64]) -> Weighed:
        """Give the same with what else is known of the candidates."""
        return replace(self, log_joint=self.log_joint + log_odds[:, None])

    def evidence(self) -> NDArray[np.float64]:
        """Give the log likelihood of the label's readings at each offset."""
        if not len(self.candidates):
            return np.full(self.log_joint.shape[1], self.none)
        evidence: NDArray[np.float64] = np.logaddexp(np.logaddexp.reduce(self.log_joint, axis=0), self.none)
        return evidence


@dataclass(frozen=True, eq=False, slots=True)
class ClockOdds:
    """What all labels together say of the clock: log weight of each offset (s), its mean and standard deviation."""

    offsets_s: NDArray[np.float64]
    log_weight: NDArray[np.float64]
    offset_s: float
    unsure_s: float


def clock_of(
    offsets_s: NDArray[np.float64], log_weight: NDArray[np.float64], likely_s: NDArray[np.float64]
) -> ClockOdds:
    """Give the clock's odds from the weights of all offsets; `likely_s` are those that matches are weighed at."""
    share = np.exp(log_weight - np.logaddexp.reduce(log_weight))
    near = np.abs(offsets_s - offsets_s[share.argmax()]) <= _PEAK_S
    offset_s = float((share * offsets_s)[near].sum() / share[near].sum())
    unsure_s = float(np.sqrt((share * (offsets_s - offset_s) ** 2).sum()))
    return ClockOdds(likely_s, log_weight[np.searchsorted(offsets_s, likely_s - STEP_S / 4)], offset_s, unsure_s)


def first_look(
    rows: Sequence[ByteRows],
    label: LabelReadings,
    scales: Sequence[Scale],
    candidates: Candidates,
    log_prior: NDArray[np.float64],
    moments_s: NDArray[np.float64],
    offsets_s: NDArray[np.float64],
    log_clock: NDArray[np.float64],
    most: int,
) -> NDArray[np.intp]:
    """Give the `most` candidates that may fit best at any offset, the best first, by a few readings on the grid.

    log_clock : what is known of the offsets so far
    """
    offsets_s, log_clock = offsets_s[::COARSE], coarse(log_clock)
    if not len(candidates):
        return np.empty(0, np.intp)
    kept = np.flatnonzero(log_clock >= log_clock.max() - _SURE)
    offsets_s, log_clock = offsets_s[kept], log_clock[kept]
    room = max(most, _MOST_LOOKS // len(offsets_s))
    looked = np.unique(np.linspace(0, len(label.value) - 1, min(_LOOKS, len(label.value))).round().astype(np.intp))
    at = _moments_at(moments_s, (label.time_s[looked] - offsets_s[:, None]).ravel())
    tolerance = np.stack([label.tolerance(one.quantity)[looked] for one in scales])
    tried = np.arange(len(candidates))
    if len(candidates) > room:
        likeliest = at.reshape(len(offsets_s), -1)[log_clock.argmax()]
        glance = log_prior + _glance(rows, candidates, label.value[looked], tolerance, likeliest)
        half = room // 2
        tried = np.union1d(np.argpartition(-log_prior, half)[:half], np.argpartition(-glance, half)[:half])
    score = np.concatenate(
        [
            _misfit(rows, candidates.take(some), label.value[looked], tolerance, at, log_clock)
            for some in np.split(tried, range(_CHUNK, len(tried), _CHUNK))
        ]
    )
    return tried[np.argsort(-(score + log_prior[tried]), kind="stable")[:most]]


def _glance(
    rows: Sequence[ByteRows],
    candidates: Candidates,
    reading: NDArray[np.float64],
    tolerance: NDArray[np.float64],
    at: NDArray[np.intp],
) -> NDArray[np.float64]:
    """Give how well candidates fit at one offset alone: what stands still needs no other."""
    limit = tolerance[candidates.which] + np.abs(candidates.scale)[:, None]
    off = np.abs(_physical(candidates, on_grid(rows, candidates, at)) - reading) / limit
    score: NDArray[np.float64] = -(np.minimum(off, _FAR) ** 2).sum(axis=-1)
    return score


def _misfit(
    rows: Sequence[ByteRows],
    candidates: Candidates,
    reading: NDArray[np.float64],
    tolerance: NDArray[np.float64],
    at: NDArray[np.intp],
    log_clock: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Give how well candidates fit at their best offset, from the moments around each reading.

    tolerance : scales x readings; at : moments, offsets x readings as one column
    """
    value = _physical(candidates, on_grid(rows, candidates)).astype(np.float32)
    around = np.pad(value, ((0, 0), (1, 1)), mode="edge")
    low = np.minimum(np.minimum(around[:, :-2], around[:, 2:]), value)[:, at]
    high = np.maximum(np.maximum(around[:, :-2], around[:, 2:]), value)[:, at]
    shape = (len(candidates), len(log_clock), len(reading))
    low, high = low.reshape(shape), high.reshape(shape)
    limit = (tolerance[candidates.which] + np.abs(candidates.scale)[:, None])[:, None].astype(np.float32)
    goal = reading.astype(np.float32)
    off = np.maximum(np.maximum(low - goal, goal - high), 0) / limit
    score = -(np.minimum(off, _FAR) ** 2).sum(axis=-1) - np.log1p((high - low) / limit).sum(axis=-1)
    best: NDArray[np.float64] = (log_clock + score).max(axis=-1)
    return best


def _moments_at(moments_s: NDArray[np.float64], time_s: NDArray[np.float64]) -> NDArray[np.intp]:
    step = moments_s[1] - moments_s[0] if len(moments_s) > 1 else 1.0
    at: NDArray[np.intp] = np.clip(np.round((time_s - moments_s[0]) / step), 0, len(moments_s) - 1).astype(np.intp)
    return at


def _physical(candidates: Candidates, raw: NDArray[np.float64]) -> NDArray[np.float64]:
    return raw * candidates.scale[:, None] + candidates.offset[:, None]


def weigh(
    parts: Sequence[Part],
    rows: Sequence[ByteRows],
    label: LabelReadings,
    scales: Sequence[Scale],
    candidates: Candidates,
    log_prior: NDArray[np.float64],
    log_prior_none: float,
    first_ns: int,
    offsets_s: NDArray[np.float64],
    unsure_s: float,
    trust: float | None = None,
) -> Weighed:
    """Weigh candidates at each clock offset, each of which stands for what lies within `unsure_s` of it."""
    each = [log_likelihood_of_none(label, one, trust) + np.log(belief) for one, belief in label.quantities.items()]
    none = float(max(each, default=0.0))
    shape = (len(candidates), len(offsets_s))
    log_joint, residual = np.empty(shape), np.empty(shape)
    quantity = np.array([one.quantity for one in scales])
    reach_s = np.hypot(unsure_s, _HAND_S)
    for name in label.quantities:
        mine = np.flatnonzero(quantity[candidates.which] == name) if len(candidates) else np.empty(0, np.intp)
        if not len(mine):
            continue
        some = candidates.take(mine)
        value, moved = _around(parts, rows, some, label.time_s - offsets_s[:, None], first_ns, reach_s)
        found = fit(label, name, value, moved, np.abs(some.scale), trust)
        log_joint[mine] = found.log_likelihood + log_prior[mine, None]
        residual[mine] = found.residual
    return Weighed(candidates, log_joint, residual, none + log_prior_none)


def _around(
    parts: Sequence[Part],
    rows: Sequence[ByteRows],
    candidates: Candidates,
    time_s: NDArray[np.float64],
    first_ns: int,
    reach_s: float,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Give values at times (d x n, s), c x d x n, and the standard deviation that movement adds."""
    time_ns = first_ns + time_s.ravel() * 1e9
    raw = around_times(parts, rows, candidates, time_ns, reach_s * 1e9)
    value = candidates.scale[:, None] * raw + candidates.offset[:, None]
    value = value.reshape(3, len(candidates), *time_s.shape)
    between = _BETWEEN * usual_step(rows, candidates) * np.abs(candidates.scale)
    moved = np.sqrt((_STRAYS * (value[2] - value[0])) ** 2 + between[:, None, None] ** 2)
    return value.mean(axis=0), moved


def likely_offsets(
    offsets_s: NDArray[np.float64], log_evidence: NDArray[np.float64]
) -> tuple[NDArray[np.float64], float]:
    """Give offsets to weigh in the end, and how far each reaches: all that are likely, or fewer of many."""
    kept = offsets_s[log_evidence >= log_evidence.max() - _SURE]
    flat = float(np.ptp(log_evidence)) < _FLAT
    every = -(-len(kept) // (_FEW_OFFSETS if flat else _MOST_OFFSETS))
    return kept[::every], every * STEP_S / 2


def coarse(log_evidence: NDArray[np.float64]) -> NDArray[np.float64]:
    """Give the best of the offsets around each that a first look tries."""
    wide = np.pad(log_evidence, COARSE // 2, constant_values=-np.inf)
    near: NDArray[np.float64] = np.lib.stride_tricks.sliding_window_view(wide, COARSE).max(axis=1)
    return near[::COARSE]


def all_offsets() -> NDArray[np.float64]:
    """Give all offsets (s) that a meter's clock may have, by `STEP_S`."""
    return np.round(np.arange(-REACH_S, REACH_S + STEP_S / 2, STEP_S), 6)


def log_prior_of(offsets_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Give what is expected of a meter's clock: as likely anywhere, a little more so near none at all."""
    prior = 0.5 / (2 * REACH_S) + 0.5 * np.exp(-0.5 * (offsets_s / 5) ** 2) / (5 * np.sqrt(2 * np.pi))
    log_prior: NDArray[np.float64] = np.log(prior / prior.sum())
    return log_prior
