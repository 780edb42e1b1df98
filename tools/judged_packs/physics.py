"""A drafted pack run through its capture: true voltages, temperatures, pressures, over one grid.

A cell is its open-circuit voltage over charge, an ohmic resistance and two relaxations in series (the usual equivalent
circuit); resistances grow as it gets colder, about fourfold from 25 to -20 degC (common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from tools.judged_packs.currents import following
from tools.judged_packs.switching import link_volts, said_states, supplies
from tools.packs.happenings import curve

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tools.judged_packs.draft import Draft

    Array = NDArray[np.float64]

COLD_K: Final = 2300.0
ROOM_K: Final = 298.15
HEAT_PER_AH: Final = 20.0  # J/K of a cell for each Ah


@dataclass(eq=False)
class World:
    """What is true, over a grid of n steps.

    cell_v : cells x n; sensor_c : sensors x n; swelling_kpa : modules x n; contactor : 3 x n, 1 where the negative
    pole, the positive one, the pre-charge is said to be closed; tap_v : cells x n, what a tap adds to what is measured;
    balancing : cells x n, ``None`` where the controller tells nothing; all others n
    """

    time_s: Array
    current_a: Array
    charge_percent: Array
    cell_charge: Array
    cell_v: Array
    tap_v: Array
    sensor_c: Array
    swelling_kpa: Array
    link_v: Array
    contactor: Array
    supply_v: Array
    keep_alive_v: Array
    interlock_open: NDArray[np.bool_]
    insulation_kohm: Array
    balancing: NDArray[np.bool_] | None
    said_charge: Array

    @property
    def pack_v(self) -> Array:
        """All cells in series."""
        return self.cell_v.sum(axis=0)

    def at(self, column: Array, time_s: Array) -> Array:
        """Give a column at any times."""
        return np.interp(time_s, self.time_s, column)

    def held(self, column: Array, time_s: Array) -> Array:
        """Give a column that jumps, at any times: its latest value."""
        row = np.floor(time_s / self.time_s[1] + 1e-6).astype(np.int64)
        return column[np.clip(row, 0, len(column) - 1)]


def cold_factor(celsius: Array | float) -> Array:
    """Tell how many times its resistance at 25 degC a cell has."""
    return np.exp(COLD_K * (1 / (np.asarray(celsius) + 273.15) - 1 / ROOM_K))


def heat_c(draft: Draft) -> Array:
    """Give how much the current and the surroundings have warmed the modules since the start."""
    whole = draft.ohm * (1 + draft.fast_share + draft.slow_share) * cold_factor(draft.ambient_c)
    watt = draft.current_a**2 * whole
    warmed = following(watt * draft.cooling_s / (HEAT_PER_AH * draft.capacity_ah), draft.cooling_s, 0.0, draft.step_s)
    lag_s = 0.6 * draft.duration_s
    return warmed + draft.warming_c * (1 - np.exp(-draft.time_s / lag_s)) / (1 - np.exp(-1 / 0.6))


def cell_volts(draft: Draft, rows: slice | NDArray[np.intp] = slice(None)) -> tuple[Array, Array]:
    """Give the true voltages and charges (%) of all cells, cells x rows of the grid."""
    factor = cold_factor(draft.ambient_c + heat_c(draft))
    driven = draft.current_a * factor
    fast = following(driven, draft.fast_s, draft.before_a[0] * float(factor[0]), draft.step_s)[rows]
    slow = following(driven, draft.slow_s, draft.before_a[1] * float(factor[0]), draft.step_s)[rows]
    taken_ah = (np.cumsum(draft.current_a) * draft.step_s / 3600)[rows]
    time_h = draft.time_s[rows] / 3600
    capacity = draft.capacity_ah * (1 + draft.cell_capacity)
    charge = (draft.charge_percent + draft.cell_charge)[:, None] - 100 * np.outer(1 / capacity, taken_ah)
    charge -= np.outer(draft.leak_percent_per_h, time_h)
    if draft.bleeding is not None:
        on_h = np.cumsum(bleeding_rows(draft)) * draft.step_s / 3600
        charge[list(draft.bleeding.cells)] -= draft.bleeding.percent_per_h * on_h[rows]
    warmth = cold_factor(draft.ambient_c + draft.module_c[draft.module_of]) / cold_factor(draft.ambient_c)
    volt = curve(draft.curve, charge.ravel()).reshape(charge.shape)
    volt -= np.outer(draft.ohm * (1 + draft.cell_ohm) * warmth, driven[rows])
    volt -= np.outer(draft.joint_ohm, draft.current_a[rows])
    volt -= np.outer(draft.ohm * draft.fast_share * (1 + draft.cell_fast) * warmth, fast)
    volt -= np.outer(draft.ohm * draft.slow_share * (1 + draft.cell_slow) * warmth, slow)
    return volt, charge


def bleeding_rows(draft: Draft) -> NDArray[np.bool_]:
    """Tell when the draft's cells are bled."""
    on = np.zeros(len(draft.time_s), bool)
    for begin, end in draft.bleeding.spans_s if draft.bleeding is not None else ():
        on |= (draft.time_s >= begin) & (draft.time_s < end)
    return on


