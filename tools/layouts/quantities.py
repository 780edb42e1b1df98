"""Numbers that a pack controller sends: raw values over time of a quantity in so many bits.

Each row of `QUANTITIES` says what moves, the noise of its measurement, and the step for each length in which it is
sent. Steps and offsets as met in captures of real packs; common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from numpy.typing import NDArray

    from tools.layouts.pack_world import World

    Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Quantity:
    """Something that is sent as a number.

    value : world, times (s), which one (cell, sensor, or any number) -> value
    noise : standard deviation of its measurement
    steps : length in bits -> steps used (unit a bit)
    offset : what raw 0 stands for; with `signed` two's complement around 0 is as usual as half the range
    weight : how often it is sent
    """

    value: Callable[[World, Array, int], Array]
    noise: float
    steps: Mapping[int, tuple[float, ...]]
    offset: float = 0.0
    signed: bool = False
    weight: float = 1.0


def _limit_kw(world: World, time_s: Array, which: int) -> Array:
    room = world.at(world.charge_percent, time_s)
    room = room if which % 2 else 100 - room
    return np.where(time_s < world.moments_s[-1], 0.9, 1.0) * np.clip(40 + room, 0, 110) * (0.7 + which % 7 / 20)


def _stage(world: World, time_s: Array, which: int) -> Array:
    """Stages of a pump, a fan or a derating: they move where something happens."""
    happened = np.searchsorted(world.moments_s[which % 2 :], time_s)
    return 1 + which % 3 + happened * (which % 2) + 0.0 * time_s


def _insulation_kohm(world: World, time_s: Array, which: int) -> Array:
    return 900 + which % 5 * 60 - 250 * world.closed(time_s) + 15 * np.sin(time_s / 11 + which)


def _duty_percent(world: World, time_s: Array, which: int) -> Array:
    return (12 + which % 30) + (which % 40 - 10) * world.closed(time_s) * np.exp(-time_s / 20 * (which % 3))


QUANTITIES: Final = {
    "cell voltage": Quantity(
        lambda world, time_s, which: world.cell_v(which, time_s),
        0.0012,
        {8: (0.02,), 9: (0.01,), 10: (0.005,), 12: (0.0015, 0.002), 13: (0.001,), 14: (0.001,), 16: (0.001, 0.0001)},
        weight=2.0,
    ),
    "pack voltage": Quantity(
        lambda world, time_s, _: world.pack_v(time_s),
        0.08,
        {8: (2.0,), 9: (1.0,), 10: (0.5,), 11: (0.25,), 12: (0.125,), 13: (0.1,), 14: (0.05,), 16: (0.1, 0.01)},
        weight=1.5,
    ),
    "link voltage": Quantity(
        lambda world, time_s, _: world.link_v(time_s),
        0.08,
        {8: (2.0,), 9: (1.0,), 10: (0.5,), 11: (0.25,), 12: (0.125,), 13: (0.1,), 16: (0.1,)},
    ),
    "pack current": Quantity(
        lambda world, time_s, _: world.at(world.current_a, time_s),
        0.08,
        {10: (1.0,), 11: (0.5,), 12: (0.25,), 13: (0.1,), 14: (0.1,), 16: (0.1, 0.02), 24: (0.001,)},
        signed=True,
        weight=2.5,
    ),
    "state of charge": Quantity(
        lambda world, time_s, _: world.at(world.charge_percent, time_s),
        0.0,
        {7: (1.0,), 8: (0.5, 0.4), 9: (0.25,), 10: (0.1,), 11: (0.05,), 12: (0.025,), 16: (0.01, 0.002)},
        weight=1.5,
    ),
    "temperature": Quantity(
        lambda world, time_s, which: world.temperature_c(which, time_s),
        0.03,
        {7: (1.0,), 8: (1.0, 0.5), 9: (0.25,), 10: (0.1,), 11: (0.1,), 16: (0.1,)},
        offset=-40.0,
        weight=3.0,
    ),
    "temperature around zero": Quantity(
        lambda world, time_s, which: world.temperature_c(which, time_s) - 18,
        0.03,
        {8: (1.0, 0.5), 16: (0.1,)},
        signed=True,
        weight=0.7,
    ),
    "pack power": Quantity(
        lambda world, time_s, _: world.at(world.current_a, time_s) * 0.36,
        0.03,
        {8: (1.0,), 9: (0.5,), 10: (0.5,), 12: (0.1,), 16: (0.1, 0.01)},
        signed=True,
    ),
    "deviation from the mean cell": Quantity(
        lambda world, time_s, which: 1000 * (world.cell_v(which, time_s) - world.cell_v(0, time_s)),
        4.0,
        {8: (1.0, 0.5), 10: (0.25,), 16: (0.1,)},
        signed=True,
    ),
    "power limit": Quantity(
        _limit_kw,
        0.0,
        {8: (1.0,), 9: (0.5,), 10: (0.25,), 11: (0.1,), 12: (0.05,), 13: (0.025,), 14: (0.01,), 16: (0.1, 0.01)},
        weight=2.0,
    ),
    "energy": Quantity(
        lambda world, time_s, which: 1000 * (which % 90) + 300 * (100 - world.at(world.charge_percent, time_s)),
        0.0,
        {16: (5.0,), 24: (1.0,), 32: (1.0, 0.1)},
    ),
    "operating time": Quantity(
        lambda _, time_s, which: 40_000 + 777 * which + time_s, 0.0, {16: (60.0, 10.0), 24: (1.0,), 32: (1.0, 0.1)}
    ),
    "insulation": Quantity(
        _insulation_kohm, 1.0, {8: (10.0,), 10: (5.0,), 11: (5.0,), 12: (1.0,), 13: (1.0,), 16: (1.0,)}
    ),
    "supply voltage": Quantity(
        lambda world, time_s, _: world.supply_v(time_s),
        0.015,
        {7: (0.2,), 8: (0.1,), 9: (0.05,), 10: (0.02,), 16: (0.01,)},
    ),
    "duty": Quantity(_duty_percent, 0.0, {5: (4.0,), 6: (2.0,), 7: (1.0,), 8: (0.5, 1.0)}),
    "stage": Quantity(_stage, 0.0, {3: (1.0,), 5: (1.0,), 6: (1.0,), 8: (1.0,)}, weight=0.8),
    "state of health": Quantity(
        lambda _, time_s, which: 80 + which % 19 + 0 * time_s, 0.0, {7: (1.0,), 8: (0.5, 1.0), 16: (0.1, 0.01)}
    ),
}


def quantities_of(bits: int) -> dict[str, float]:
    """Give the quantities sent in so many bits, with their weights."""
    return {name: quantity.weight for name, quantity in QUANTITIES.items() if bits in quantity.steps}


@dataclass(frozen=True, slots=True)
class Coding:
    """How a quantity becomes raw values."""

    name: str
    bits: int
    step: float
    signed: bool

    def raw(
        self, world: World, time_s: Array, which: int, update_s: float, rng: np.random.Generator
    ) -> NDArray[np.int64]:
        """Give raw values at `time_s`; the value is measured anew every `update_s`. Clipped to what the bits hold."""
        quantity = QUANTITIES[self.name]
        taken, back = np.unique(np.floor(time_s / update_s), return_inverse=True)
        value = quantity.value(world, taken * update_s, which)
        value = value + rng.normal(0, 1, len(taken)) * quantity.noise * world.noise_share
        low = -(1 << self.bits - 1) if self.signed else 0
        zero = quantity.offset / self.step
        if quantity.signed and not self.signed:
            zero = -(1 << self.bits - 1)
        raw = np.floor(value / self.step - zero + 0.5).astype(np.int64)
        return np.clip(raw, low, low + (1 << self.bits) - 2)[back]


def draw_coding(rng: np.random.Generator, bits: int, name: str) -> Coding:
    """Draw step and sign of a quantity in so many bits."""
    quantity = QUANTITIES[name]
    signed = quantity.signed and bool(rng.random() < 0.6)
    return Coding(name, bits, float(rng.choice(quantity.steps[bits])), signed)
