"""The physics of the harbour shuttle's pack: 6 modules of 14 cells, from the pier through the harbour and back to rest.

Each cell is its open-circuit voltage over charge, an ohmic resistance and one relaxation pair in series (the usual
equivalent circuit of first order). The open-circuit voltage is that of NMC532 against graphite, Mohtat et al. 2020,
from `decoder.maps.chemistry`. Temperatures follow the coolant and the heat of the current with a lag. All other
numbers are invented for this boat.

Units: V, A (positive while discharging), ohm, Ah, degC, kPa, kohm, s. Time runs in steps of 10 ms.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.maps.chemistry import CURVES

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tools.demo.dice import Dice

    Array = NDArray[np.float64]

MODULES: Final = 6
CELLS: Final = 14  # a module
DURATION_S: Final = 90.0
STEP_S: Final = 0.01
OCV: Final = CURVES["NMC532"]

# When a new current is called for, and what it is. Currents change by RAMP_A_PER_S.
CURRENT_STEPS: Final = (
    (0.0, 3.0, "at the pier"),
    (8.0, 60.0, "leaving the pier"),
    (20.0, 110.0, "cruising"),
    (38.0, 20.0, "slowing down"),
    (48.0, -40.0, "braking with the propeller"),
    (58.0, 3.0, "at rest"),
)
RAMP_A_PER_S: Final = 80.0

CAPACITY_AH: Final = 62.0
START_CHARGE_PERCENT: Final = 65.0
OHMIC: Final = 0.9e-3
RELAXATION: Final = 0.5e-3
RELAXATION_S: Final = 15.0

# What is wrong with it.
WEAK_MODULE: Final = 4
WEAK_CAPACITY_AH: Final = 56.5
WEAK_RESISTANCE: Final = 1.04  # times that of the others
WEAK_V: Final = (-0.008, -0.056)  # at rest, of its best and of its worst cell, against the pack
WEAK_ORDER: Final = (5, 9, 2, 12, 7, 1, 14, 4, 10, 6, 13, 3, 8, 11)  # best cell first
RESISTIVE_CELL: Final = (2, 9)
RESISTIVE_OHM: Final = 1.5e-3
STUCK_SENSOR: Final = (3, 2)
SUPPLY_GONE_S: Final = 70.0

SENSORS: Final = 2  # a module
COOLANT_C: Final = 30.0
BUSBAR_C_PER_A2: Final = 4.0e-4  # above its module, if the current held on for good
BUSBAR_S: Final = 12.0
SWELLING_RISE_KPA: Final = 1.5  # in the weak module, over the whole time, beside what its warmth does


@dataclass(frozen=True)
class Pack:
    """What is true inside the pack, n steps of 10 ms: what sensors without fault would show.

    current_a, charge_percent (mean of all cells), insulation_kohm, supply_v, keep_alive_v : n
    cell_v : n x 84, module after module; sensor_c : n x 12; coolant_c : n x 2 (inlet, outlet); swelling_kpa : n x 6
    start_offset_v : 84, rest voltage of each cell at the start less that of a cell with START_CHARGE_PERCENT
    resistance_ohm : 84, ohmic part
    """

    time_s: Array
    current_a: Array
    charge_percent: Array
    cell_v: Array
    sensor_c: Array
    coolant_c: Array
    swelling_kpa: Array
    insulation_kohm: Array
    supply_v: Array
    keep_alive_v: Array
    start_offset_v: Array
    resistance_ohm: Array

    def at(self, time_s: Array) -> NDArray[np.int64]:
        """Give the step in which each time falls; the first and the last one stand for what lies outside."""
        step = np.floor(time_s / STEP_S + 0.5).astype(np.int64)
        return np.clip(step, 0, len(self.time_s) - 1)


def cell_number(module: int, cell: int) -> int:
    """Give a cell's column in `Pack.cell_v`."""
    return (module - 1) * CELLS + cell - 1


def sensor_number(module: int, sensor: int) -> int:
    """Give a thermistor's column in `Pack.sensor_c`."""
    return (module - 1) * SENSORS + sensor - 1


def steady_stretches() -> tuple[tuple[float, float, float], ...]:
    """Give the times during which the current holds still: from, to (s), current (A)."""
    ends = [start for start, _, _ in CURRENT_STEPS[1:]] + [DURATION_S]
    before = CURRENT_STEPS[0][1]
    stretches = []
    for (start, current, _), end in zip(CURRENT_STEPS, ends, strict=True):
        stretches.append((start + abs(current - before) / RAMP_A_PER_S, end, current))
        before = current
    return tuple(stretches)


def run(dice: Dice) -> Pack:
    """Run the boat for 90 s."""
    time_s = np.arange(round(DURATION_S / STEP_S) + 1) * STEP_S
    current = _current(time_s)
    ohmic, offset_v, capacity = _cells(dice)
    charge_ah = np.cumsum(current) * (STEP_S / 3600)
    start_percent = np.interp(_ocv(START_CHARGE_PERCENT) + offset_v, OCV.volt, OCV.charge_percent)
    percent = start_percent - 100 * charge_ah[:, None] / capacity
    relaxed = lagged(current, RELAXATION_S, current[0])
    cell_v = _ocv(percent) - current[:, None] * ohmic - relaxed[:, None] * (ohmic * (RELAXATION / OHMIC))
    # A bad joint has no relaxation of its own: only its ohmic drop is added.
    joint = np.zeros(MODULES * CELLS)
    joint[cell_number(*RESISTIVE_CELL)] = RESISTIVE_OHM
    cell_v -= current[:, None] * joint
    sensor_c, coolant_c = _temperatures(dice, time_s, current)
    supply_v, keep_alive_v = _supplies(time_s)
    return Pack(
        time_s=time_s,
        current_a=current,
        charge_percent=percent.mean(axis=1),
        cell_v=cell_v,
        sensor_c=sensor_c,
        coolant_c=coolant_c,
        swelling_kpa=_swelling(dice, time_s, sensor_c),
        insulation_kohm=1900 + 12 * lagged(dice.bell(len(time_s)), 4.0, 0.0) * math.sqrt(2 * 4.0 / STEP_S),
        supply_v=supply_v,
        keep_alive_v=keep_alive_v,
        start_offset_v=offset_v,
        resistance_ohm=ohmic + joint,
    )


