"""Current: voltage steps follow current steps, with one resistance; the sign of it tells which way current is counted.

All samples of all cells, each less its own level, are one series of the common voltage. A number that moves with it,
once what moves slowly is taken off both, may be the current. It may as well be what follows the current, as a motor's
torque does: then several numbers share the likelihood.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.discovery.natural_scales import scales_of
from decoder.discovery.physics.series import track_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from decoder.discovery.natural_scales import NaturalScale
    from decoder.discovery.physics.array_meanings import Meaning
    from decoder.discovery.physics.like_fields import LikeFields
    from decoder.discovery.physics.series import Track
    from decoder.discovery.physics.singles import Single

_MOST_POINTS: Final = 4000
_SLOW_S: Final = 12.0  # what moves slower is charge and relaxation, not resistance
_LAGS_S: Final = (0.0, 0.03, 0.07, 0.15, 0.3, 0.6, 1.0, 1.6)  # a controller looks at its cells now and then
_APART: Final = 2.0
_RELAXATION_S: Final = 10.0
_LEAST: Final = 0.75  # correlation
_MOVED_STEPS: Final = 2.5  # of the voltage (standard deviation), from which on steps can be told
_FEWEST_POINTS: Final = 12
# Resistance of one cell with its joints, mohm: log-normal. Common practice, no source.
_USUAL_MOHM: Final = 0.9
_MOHM_FACTOR: Final = 2.2
_MOST_A: Final = 900.0
_LENGTH_SHARE: Final = {8: 0.8, 12: 0.8, 16: 1.0}


@dataclass(frozen=True, eq=False, slots=True)
class CommonVoltage:
    """Movement of the mean cell, in V, at sorted times; `step_v` is one raw step."""

    time_s: NDArray[np.float64]
    volt: NDArray[np.float64]
    step_v: float


@dataclass(frozen=True, eq=False, slots=True)
class CurrentLike:
    """A number that moves as a current does.

    correlation : with the voltage, its sign that of the raw value; volt_per_step : of one cell; lag_s : voltage later
    """

    single: Single
    correlation: float
    volt_per_step: float
    lag_s: float


@dataclass(frozen=True, slots=True)
class CurrentMeaning:
    """One scale that a current may have: negative where the number counts charging up."""

    scale: float
    offset: float
    mohm: float
    share: float


def common_voltage(row: LikeFields, meaning: Meaning) -> CommonVoltage | None:
    """Give the common movement of a row of cells at every instant at which one of them was told."""
    own = row.cut_to(meaning.length)
    apart = np.zeros(len(own)) if own.table is None else own.table.rest.std(axis=0)
    kept = apart <= _APART * np.median(apart) + 0.5  # a cell that moves more than the others would drown them
    tracks = [track_of(row.sampled, at) for at, alike in zip(own.fields, kept.tolist(), strict=True) if alike]
    tracks = [one for one in tracks if len(one) >= 3]
    if not tracks:
        return None
    time_s = np.concatenate([one.time_s for one in tracks])
    off = np.concatenate([one.raw - np.median(one.raw) for one in tracks])
    order = np.argsort(time_s, kind="stable")
    order = order[:: len(order) // _MOST_POINTS + 1]
    return CommonVoltage(time_s[order], off[order] * meaning.scale, meaning.scale)


def current_like(voltage: CommonVoltage, singles: Sequence[Single]) -> list[CurrentLike]:
    """Give the numbers that move with the voltage as a current does, those that do so best first."""
    fast = _without_slow(voltage.time_s, voltage.volt)
    if len(fast) < _FEWEST_POINTS or _bin_deviation(fast) < 0.3 * voltage.step_v:
        return []
    found = []
    for single in singles:
        one = _compared(voltage, fast, single)
        if one is not None:
            found.append(one)
    return sorted(found, key=lambda one: -abs(one.correlation))


def _bin_deviation(fast: NDArray[np.float64]) -> float:
    """Give how much neighbouring samples move together: the deviation of means over a few of them."""
    few = 6
    count = len(fast) // few
    return float(fast[: count * few].reshape(count, few).mean(axis=1).std()) if count > 2 else float(fast.std())


def _compared(voltage: CommonVoltage, fast: NDArray[np.float64], single: Single) -> CurrentLike | None:
    track = single.track
    inside = (voltage.time_s >= track.time_s[0]) & (voltage.time_s <= track.time_s[-1])
    if inside.sum() < max(_FEWEST_POINTS, 0.5 * len(inside)) or np.ptp(track.raw) < 3:
        return None
    time_s, volt = voltage.time_s[inside], fast[inside]
    best: tuple[float, float, float] | None = None
    for lag_s in _LAGS_S:
        raw = _without_slow(time_s, track.at(time_s - lag_s))
        relaxed = _without_slow(time_s, _relaxed(track, time_s - lag_s))
        if raw.std() == 0 or volt.std() == 0:
            continue
        correlation, slope = _explained(volt, raw, relaxed)
        if best is None or abs(correlation) > abs(best[0]) + 0.01:
            best = correlation, slope, lag_s
    if best is None or abs(best[0]) < _LEAST:
        return None
    return CurrentLike(single, *best)


def _relaxed(track: Track, time_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Give the mean over the last `_RELAXATION_S`: what relaxation follows."""
    steps = 0.5 * (track.raw[1:] + track.raw[:-1]) * np.diff(track.time_s)
    flowed = np.concatenate(([0.0], np.cumsum(steps)))
    before = np.interp(time_s - _RELAXATION_S, track.time_s, flowed)
    span = np.minimum(time_s - track.time_s[0], _RELAXATION_S)
    return np.asarray((np.interp(time_s, track.time_s, flowed) - before) / np.maximum(span, 0.1))


