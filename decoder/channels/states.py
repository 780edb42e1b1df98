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

# A sample is stale when it is older than this many cycle times, or was asked for so many times in vain.
STALE_CYCLES = 5
# So many samples tell the usual time between two; a bound, so that blocks of a capture can tell it too.
CYCLE_SAMPLES = 10_001
# So many gaps that are longer than so many cycle times, at times that differ by no more than this share of the time
# between them, are pauses between bursts. Common practice, no source.
_PAUSE_CYCLES = 2
_FEWEST_PAUSES = 5
_REGULAR = 0.1
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
    """Tell which samples had no successor within five cycle times, or though it was asked for five times."""
    following_ns = np.append(series.time_ns[1:], series.time_ns[-1:] if series.next_ns is None else series.next_ns)
    return stale_at(series, np.arange(len(series)), following_ns[: len(series)])


def stale_at(series: Series, index: NDArray[np.intp], until_ns: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Tell which samples are stale at `until_ns` if nothing came after them; one for each `index`.

    What is asked for goes stale by questions in vain, not by time: where nobody asks, nothing is late. A pack sheet
    that gives a cycle time says otherwise.
    """
    since_ns = series.time_ns[index]
    if series.unanswered_ns is not None and series.channel.role.cycle_s is None:
        in_vain = [np.searchsorted(series.unanswered_ns, ends, side="right") for ends in (since_ns, until_ns)]
        return np.asarray(in_vain[1] - in_vain[0] >= STALE_CYCLES)
    if series.cycle_s is None:
        return np.zeros(len(since_ns), np.bool_)
    return np.asarray(until_ns - since_ns > int(series.cycle_s * STALE_CYCLES * 1e9))


def state_at(series: Series, time_ns: int) -> State:
    """Give the state of a channel at one moment, as a screen shows it; `absent` before the first sample."""
    index = series.index_at(time_ns)
    if index is None:
        return State.ABSENT
    state = State(series.state[index])
    if state is State.ABSENT:
        return state
    if stale_at(series, np.array([index]), np.array([time_ns]))[0]:
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


def usual_wait_s(time_ns: NDArray[np.int64]) -> float | None:
    """Give how long one usually waits for the next sample: the cycle time, or the pause where samples come in bursts.

    The pages of a multiplexor may come in a row and then pause; what stands on all of them is not stale meanwhile.
    """
    cycle = cycle_s(time_ns)
    if cycle is None:
        return None
    gaps_ns = np.diff(time_ns[:CYCLE_SAMPLES])
    pauses = np.flatnonzero(gaps_ns > _PAUSE_CYCLES * cycle * 1e9)
    if len(pauses) < _FEWEST_PAUSES:
        return cycle
    # Bursts begin at equal times; silences where something is wrong do not.
    quarter, middle, three = np.percentile(np.diff(time_ns[pauses + 1]), [25, 50, 75])
    return float(np.median(gaps_ns[pauses])) / 1e9 if three - quarter <= _REGULAR * middle else cycle


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