def busbars(pack: Pack) -> Array:
    """Give the temperature of each module's busbar (n x 6): its module's, and the heat of the current on top."""
    modules = pack.sensor_c.reshape(-1, MODULES, SENSORS).mean(axis=2)
    heat_c = lagged(BUSBAR_C_PER_A2 * pack.current_a**2, BUSBAR_S, 0.0)
    return modules + heat_c[:, None]


def lagged(drive: Array, lag_s: float | Array, start: float | Array) -> Array:
    """Give what follows `drive` (n, or n x k) with a first-order lag, from `start` on."""
    share = STEP_S / (lag_s + STEP_S)  # backward Euler: no exponential, so the same to the last bit everywhere
    follows = np.empty_like(drive)
    now = start
    for step, wanted in enumerate(drive):
        now = now + (wanted - now) * share
        follows[step] = now
    return follows


def _current(time_s: Array) -> Array:
    """Give the current: steps with ramps between them."""
    corners_s, corners_a = [0.0], [CURRENT_STEPS[0][1]]
    for start, current, _ in CURRENT_STEPS[1:]:
        corners_s += [start, start + abs(current - corners_a[-1]) / RAMP_A_PER_S]
        corners_a += [corners_a[-1], current]
    return np.interp(time_s, corners_s, corners_a)


def _ocv(percent: float | Array) -> Array:
    return np.interp(percent, OCV.charge_percent, OCV.volt)


def _cells(dice: Dice) -> tuple[Array, Array, Array]:
    """Give ohmic resistance, rest voltage against the pack, and capacity of each cell."""
    ohmic = OHMIC * (1 + 0.008 * dice.bell(MODULES * CELLS))
    offset_v = 0.0025 * dice.bell(MODULES * CELLS)
    capacity = CAPACITY_AH * (1 + 0.004 * dice.bell(MODULES * CELLS))
    weak = slice(cell_number(WEAK_MODULE, 1), cell_number(WEAK_MODULE, CELLS) + 1)
    ohmic[weak] *= WEAK_RESISTANCE
    capacity[weak] *= WEAK_CAPACITY_AH / CAPACITY_AH
    best, worst = WEAK_V
    for rank, cell in enumerate(WEAK_ORDER):
        place = cell_number(WEAK_MODULE, cell)
        offset_v[place] = best + (worst - best) * rank / (CELLS - 1) + offset_v[place] / 5
    return ohmic, offset_v, capacity


def _temperatures(dice: Dice, time_s: Array, current: Array) -> tuple[Array, Array]:
    """Give sensors (n x 12) and coolant (n x 2): warm coolant reaches a cold pack, the current adds its heat."""
    inlet = COOLANT_C + 0.8 * lagged(np.where(time_s > 20, 1.0, 0.0), 25.0, 0.0)
    heat_c = (current**2 * 2.2e-4)[:, None]  # above the coolant, if the current held on for good
    start = 18.4 + 0.3 * dice.bell(MODULES * SENSORS)
    lag_s = np.repeat(150 + 10.0 * np.arange(MODULES), SENSORS) + 3 * dice.bell(MODULES * SENSORS)
    drive = inlet[:, None] + heat_c * np.ones(MODULES * SENSORS)
    # The bad joint warms the sensor next to it.
    drive[:, sensor_number(RESISTIVE_CELL[0], 2)] += 0.6 * heat_c[:, 0]
    body = lagged(drive, lag_s, start)
    sensor = lagged(body, 5.0 * np.ones(MODULES * SENSORS), start)
    outlet = lagged(0.45 * inlet + 0.55 * body.mean(axis=1), 8.0, 20.5)
    return sensor, np.column_stack([inlet, outlet])


def _swelling(dice: Dice, time_s: Array, sensor_c: Array) -> Array:
    """Give the pressure between the end plates: grows with warmth, a little more in the weak module."""
    base = 41 + 2.0 * dice.bell(MODULES)
    base[WEAK_MODULE - 1] += 9
    warmer = sensor_c.reshape(-1, MODULES, SENSORS).mean(axis=2) - 18.4
    pressure = base + 0.22 * warmer
    pressure[:, WEAK_MODULE - 1] += SWELLING_RISE_KPA * time_s / DURATION_S
    return pressure


def _supplies(time_s: Array) -> tuple[Array, Array]:
    """Give the boat's 12 V, which is taken away, and the battery inside the pack, which then feeds the coils."""
    gone = time_s >= SUPPLY_GONE_S
    supply = lagged(np.where(gone, 0.31, 13.62), 0.12, 13.62)
    drain = np.where(gone, 11.72 - 0.011 * (time_s - SUPPLY_GONE_S), 12.34)
    return supply, lagged(drain, 0.25, 12.34)
