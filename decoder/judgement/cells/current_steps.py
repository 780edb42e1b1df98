"""Steps of the pack current: quiet before, quiet after, and quickly from the one to the other.

They are the pulses that the pulse method of IEC 62660-1 makes on purpose (from memory): a battery answers a step of
current with a step of voltage, and the quotient of the two is a resistance.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from decoder.channels.states import cycle_s

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from decoder.channels import Series

# All of these: common practice, no source.
QUIET_S = 1.0  # so long the current must be quiet before and after a step
LONGEST_RAMP_S = 2.0  # a slower change is no step: the cells would relax meanwhile
LOOK_BACK_S, LOOK_AHEAD_S = 3.0, 16.0  # quiet beyond this is of no use
_SLOWEST_CYCLE_S = 2.0  # a current that is sent more rarely shows no steps
# Quiet is what stays within this share of the largest current, this many raw steps, and this many times the noise.
_QUIET_SHARE, _QUIET_RAW_STEPS, _QUIET_NOISES = 0.02, 5, 8
_LEAST_STEP = 4  # a step is at least so many times what still counts as quiet
_MOST_STEPS = 2000  # the largest
_BLOCK_S = 0.1
_FEWEST_BLOCKS = 3
_TO_SIGMA = 1.4826  # a median absolute deviation as a standard deviation (FACTS of normal data)


@dataclass(frozen=True, slots=True, eq=False)
class CurrentSteps:
    """Columns, one row a step, in the order of time.

    before_from_ns, before_to_ns, after_from_ns, after_to_ns : int64, the quiet stretches around the step
    before_a, after_a : float64, the current in these (A), positive while discharging
    wobble_a : float64, how far the current still moved in these, as a standard deviation (A)
    """

    before_from_ns: NDArray[np.int64]
    before_to_ns: NDArray[np.int64]
    after_from_ns: NDArray[np.int64]
    after_to_ns: NDArray[np.int64]
    before_a: NDArray[np.float64]
    after_a: NDArray[np.float64]
    wobble_a: NDArray[np.float64]

    def __len__(self) -> int:
        return len(self.before_a)

    @property
    def by_a(self) -> NDArray[np.float64]:
        """How far the current steps (A)."""
        return self.after_a - self.before_a


@dataclass(frozen=True, slots=True, eq=False)
class _Blocks:
    """The current in short blocks of time; `number` counts them from the first sample on, empty ones are left out.

    `sample_ns` is the time of the first sample in each.
    """

    number: NDArray[np.int64]
    low: NDArray[np.float64]
    high: NDArray[np.float64]
    mean: NDArray[np.float64]
    sample_ns: NDArray[np.int64]
    first_ns: int
    width_ns: int

    def begin_ns(self, index: int) -> int:
        return self.first_ns + int(self.number[index]) * self.width_ns

    def end_ns(self, index: int) -> int:
        return self.begin_ns(index) + self.width_ns


class _Step(NamedTuple):
    before_from_ns: int
    before_to_ns: int
    after_from_ns: int
    after_to_ns: int
    before_a: float
    after_a: float
    wobble_a: float


def current_steps(current: Series, sign: int = 1) -> CurrentSteps:
    """Find the steps of a current channel, at most the 2000 largest.

    Parameters
    ----------
    current : the channel, in A
    sign : 1 where it is positive while discharging, -1 where it counts the other way
    """
    known = np.isfinite(current.in_quantity_unit)
    time_ns = current.rising_ns[known]  # a capture's clock may jump back
    ampere = sign * current.in_quantity_unit[known]
    cycle = cycle_s(time_ns)
    if cycle is None or cycle > _SLOWEST_CYCLE_S:
        return _table([])
    blocks = _blocks(time_ns, ampere, max(_BLOCK_S, cycle))
    step_a = abs(current.channel.signal.scale * (current.channel.factor or 1.0))
    noise_a = _TO_SIGMA * float(np.median(np.abs(np.diff(ampere)))) / np.sqrt(2)
    allowed_a = max(_QUIET_SHARE * float(np.abs(ampere).max()), _QUIET_RAW_STEPS * step_a, _QUIET_NOISES * noise_a)
    pairs = _between_quiet(blocks, allowed_a)
    by_a = np.abs([blocks.mean[after] - blocks.mean[before] for before, after in pairs])
    largest = np.sort(np.argsort(-by_a, kind="stable")[:_MOST_STEPS])
    return _table([_widened(blocks, pairs[one], allowed_a) for one in largest.tolist()])


def _blocks(time_ns: NDArray[np.int64], ampere: NDArray[np.float64], width_s: float) -> _Blocks:
    width_ns = int(width_s * 1e9)
    number = (time_ns - time_ns[0]) // width_ns
    first = np.concatenate(([0], np.flatnonzero(np.diff(number)) + 1))
    mean = np.add.reduceat(ampere, first) / np.diff(first, append=len(ampere))
    low, high = np.minimum.reduceat(ampere, first), np.maximum.reduceat(ampere, first)
    return _Blocks(number[first], low, high, mean, time_ns[first], int(time_ns[0]), width_ns)


def _between_quiet(blocks: _Blocks, allowed_a: float) -> list[tuple[int, int]]:
    """Give the last block of a quiet stretch and the first of the next, where a step lies between them."""
    size = max(round(QUIET_S * 1e9 / blocks.width_ns), _FEWEST_BLOCKS)
    if len(blocks.number) < 2 * size:
        return []
    spread = sliding_window_view(blocks.high, size).max(axis=1) - sliding_window_view(blocks.low, size).min(axis=1)
    unbroken = blocks.number[size - 1 :] - blocks.number[: 1 - size] <= size  # one block may be lost
    quiet = np.concatenate(([False], (spread <= allowed_a) & unbroken, [False]))
    begins, ends = np.flatnonzero(quiet[1:] & ~quiet[:-1]), np.flatnonzero(~quiet[1:] & quiet[:-1]) - 1
    before, after = ends[:-1] + size - 1, begins[1:]
    ramp = blocks.number[after] - blocks.number[before] - 1
    # The mean of the first and last block of a quiet stretch is that of the stretch, within what is allowed.
    large = np.abs(blocks.mean[after] - blocks.mean[before]) >= _LEAST_STEP * allowed_a
    good = (after > before) & (ramp * blocks.width_ns <= LONGEST_RAMP_S * 1e9) & large
    return list(zip(before[good].tolist(), after[good].tolist(), strict=True))


def _widened(blocks: _Blocks, pair: tuple[int, int], allowed_a: float) -> _Step:
    """Give the stretches before and after a step as far as the current stays quiet, and the current in them."""
    before, after = pair
    back = _quiet_run(blocks, before, -1, allowed_a, LOOK_BACK_S)
    ahead = _quiet_run(blocks, after, 1, allowed_a, LOOK_AHEAD_S)
    # The outermost blocks next to the step may hold its first part: the current is sent a little late.
    inner, outer = blocks.mean[back:before], blocks.mean[after + 1 : ahead + 1]
    return _Step(
        blocks.begin_ns(back),
        blocks.begin_ns(before),
        # A slow current may have stepped at any moment before its first sample that is quiet again.
        int(blocks.sample_ns[after]),
        blocks.end_ns(ahead),
        float(inner.mean()),
        float(outer.mean()),
        float(np.hypot(inner.std(), outer.std())),
    )


def _quiet_run(blocks: _Blocks, start: int, way: int, allowed_a: float, longest_s: float) -> int:
    """Give the last block from `start` on, forwards or back, up to which the current stays and no block is lost."""
    most = int(longest_s * 1e9 / blocks.width_ns)
    index = start + way * np.arange(1, most + 1)
    index = index[(index >= 0) & (index < len(blocks.number))]
    level = blocks.mean[start + way]
    stays = (blocks.high[index] - level <= allowed_a) & (level - blocks.low[index] <= allowed_a)
    stays &= np.abs(np.diff(blocks.number[index], prepend=blocks.number[start])) <= 2
    ends = np.flatnonzero(~stays)
    return start + way * (int(ends[0]) if len(ends) else len(index))


def _table(steps: list[_Step]) -> CurrentSteps:
    table = np.array(steps, np.float64).reshape(-1, 3 + 4)[:, 4:]
    times = np.array([step[:4] for step in steps], np.int64).reshape(-1, 4)
    return CurrentSteps(*times.T, *table.T)