def run(draft: Draft) -> World:
    """Run the capture, and let the fault do afterwards what it does."""
    cell_v, charge = cell_volts(draft)
    warmed = heat_c(draft)
    tap_v = np.zeros_like(cell_v)
    balancing = np.zeros(cell_v.shape, bool) if draft.has_balancing else None
    if draft.bleeding is not None:
        on = bleeding_rows(draft)
        _pull_taps(draft, tap_v, on)
        if balancing is not None:
            balancing[list(draft.bleeding.cells)] = on
    module_of_sensor = np.repeat(np.arange(draft.modules), draft.sensors_per_module)
    shares = 1 + 0.04 * np.cos(3.0 * np.arange(len(module_of_sensor)))
    sensor_c = draft.ambient_c + (draft.module_c[module_of_sensor] + draft.sensor_c)[:, None] + np.outer(shares, warmed)
    mean_charge = charge.mean(axis=0)
    swelling = draft.swelling_kpa[:, None] + draft.swelling_per_c * warmed + 0.03 * (mean_charge - mean_charge[0])
    said = said_states(draft)
    supply_v, keep_alive_v = supplies(draft)
    closed = said[0] * said[1]
    world = World(
        time_s=draft.time_s,
        current_a=draft.current_a,
        charge_percent=mean_charge,
        cell_charge=charge,
        cell_v=cell_v,
        tap_v=tap_v,
        sensor_c=sensor_c,
        swelling_kpa=swelling,
        link_v=link_volts(draft, cell_v.sum(axis=0)),
        contactor=said,
        supply_v=supply_v,
        keep_alive_v=keep_alive_v,
        interlock_open=np.zeros(len(draft.time_s), bool),
        insulation_kohm=draft.insulation_kohm * (1 - 0.25 * closed + 0.01 * np.sin(draft.time_s / 11)),
        balancing=balancing,
        said_charge=np.clip(mean_charge + draft.sensing.charge_error_percent, 0, 100),
    )
    for change in draft.after:
        change(world)
    return world


def _pull_taps(draft: Draft, tap_v: Array, on: NDArray[np.bool_]) -> None:
    """Bleeding current flows in the sense wires of its cell: it reads low, those beside it read high by half."""
    if draft.bleeding is None:
        return
    module_of = draft.module_of
    for cell in draft.bleeding.cells:
        tap_v[cell] -= draft.bleeding.drop_v * on
        for beside in (cell - 1, cell + 1):
            if 0 <= beside < draft.cells and module_of[beside] == module_of[cell]:
                tap_v[beside] += draft.bleeding.drop_v / 2 * on
