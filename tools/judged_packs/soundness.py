"""Holds drafts to what 'sound' means by the documented limits, in what is true, before any sensor reads it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.maps.chemistry import CURVES, window
from decoder.maps.default_limits import DEFAULT_LIMITS
from tools.judged_packs.physics import cell_volts, cold_factor

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tools.judged_packs.draft import Draft
    from tools.judged_packs.physics import World

    Array = NDArray[np.float64]

CLEARLY: Final = 0.8  # of a limit: so much at most in what is sound
SOME_ROWS: Final = 300
PEAK_ROWS: Final = 20
TRIES: Final = 8
BELOW_FULL_V: Final = 0.012  # room for what sensors read wrong
ABOVE_EMPTY_V: Final = 0.1


def limit(key: str) -> float:
    """Give a documented limit."""
    return DEFAULT_LIMITS[key].value


def spreads(draft: Draft, volt: Array) -> tuple[float, float]:
    """Give the largest true spread within a module and over the pack, of voltages cells x n."""
    first = np.cumsum([0, *draft.cells_per_module[:-1]])
    high, low = np.maximum.reduceat(volt, first, axis=0), np.minimum.reduceat(volt, first, axis=0)
    return float((high - low).max()), float((high.max(axis=0) - low.min(axis=0)).max())


def calm(draft: Draft) -> bool:
    """Bring the cells together until their true spreads are clearly within the limits; tell whether they are."""
    most = CLEARLY * limit("module_spread_v"), CLEARLY * limit("pack_spread_v")
    rows = _rows(draft)
    drop = 1.5 * draft.bleeding.drop_v if draft.bleeding is not None else 0.0
    for _ in range(TRIES):
        volt, _charge = cell_volts(draft, rows)
        module_v, pack_v = spreads(draft, volt)
        share = min((most[0] - drop) / max(module_v, 1e-9), (most[1] - drop) / max(pack_v, 1e-9))
        if share >= 1:
            return True
        share *= 0.95
        for column in (draft.cell_charge, draft.cell_capacity, draft.cell_ohm, draft.cell_fast, draft.cell_slow):
            column[:] = column * share
        draft.module_c *= share
    return False


def _rows(draft: Draft) -> NDArray[np.intp]:
    """Give rows of the grid that stand for all: evenly spaced ones, and where the current is largest."""
    even = np.linspace(0, len(draft.current_a) - 1, SOME_ROWS).astype(int)
    order = np.argsort(draft.current_a)
    return np.unique(np.concatenate([even, order[:PEAK_ROWS], order[-PEAK_ROWS:], order[:: len(order) // PEAK_ROWS]]))


def within_window(draft: Draft, volt: Array) -> bool:
    """Tell whether no cell comes near the ends of its chemistry's window."""
    row = window(CURVES[draft.curve].chemistry)
    return bool(volt.max() <= row.high_v - BELOW_FULL_V and volt.min() >= row.low_v + ABOVE_EMPTY_V)


def is_sound(draft: Draft, world: World) -> bool:
    """Tell whether all that is true stays clearly within the documented limits, at every step of the grid."""
    module_v, pack_v = spreads(draft, world.cell_v + world.tap_v)
    sensor_c = world.sensor_c + draft.sensing.sensor_offset_c[:, None]
    coldest, warmest = float(sensor_c.min()), float(sensor_c.max())
    rise = np.diff(world.sensor_c, axis=1).max() / draft.step_s
    swelled = (world.swelling_kpa - world.swelling_kpa[:, :1]).max()
    lowest_ohm = world.insulation_kohm.min() * 1000 / world.pack_v.max()
    factor = cold_factor(draft.ambient_c)
    return (
        module_v <= CLEARLY * limit("module_spread_v") + 1e-4
        and pack_v <= CLEARLY * limit("pack_spread_v") + 1e-4
        and within_window(draft, world.cell_v)
        and float(np.ptp(sensor_c, axis=0).max()) <= CLEARLY * limit("temperature_spread_c")
        and coldest > -30
        and warmest < 58
        and rise < 0.3
        and swelled <= CLEARLY * limit("pressure_rise_kpa")
        and lowest_ohm > limit("insulation_combined_ohm_per_v") / CLEARLY
        and float(np.abs(draft.cell_ohm).max()) <= CLEARLY * limit("cell_resistance_percent") / 100
        and float(world.supply_v.min()) > limit("supply_low_v") + 0.5
        and float(world.supply_v.max()) < limit("supply_high_v") - 0.5
        and float(factor) <= 4.2
    )
