"""The state of each sample: low, high, absent, stale, stuck, or ok."""

from __future__ import annotations

from collections import defaultdict
from typing import TYPE_CHECKING

import numpy as np

from decoder.channels.series import Series, State

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

    from decoder.channels.series import Channel

# A sample is stale when it is older than this many cycle times.
STALE_CYCLES = 5
# So many samples tell the usual time between two; a bound, so that blocks of a capture can tell it too.
CYCLE_SAMPLES = 10_001
# A sensor is stuck if it never moves in so many samples while most of its siblings move by so many steps of their
# own resolution. Common practice, no source.
STUCK_SAMPLES = 20
STUCK_SIBLINGS = 2
STUCK_SIBLING_STEPS = 3
# Quantities whose sensors move together. Contactors and the like may rest for a whole capture.
MOVING = frozenset({"cell voltage", "module voltage", "cell temperature", "module temperature"})


def states_of(series: Series) -> NDArray[np.uint8]:
    """Give the `State` of each sample (uint8); limits are inclusive."""
    state = np.full(len(series), State.STUCK if series.stuck else State.OK, np.uint8)
    low, high = beyond_limits(series.channel, series.number)
    state[low] = State.LOW
    state[high] = State.HIGH
    state[stale_samples(series)] = State.STALE
    if series.absent is not None:
        state[series.absent] = State.ABSENT
    return state


def beyond_limits(
    channel: Channel, number: NDArray[np.float64] | np.float64
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Tell which values are below the channel's low limit, and which above its high one. NaN is neither."""
    # Scaling leaves dust: 4200 * 0.001 must not be above 4.2.
    dust = abs(channel.signal.scale) * 1e-6
    low = -np.inf if channel.low is None else channel.low.value - dust
    high = np.inf if channel.high is None else channel.high.value + dust
    with np.errstate(invalid="ignore"):
        return np.asarray(number < low), np.asarray(number > high)


def stale_samples(series: Series) -> NDArray[np.bool_]:
    """Tell which samples had no successor within five cycle times."""
    stale = np.zeros(len(series), np.bool_)
    if series.cycle_s is None or not len(series):
        return stale
    limit_ns = int(series.cycle_s * STALE_CYCLES * 1e9)
    stale[:-1] = np.diff(series.time_ns) > limit_ns
    if series.next_ns is not None:
        stale[-1] = series.next_ns - series.time_ns[-1] > limit_ns
    return stale


def state_at(series: Series, time_ns: int) -> State:
    """Give the state of a channel at one moment, as a screen shows it; `absent` before the first sample."""
    index = series.index_at(time_ns)
    if index is None:
        return State.ABSENT
    state = State(series.state[index])
    if state is State.ABSENT:
        return state
    old = series.cycle_s is not None and time_ns - series.time_ns[index] > series.cycle_s * STALE_CYCLES * 1e9
    if old:
        return State.STALE
    return _without_staleness(series, index) if state is State.STALE else state


def _without_staleness(series: Series, index: int) -> State:
    """Give the state of a sample while it is still fresh."""
    low, high = beyond_limits(series.channel, series.number[index])
    if low:
        return State.LOW
    if high:
        return State.HIGH
    return State.STUCK if series.stuck else State.OK


def cycle_s(time_ns: NDArray[np.int64]) -> float | None:
    """Give the usual time between samples: the median over the first ten thousand; ``None`` for fewer than three."""
    if len(time_ns) < 3:
        return None
    median = float(np.median(np.diff(time_ns[:CYCLE_SAMPLES])))
    return median / 1e9 if median > 0 else None


def stuck_names(ranges: Iterable[tuple[str, str | None, int, float, float]]) -> set[str]:
    """Tell which channels are stuck.

    `ranges`: name, quantity, samples that are not absent, largest minus smallest value, and one step of resolution.
    """
    by_quantity: dict[str, list[tuple[str, int, float, float]]] = defaultdict(list)
    for name, quantity, count, moved, step in ranges:
        if quantity in MOVING and count >= STUCK_SAMPLES:
            by_quantity[quantity].append((name, count, moved, step))
    return {name for group in by_quantity.values() for name in _stuck_among(group)}


def _stuck_among(group: Sequence[tuple[str, int, float, float]]) -> list[str]:
    moving = sum(moved >= STUCK_SIBLING_STEPS * step for _, _, moved, step in group)
    resting = [name for name, _, moved, _ in group if moved == 0]
    most_move = moving >= STUCK_SIBLINGS and moving > len(group) / 2
    return resting if most_move else []
