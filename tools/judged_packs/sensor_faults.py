"""Faults of temperature and pressure sensors, and heat that is real."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from tools.judged_packs.draft import Truth, Wants
from tools.judged_packs.kind import Kind
from tools.judged_packs.soundness import limit

if TYPE_CHECKING:
    from tools.judged_packs.draft import Draft
    from tools.judged_packs.physics import World

SHORT_RAW: Final = (
    254  # what controllers of 8 bits say of a short thermistor; 0 of an open one: common practice, no source
)
USUAL: Final = ("rest", "drive", "heavy load", "pulses", "charge")


def _sensor(draft: Draft, rng: np.random.Generator) -> tuple[int, int, int]:
    """Draw a sensor: its number from 0, its module and number within it from 1."""
    number = int(rng.integers(draft.modules * draft.sensors_per_module))
    return number, number // draft.sensors_per_module + 1, number % draft.sensors_per_module + 1


def _rail(draft: Draft, rng: np.random.Generator) -> Truth:
    """Open or short a sensor: for good, from some time on, or now and then."""
    number, module, sensor = _sensor(draft, rng)
    raw = SHORT_RAW if rng.random() < 0.5 else 0
    way = rng.random()
    spans = ((-1.0, draft.duration_s + 9),)
    if way < 0.33:
        spans = ((float(rng.uniform(0.2, 0.7)) * draft.duration_s, draft.duration_s + 9),)
    elif way < 0.66:
        begins = np.sort(rng.uniform(0.05, 0.85, int(rng.integers(3, 8)))) * draft.duration_s
        lasts_s = 5 * draft.coding.slow_period_s
        spans = tuple((float(at), float(at + lasts_s * rng.uniform(1, 3))) for at in begins)
    draft.wire.fixed[draft.sensor_name(number)] = (spans, raw)
    return Truth("temperature-rail", ("temperature-rail",), (module,), sensor=sensor)


def _stuck(draft: Draft, rng: np.random.Generator) -> Truth:
    number, module, sensor = _sensor(draft, rng)
    raw = int((draft.ambient_c + 40) / draft.coding.temperature_step_c) + int(rng.integers(-1, 3))
    draft.wire.fixed[draft.sensor_name(number)] = (((-1.0, draft.duration_s + 9),), raw)
    return Truth("channel-stuck", ("channel-stuck",), (module,), sensor=sensor)


def _siblings_move(draft: Draft, world: World, _truth: Truth) -> bool:
    return float(np.ptp(world.sensor_c, axis=1).min()) > 4.5 * draft.coding.temperature_step_c


def _apart(draft: Draft, rng: np.random.Generator) -> Truth:
    """One sensor is warmer or colder than all others, throughout."""
    number, module, sensor = _sensor(draft, rng)
    draft.sensor_c[number] += rng.uniform(1.6, 3.0) * limit("temperature_spread_c") * (1 if rng.random() < 0.8 else -1)
    return Truth("temperature-spread", ("temperature-spread",), (module,), sensor=sensor)


def _is_apart(draft: Draft, world: World, truth: Truth) -> bool:
    read = world.sensor_c + draft.sensing.sensor_offset_c[:, None]
    number = (truth.modules[0] - 1) * draft.sensors_per_module + (truth.sensor or 1) - 1
    off = np.abs(read[number] - np.median(read, axis=0))
    return bool(off.min() > 1.4 * limit("temperature_spread_c"))


def _rise(draft: Draft, rng: np.random.Generator) -> Truth:
    """Let a cell heat by itself: a sensor rises for a while, then holds and cools slowly."""
    number, module, sensor = _sensor(draft, rng)
    per_s = rng.uniform(1.4, 4.0) * limit("temperature_rise_c_per_s")
    lasts_s = max(4.0, min(15.0, 40 / per_s)) if per_s * 4 < 40 else 4.0 + 6 * rng.random()
    begins_s = float(rng.uniform(0.2, 0.7)) * draft.duration_s
    draft.after.append(lambda world: _add_heat(world, number, begins_s, per_s, lasts_s))
    return Truth("temperature-rise", ("temperature-rise",), (module,), sensor=sensor)


def _add_heat(world: World, number: int, begins_s: float, per_s: float, lasts_s: float) -> None:
    since = world.time_s - begins_s
    world.sensor_c[number] += per_s * np.clip(since, 0, lasts_s) * np.exp(-np.clip(since - lasts_s, 0, None) / 200)


def _stays_below(draft: Draft, world: World, _truth: Truth) -> bool:
    return float(world.sensor_c.max()) < limit("runaway_temperature_c") - 4 and draft.coding.slow_period_s <= 1.0


def _runaway(draft: Draft, rng: np.random.Generator) -> Truth:
    """Let a cell give way by more than a quarter, and its module's sensors rise fast and far."""
    cell = int(rng.integers(draft.cells))
    module = int(draft.module_of[cell])
    begins_s = float(rng.uniform(0.4, 0.8)) * draft.duration_s
    share, falls_s = rng.uniform(0.35, 0.95), rng.uniform(1, 10)
    per_s, lasts_s = rng.uniform(2, 8), rng.uniform(15, 25)
    near = module * draft.sensors_per_module + int(rng.integers(draft.sensors_per_module))

    def change(world: World) -> None:
        world.cell_v[cell] *= 1 - share * np.clip((world.time_s - begins_s) / falls_s, 0, 1)
        for number in range(module * draft.sensors_per_module, (module + 1) * draft.sensors_per_module):
            _add_heat(world, number, begins_s + 2.0, per_s * (1.0 if number == near else 0.3), lasts_s)
        np.minimum(world.sensor_c, 120.0, out=world.sensor_c)

    draft.after.append(change)
    return Truth("runaway-precursor", ("runaway-precursor",), (module + 1,))


def _gets_hot(draft: Draft, world: World, _truth: Truth) -> bool:
    field_ends = 255 * draft.coding.temperature_step_c - 40 - 2
    top = float(world.sensor_c.max())
    return top > limit("runaway_temperature_c") + 3 and top < field_ends and draft.coding.slow_period_s <= 1.0


def _pressure(draft: Draft, rng: np.random.Generator) -> Truth:
    module = int(rng.integers(draft.modules))
    more = rng.uniform(1.4, 4.0) * limit("pressure_rise_kpa")
    begins_s, lasts_s = rng.uniform(0.1, 0.4) * draft.duration_s, rng.uniform(0.05, 0.4) * draft.duration_s

    def change(world: World) -> None:
        world.swelling_kpa[module] += more * np.clip((world.time_s - begins_s) / lasts_s, 0, 1)

    draft.after.append(change)
    return Truth("pressure-rise", ("pressure-rise",), (module + 1,))


SENSOR_KINDS: Final = (
    Kind("temperature-rail", _rail),
    Kind("channel-stuck", _stuck, Wants(("drive", "heavy load", "charge"), warming_c=9.0), _siblings_move),
    Kind("temperature-spread", _apart, Wants(USUAL), _is_apart),
    Kind("temperature-rise", _rise, Wants(USUAL), _stays_below),
    Kind("runaway-precursor", _runaway, Wants(USUAL), _gets_hot, leaves_window=True),
    Kind("pressure-rise", _pressure, Wants(USUAL)),
)
