"""The pack whose controller talks: what flows, what warms, and the moments at which things happen together.

A pack on a bench or in a vehicle at rest most of the time, as those are that people plug into; else driven or charged.
The numbers are those of an ordinary pack of 300 to 420 V; common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

GRID_S: Final = 0.02
CELLS: Final = 96
SENSORS: Final = 48
SCENES: Final = {"bench": 0.48, "rest": 0.32, "drive": 0.12, "charge": 0.08}
PRECHARGE_S: Final = 0.15  # time constant of the link's voltage


@dataclass(frozen=True, eq=False)
class World:
    """Columns over a grid of `GRID_S`, and single numbers.

    moments_s : when many things change at once; the first is when the contactors close
    noise_share : how much of a measurement's noise the controller's own filters leave
    wakes : the capture begins with the controller's wake-up
    """

    scene: str
    duration_s: float
    wakes: bool
    moments_s: Array
    current_a: Array
    charge_percent: Array
    cell_offset_v: Array
    cell_ohm: Array
    sensor_c: Array
    drift_c: Array
    noise_share: float

    def at(self, column: Array, time_s: Array) -> Array:
        """Give a column of the grid at `time_s`."""
        return np.interp(time_s, np.arange(len(column)) * GRID_S, column)

    def cell_v(self, cell: int, time_s: Array) -> Array:
        """Give one cell's voltage (V)."""
        charge = self.at(self.charge_percent, time_s) / 100
        rest_v = 3.35 + 0.45 * charge + 0.35 * charge**3 + self.cell_offset_v[cell % CELLS]
        return rest_v - self.at(self.current_a, time_s) * self.cell_ohm[cell % CELLS]

    def pack_v(self, time_s: Array) -> Array:
        """Give the pack's voltage (V)."""
        return CELLS * self.cell_v(0, time_s)

    def temperature_c(self, sensor: int, time_s: Array) -> Array:
        """Give one sensor's temperature (degC): a start and a slow way from there."""
        way = np.sqrt(np.clip(time_s, 0, None) / self.duration_s)
        return self.sensor_c[sensor % SENSORS] + self.drift_c[sensor % SENSORS] * way

    def closed(self, time_s: Array) -> Array:
        """Give 0 before the contactors close and 1 after; never closed on a bench."""
        return (time_s >= self.moments_s[0]).astype(float) * (self.scene != "bench")

    def link_v(self, time_s: Array) -> Array:
        """Give the voltage behind the contactors (V)."""
        since_s = np.clip(time_s - self.moments_s[0], 0, None)
        return self.pack_v(time_s) * self.closed(time_s) * (1 - np.exp(-since_s / PRECHARGE_S))

    def supply_v(self, time_s: Array) -> Array:
        """Give the low-voltage supply (V)."""
        return 12.3 + 1.6 * self.closed(time_s) + 0.02 * np.sin(time_s / 7)


def make_world(rng: np.random.Generator) -> World:
    """Draw a pack and what happens to it in 20 to 200 s."""
    scene = str(rng.choice(list(SCENES), p=list(SCENES.values())))
    duration_s = float(np.exp(rng.uniform(np.log(20), np.log(200))))
    grid_s = np.arange(0, duration_s + 1, GRID_S)
    moments_s = np.sort(rng.uniform(0.03, 0.95, rng.integers(1, 5))) * duration_s
    wakes = bool(rng.random() < 0.4)
    if wakes:
        moments_s[0] = rng.uniform(0.5, 4.0)
    current_a = _current(rng, scene, grid_s, moments_s)
    capacity_ah = rng.uniform(40, 200)
    charge = rng.uniform(15, 95) - np.cumsum(current_a) * GRID_S / 36 / capacity_ah
    return World(
        scene=scene,
        duration_s=duration_s,
        wakes=wakes,
        moments_s=np.sort(moments_s),
        current_a=current_a,
        charge_percent=np.clip(charge, 1, 99.8),
        cell_offset_v=rng.normal(0, 0.006, CELLS),
        cell_ohm=rng.uniform(0.8e-3, 1.4e-3, CELLS),
        sensor_c=rng.uniform(5, 35) + rng.normal(0, 0.8, SENSORS),
        drift_c=rng.uniform(-0.5, 2.0) * (duration_s / 200) + rng.normal(0, 0.15, SENSORS),
        noise_share=float(rng.choice([0.05, 0.3, 1.0], p=[0.5, 0.3, 0.2])),
    )


def _current(rng: np.random.Generator, scene: str, grid_s: Array, moments_s: Array) -> Array:
    """Give the current (A), positive while discharging."""
    since = grid_s >= moments_s[0]
    if scene == "bench":
        return np.zeros(len(grid_s))
    if scene == "rest":
        levels = rng.uniform(-1.5, 3.0, len(moments_s) + 1)  # loads, and what the supply gives back
        return levels[np.searchsorted(moments_s, grid_s)] * since
    if scene == "charge":
        return -rng.uniform(8, 120) * np.clip((grid_s - moments_s[0]) / 4, 0, 1)
    lag_s, swing_a = rng.uniform(1.0, 4.0), rng.uniform(30, 90)
    pull = rng.normal(0, 1, len(grid_s))
    wish = np.convolve(pull, np.exp(-np.arange(0, 5 * lag_s, GRID_S) / lag_s))[: len(grid_s)]
    wish = swing_a * (wish / (wish.std() + 1e-9) + 0.5)
    stands = np.sin(grid_s / rng.uniform(5, 15) + rng.uniform(0, 6)) > 0.8
    return np.where(stands, 0.6, np.clip(wish, -250, 380)) * since