def _explained(
    volt: NDArray[np.float64], raw: NDArray[np.float64], relaxed: NDArray[np.float64]
) -> tuple[float, float]:
    """Give the correlation of the voltage with what explains it, its sign that of the raw value, and V a raw step."""
    columns = np.stack([raw, relaxed], axis=1)
    weights, *_ = np.linalg.lstsq(columns, volt, rcond=None)
    fitted = columns @ weights
    if fitted.std() == 0 or weights[0] == 0:
        return 0.0, 0.0
    correlation = float(np.corrcoef(fitted, volt)[0, 1])
    return float(np.sign(weights[0])) * correlation, float(weights[0])


def _without_slow(time_s: NDArray[np.float64], values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Take off the mean of each stretch of time, on straight lines between their middles."""
    if not len(time_s):
        return values
    stretch = np.floor((time_s - time_s[0]) / _SLOW_S).astype(np.int64)
    kinds, number, counts = np.unique(stretch, return_inverse=True, return_counts=True)
    if len(kinds) < 2:
        return np.asarray(values - values.mean())
    means = np.bincount(number, weights=values) / counts
    middles = np.bincount(number, weights=time_s) / counts
    return np.asarray(values - np.interp(time_s, middles, means))


def meanings_of_current(one: CurrentLike) -> list[CurrentMeaning]:
    """Give scales and offsets that a number may have as the pack's current, the likeliest first; shares add up to 1."""
    lengths = range(one.single.shortest, one.single.at.field.length + 1)
    found = [
        made
        for row in scales_of("pack current")
        for length in (lengths if row.half_range else lengths[-1:])
        if (made := _meaning(one, row, length)) is not None
    ]
    total = sum(some.share for some in found)
    ranked = sorted(found, key=lambda some: -some.share)
    return [CurrentMeaning(some.scale, some.offset, some.mohm, some.share / total) for some in ranked]


def _meaning(one: CurrentLike, row: NaturalScale, length: int) -> CurrentMeaning | None:
    field = one.single.at.field
    if not row.bits[0] <= length or not one.single.shortest <= row.bits[1]:
        return None
    plain = row.offset == 0 and not row.half_range
    if field.signed and not plain:
        return None
    offset = row.offset_of(length)
    current = one.single.track.raw * row.scale + offset
    most, least = float(np.abs(current).max()), float(np.abs(current).min())
    if most > _MOST_A:
        return None
    mohm = abs(one.volt_per_step) / row.scale * 1000
    share = (
        row.share
        * _LENGTH_SHARE.get(length, 0.3)
        * np.exp(-0.5 * (np.log(mohm / _USUAL_MOHM) / np.log(_MOHM_FACTOR)) ** 2)
    )
    share *= np.exp(-least / 10.0) * (0.15 if plain and not field.signed else 1.0)
    sign = -1.0 if one.correlation > 0 else 1.0
    return CurrentMeaning(sign * row.scale, sign * offset, mohm, float(share)) if share > 1e-9 else None


def discharging(one: CurrentLike, meaning: CurrentMeaning) -> NDArray[np.float64]:
    """Give the current in A, positive while discharging, at the number's own times."""
    return np.asarray(one.single.track.raw * meaning.scale + meaning.offset)
