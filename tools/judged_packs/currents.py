"""What current flows, by profile: A, positive while discharging, over a grid of equal steps."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from tools.packs.happenings import curve
from tools.packs.pack import GRID_S, lagged

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]


def following(drive: Array, lag_s: float, start: float, step_s: float) -> Array:
    """Give what follows a column of any grid with a first-order lag."""
    return lagged(drive, lag_s * GRID_S / step_s, start)


def rest(rng: np.random.Generator, time_s: Array, *, closed: bool) -> Array:
    """Give what little the controller and pumps draw, if the contactors are closed."""
    if not closed:
        return np.zeros(len(time_s))
    steps = np.sort(rng.uniform(0, time_s[-1], int(rng.integers(0, 4))))
    return rng.uniform(0.0, 0.8, len(steps) + 1)[np.searchsorted(steps, time_s)]


def drive(rng: np.random.Generator, time_s: Array, swing_a: float, peak_a: float) -> Array:
    """Give pulling away, cruising, braking and standing."""
    step_s = float(time_s[1])
    wish = following(rng.normal(0, 1, len(time_s)), rng.uniform(1.5, 6), 0.0, step_s)
    wish = swing_a * (wish / (wish.std() + 1e-9) + 0.5)
    stands = np.sin(time_s / rng.uniform(6, 15) + rng.uniform(0, 6)) > rng.uniform(0.6, 0.95)
    base_a = rng.uniform(0.5, 4)
    return following(np.where(stands, base_a, np.clip(wish, -0.6 * peak_a, peak_a)), 0.12, base_a, step_s)


def pulses(rng: np.random.Generator, time_s: Array, rate_a: float) -> Array:
    """Give steps between a few levels, each held for a while."""
    step_s, period_s = float(time_s[1]), rng.uniform(6, 40)
    turn = np.floor((time_s + rng.uniform(0, period_s)) / period_s * 2).astype(int)
    levels = rng.choice([-0.6, 0.0, 0.0, 0.5, 1.0], turn.max() + 2)
    levels[1 : min(4, len(levels))] = [0.0, 1.0, 0.0][: max(0, min(4, len(levels)) - 1)]
    return following(rate_a * levels[turn], 0.06, 0.0, step_s)


def charging(rng: np.random.Generator, time_s: Array, rate_a: float, begins_s: float) -> Array:
    """Give constant charging with a few steps of the charger."""
    level = np.ones(len(time_s))
    for at in rng.uniform(begins_s, time_s[-1], int(rng.integers(0, 4))):
        level[time_s > at] = rng.uniform(0.5, 1.0)
    ripple = 0.004 * np.sin(2 * np.pi * time_s / rng.uniform(2, 9))
    return -rate_a * (level + ripple) * np.clip((time_s - begins_s) / rng.uniform(1, 8), 0, 1)


def to_the_knee(
    time_s: Array, rate_a: float, charge: float, capacity_ah: float, ohm: float, top_v: float, name: str
) -> Array:
    """Give charging whose current falls once the mean cell reaches `top_v`; `ohm` is all that a cell has."""
    step_s = float(time_s[1])
    grid = np.linspace(0, 100, 2001)
    volt = curve(name, grid)
    current = np.zeros(len(time_s))
    for row in range(len(time_s)):
        room = (top_v - volt[min(int(charge * 20), 2000)]) / ohm
        current[row] = -min(rate_a * min(time_s[row] / 4, 1.0), max(room, 0.0))
        charge = min(charge - current[row] * step_s / 36 / capacity_ah, 100.0)
    return current


def cycle(rng: np.random.Generator, time_s: Array, moved_ah: float) -> Array:
    """Give rest, one long discharge or charge of so many Ah (negative: charge), and rest."""
    begins_s, ends_s = time_s[-1] * rng.uniform(0.08, 0.15), time_s[-1] * rng.uniform(0.6, 0.7)
    flows = (time_s >= begins_s) & (time_s < ends_s)
    wave = 1 + 0.3 * np.sin(2 * np.pi * (time_s - begins_s) / rng.uniform(60, 400))
    shape = np.where(flows, wave, 0.0)
    return shape * moved_ah * 3600 / (shape.sum() * float(time_s[1]))
