"""Faults of cells, of what joins them, and of the wires that they are read through."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from tools.judged_packs.draft import Truth, Wants
from tools.judged_packs.kind import CLEAR, Kind, resting_rows
from tools.judged_packs.physics import bleeding_rows, cold_factor
from tools.judged_packs.soundness import limit
from tools.packs.happenings import curve

if TYPE_CHECKING:
    from collections.abc import Callable

    from tools.judged_packs.draft import Draft
    from tools.judged_packs.physics import World

RESTING: Final = ("rest", "drive", "pulses", "heavy load", "long rest")
LOADED: Final = ("drive", "heavy load", "pulses")
SEEN_V: Final = 0.006  # by how much a fault must show in a cell's voltage to be asked for
SEEN_STEPS: Final = 3


def _charge_of(draft: Draft, volt: float) -> float:
    grid = np.linspace(0.5, 99.5, 4000)
    return float(np.interp(volt, curve(draft.curve, grid), grid))


def _rest_charge(draft: Draft) -> float:
    """Give the mean charge (%) while the pack rests."""
    rows = resting_rows(draft)
    taken = np.cumsum(draft.current_a) * draft.step_s / 36 / draft.capacity_ah
    return float(draft.charge_percent - (np.median(taken[rows]) if rows.any() else np.median(taken)))


def _offset_percent(draft: Draft, volt: float) -> float:
    """Give by how much charge a cell must stand off to show `volt` at rest."""
    charge = _rest_charge(draft)
    mean_v = float(curve(draft.curve, np.array([charge]))[0])
    return _charge_of(draft, mean_v + volt) - charge


def _weak_cell(draft: Draft, rng: np.random.Generator) -> Truth:
    cell = int(rng.integers(draft.cells))
    volt = rng.uniform(*CLEAR) * limit("module_spread_v") * (-1 if rng.random() < 0.75 else 1)
    draft.cell_charge[cell] = _offset_percent(draft, volt)
    module = int(draft.module_of[cell])
    return Truth("cell-imbalance", ("cell-imbalance",), (module + 1,), cell - draft.first_of(module) + 1)


def _stands_off(draft: Draft, world: World, truth: Truth) -> bool:
    rows = resting_rows(draft)
    if np.count_nonzero(rows) * draft.step_s < 20:
        return False
    module, cell = truth.modules[0] - 1, draft.first_of(truth.modules[0] - 1) + (truth.cell or 1) - 1
    members = slice(draft.first_of(module), draft.first_of(module) + draft.cells_per_module[module])
    off = np.abs(world.cell_v[cell] - np.median(world.cell_v[members], axis=0))[rows]
    return bool(off.min() > 1.3 * limit("module_spread_v") and off.max() < 4.5 * limit("module_spread_v"))


def _spread_module(draft: Draft, rng: np.random.Generator) -> Truth:
    """Several cells of one module stand off, evenly: none stands out."""
    module = int(rng.integers(draft.modules))
    first, size = draft.first_of(module), draft.cells_per_module[module]
    whole_v = rng.uniform(*CLEAR) * limit("module_spread_v")
    off = rng.permutation(np.linspace(-whole_v / 2, whole_v / 2, size))
    draft.cell_charge[first : first + size] = [_offset_percent(draft, float(volt)) for volt in off]
    return Truth("module-spread", ("module-spread",), (module + 1,))


def _module_is_spread(draft: Draft, world: World, truth: Truth) -> bool:
    first = draft.first_of(truth.modules[0] - 1)
    volt = world.cell_v[first : first + draft.cells_per_module[truth.modules[0] - 1]][:, resting_rows(draft)]
    return volt.size > 0 and float(np.ptp(volt, axis=0).min()) > 1.3 * limit("module_spread_v")


def _low_module(draft: Draft, rng: np.random.Generator) -> Truth:
    module = int(rng.integers(draft.modules))
    first, size = draft.first_of(module), draft.cells_per_module[module]
    volt = -rng.uniform(1.4, 2.5) * limit("pack_spread_v")
    draft.cell_charge[first : first + size] += _offset_percent(draft, volt)
    # The finding is about the pack: what tells the module is the cell that it names.
    own = tuple(draft.cell_name(cell) for cell in range(first, first + size))
    return Truth("pack-spread", ("pack-spread",), (module + 1,), channels=own)


def _module_is_low(draft: Draft, world: World, truth: Truth) -> bool:
    first, size = draft.first_of(truth.modules[0] - 1), draft.cells_per_module[truth.modules[0] - 1]
    rows = resting_rows(draft)
    if not rows.any():
        return False
    own, others = world.cell_v[first : first + size], np.delete(world.cell_v, slice(first, first + size), axis=0)
    apart = (np.median(others, axis=0) - np.median(own, axis=0))[rows]
    within = float(np.ptp(own, axis=0).max())
    return bool(apart.min() > 1.3 * limit("pack_spread_v") and within < 0.9 * limit("module_spread_v"))


def _more_ohm(*, at_end: bool) -> Callable[[Draft, np.random.Generator], Truth]:
    def apply(draft: Draft, rng: np.random.Generator) -> Truth:
        module = int(rng.integers(draft.modules))
        first, size = draft.first_of(module), draft.cells_per_module[module]
        cell = (first if rng.random() < 0.5 else first + size - 1) if at_end else first + int(rng.integers(1, size - 1))
        share = rng.uniform(0.8, 3.0)
        if at_end:
            draft.joint_ohm[cell] = draft.ohm * share * float(cold_factor(draft.ambient_c)) * (1 + draft.fast_share)
        else:
            for column in (draft.cell_ohm, draft.cell_fast, draft.cell_slow):
                column[cell] += share
        kind = "joint" if at_end else "cell-resistance"
        return Truth(kind, ("cell-resistance",), (module + 1,), cell - first + 1)

    return apply


def _resistance_shows(draft: Draft, world: World, truth: Truth) -> bool:
    cell = draft.first_of(truth.modules[0] - 1) + (truth.cell or 1) - 1
    off = world.cell_v[cell] - np.median(world.cell_v, axis=0)
    low, high = np.percentile(off, [5, 95])
    return bool(high - low > max(SEEN_V, SEEN_STEPS * draft.coding.cell_step_v))


def _leak(draft: Draft, rng: np.random.Generator) -> Truth:
    cell = int(rng.integers(draft.cells))
    mv_per_h = rng.uniform(*CLEAR) * limit("self_discharge_mv_per_h")
    here = _rest_charge(draft)
    slope = float(np.diff(curve(draft.curve, np.array([here - 0.5, here + 0.5])))[0])
    draft.leak_percent_per_h[cell] = mv_per_h / 1000 / slope
    module = int(draft.module_of[cell])
    return Truth("cell-self-discharge", ("cell-self-discharge",), (module + 1,), cell - draft.first_of(module) + 1)


def _leak_shows(draft: Draft, world: World, truth: Truth) -> bool:
    cell = draft.first_of(truth.modules[0] - 1) + (truth.cell or 1) - 1
    off = world.cell_v[cell] - np.median(world.cell_v, axis=0)
    fallen = float(off[0] - off[-1])
    most = limit("self_discharge_mv_per_h") / 1000 * draft.duration_s / 3600
    return fallen >= max(SEEN_V, SEEN_STEPS * draft.coding.cell_step_v, 1.3 * most)


def _tap(*, constant: bool) -> Callable[[Draft, np.random.Generator], Truth]:
    def apply(draft: Draft, rng: np.random.Generator) -> Truth:
        module = int(rng.integers(draft.modules))
        cell = draft.first_of(module) + int(rng.integers(draft.cells_per_module[module] - 1))
        volt = rng.uniform(*CLEAR) * limit("module_spread_v") / 2 * rng.choice([-1, 1])
        spans = [(-1.0, draft.duration_s + 9)]
        if not constant:
            lasts_s = max(4 * draft.coding.cell_period_s, 1.0)
            begins = np.sort(rng.uniform(0.05, 0.9, int(rng.integers(4, 12)))) * draft.duration_s
            spans = [(float(at), float(at + lasts_s * rng.uniform(1, 3))) for at in begins]

        def change(world: World) -> None:
            on = np.zeros(len(world.time_s), bool)
            for begin, end in spans:
                on |= (world.time_s >= begin) & (world.time_s < end)
            world.tap_v[cell] += volt * on
            world.tap_v[cell + 1] -= volt * on

        draft.after.append(change)
        kind = "tap for good" if constant else "tap in bursts"
        return Truth(kind, ("tap-suspect",), (module + 1,), cell - draft.first_of(module) + 1)

    return apply


def _not_bled(draft: Draft, _world: World, _truth: Truth) -> bool:
    return not bleeding_rows(draft).any()


AT_REST: Final = Wants(RESTING, shortest_s=120, rests=True, steep_chemistry=True)
CELL_KINDS: Final = (
    Kind("cell-imbalance", _weak_cell, AT_REST, _stands_off),
    Kind("module-spread", _spread_module, AT_REST, _module_is_spread),
    Kind("pack-spread", _low_module, AT_REST, _module_is_low),
    Kind("cell-resistance", _more_ohm(at_end=False), Wants(LOADED), _resistance_shows),
    Kind("joint", _more_ohm(at_end=True), Wants(LOADED), _resistance_shows),
    Kind("cell-self-discharge", _leak, Wants(("long rest",), steep_chemistry=True, coarsest_v=0.005), _leak_shows),
    Kind("tap for good", _tap(constant=True), Wants(RESTING, coarsest_v=0.005), _not_bled),
    Kind("tap in bursts", _tap(constant=False), Wants(RESTING, coarsest_v=0.005, slowest_s=1.0), _not_bled),
)
