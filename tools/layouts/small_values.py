"""Flags and states over time: most never change in a capture, the others one to five times, many of them together."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tools.layouts.pack_world import World

FLAG_CHANGES: Final = {0: 0.84, 1: 0.07, 2: 0.05, 3: 0.02, 4: 0.01, 5: 0.01}
STATE_CHANGES: Final = {0: 0.62, 1: 0.17, 2: 0.11, 3: 0.05, 4: 0.025, 5: 0.025}
AT_A_MOMENT: Final = 0.85  # share of the changes that fall on one of the pack's moments
RESTLESS: Final = 0.008  # share of the flags that never come to rest


def flag(rng: np.random.Generator, world: World, time_s: NDArray[np.float64]) -> NDArray[np.int64]:
    """Give a flag over time."""
    if rng.random() < RESTLESS:
        return (rng.random(len(time_s)) < rng.uniform(0.02, 0.5)).astype(np.int64)
    return _stepped(rng, world, time_s, FLAG_CHANGES, 2)


def state(rng: np.random.Generator, world: World, time_s: NDArray[np.float64], values: int) -> NDArray[np.int64]:
    """Give a state over time that has the values 0 to `values` - 1."""
    return _stepped(rng, world, time_s, STATE_CHANGES, values)


def _stepped(
    rng: np.random.Generator, world: World, time_s: NDArray[np.float64], shares: dict[int, float], values: int
) -> NDArray[np.int64]:
    count = int(rng.choice(list(shares), p=list(shares.values())))
    moments = world.moments_s[rng.permutation(len(world.moments_s))]
    together = moments[: int((rng.random(count) < AT_A_MOMENT).sum())]
    alone = rng.uniform(0, world.duration_s, count - len(together))
    changes_s = np.sort(np.concatenate([together, alone]))
    reached = np.cumsum(np.concatenate([[rng.integers(0, min(values, 3))], rng.integers(1, values, count)])) % values
    return reached[np.searchsorted(changes_s, time_s, side="right")].astype(np.int64)
