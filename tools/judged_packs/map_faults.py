"""Faults on the wire and in the map, and what the controller believes of charge and capacity."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from tools.judged_packs.cell_faults import RESTING
from tools.judged_packs.draft import Truth, Wants
from tools.judged_packs.kind import Kind, resting_rows
from tools.judged_packs.soundness import limit
from tools.packs.happenings import curve

if TYPE_CHECKING:
    from tools.judged_packs.draft import Draft
    from tools.judged_packs.physics import World

COUNTING: Final = ("PackState", "Contactors", "LinkState", "Supplies")
CHECKED: Final = ("PackState", "Contactors")
CARRIED: Final = {
    "PackState": ("Pack_V", "Pack_A", "StateOfCharge"),
    "Contactors": ("Contactor_Positive", "Contactor_Negative", "Contactor_Precharge", "Interlock"),
    "LinkState": ("Link_V", "Insulation_kohm"),
    "Supplies": ("Supply_V", "KeepAlive_V"),
}  # fmt: skip


def _lost(draft: Draft, rng: np.random.Generator) -> Truth:
    share = float(rng.uniform(0.02, 0.1))
    draft.coding.lost_share = 0.0
    if rng.random() < 0.4:
        draft.wire.lost["*"] = share
        return Truth("frames-lost", ("frames-lost",), channels=tuple(f"{name}_Alive" for name in COUNTING))
    name = str(rng.choice(COUNTING))
    draft.wire.lost[name] = share
    return Truth("frames-lost", ("frames-lost",), channels=(f"{name}_Alive",))


def _corrupt(draft: Draft, rng: np.random.Generator) -> Truth:
    # In the contactors' frames only the counter moves: a check whose form nobody knows cannot be told from it there.
    name = str(rng.choice(CHECKED)) if draft.coding.says_form else "PackState"
    frames = draft.duration_s / draft.coding.pack_period_s
    draft.wire.corrupt[name] = max(float(rng.uniform(0.003, 0.03)), 4 / frames)
    return Truth("check-failed", ("check-failed",), channels=(f"{name}_Check",))


def _absent(draft: Draft, rng: np.random.Generator) -> Truth:
    """Let a cell, a sensor, or a pressure say 'not available' from some time on or for a while."""
    begins_s = draft.duration_s * float(rng.uniform(0.2, 0.7))
    ends_s = draft.duration_s + 9 if rng.random() < 0.5 else begins_s + 0.2 * draft.duration_s
    what = rng.random()
    if what < 0.4:
        cell = int(rng.integers(draft.cells))
        module = int(draft.module_of[cell])
        draft.wire.absent[draft.cell_name(cell)] = begins_s, ends_s
        return Truth("channel-absent", ("channel-absent",), (module + 1,), cell - draft.first_of(module) + 1)
    if what < 0.8:
        number = int(rng.integers(draft.modules * draft.sensors_per_module))
        draft.wire.absent[draft.sensor_name(number)] = begins_s, ends_s
        module, sensor = divmod(number, draft.sensors_per_module)
        return Truth("channel-absent", ("channel-absent",), (module + 1,), sensor=sensor + 1)
    module = int(rng.integers(draft.modules))
    draft.wire.absent[f"Swelling_{module + 1}_kPa"] = begins_s, ends_s
    return Truth("channel-absent", ("channel-absent",), (module + 1,))


def _silent(draft: Draft, rng: np.random.Generator) -> Truth:
    """One identifier falls silent for a while, or for good."""
    names = ["LinkState", "Supplies", "Temps_1", "Contactors"]
    name = names[int(rng.integers(len(names)))]
    channels = CARRIED.get(name, (draft.sensor_name(0),))
    begins_s = draft.duration_s * float(rng.uniform(0.2, 0.7))
    lasts_s = max(20 * draft.coding.slow_period_s, 20 * draft.coding.pack_period_s, 0.1 * draft.duration_s)
    ends_s = draft.duration_s + 9 if rng.random() < 0.4 else begins_s + lasts_s
    draft.wire.silent[name] = begins_s, ends_s
    return Truth("channel-stale", ("channel-stale",), channels=channels)


def _sum(draft: Draft, rng: np.random.Generator) -> Truth:
    draft.sensing.pack_gain = float(1 + rng.uniform(0.022, 0.06) * rng.choice([-1, 1]))
    return Truth("sum-mismatch", ("sum-mismatch",))


def _module_scale(draft: Draft, rng: np.random.Generator) -> Truth:
    """Give one module's cells another scale in the map."""
    module = int(rng.integers(draft.modules))
    factor = float(rng.choice([0.8, 0.9, 1.1, 1.25]))
    first = draft.first_of(module)
    for cell in range(first, first + draft.cells_per_module[module]):
        draft.wire.scales[draft.cell_name(cell)] = factor
    return Truth("map: module's scale", ("map-suspect",), (module + 1,))


def _exchanged(draft: Draft, rng: np.random.Generator) -> Truth:
    """Two modules stand apart, and the map takes a cell of one for a cell of the other."""
    one, other = rng.choice(draft.modules, 2, replace=False).tolist()
    charge = float(draft.charge_percent)
    here, below = curve(draft.curve, np.array([charge, charge - 1.0]))
    first, size = draft.first_of(other), draft.cells_per_module[other]
    draft.cell_charge[first : first + size] -= rng.uniform(0.060, 0.075) / max(float(here - below), 1e-4)
    within = int(rng.integers(draft.cells_per_module[one])), int(rng.integers(size))
    cells = draft.first_of(one) + within[0], first + within[1]
    draft.wire.exchanged.append((draft.cell_name(cells[0]), draft.cell_name(cells[1])))
    return Truth("map: exchanged cells", ("map-suspect",), (one + 1, other + 1))


def _exchange_shows(draft: Draft, world: World, truth: Truth) -> bool:
    one, other = (number - 1 for number in truth.modules)
    size = draft.cells_per_module[one]
    volt = [world.cell_v[draft.first_of(k) : draft.first_of(k) + size] for k in (one, other)]
    apart = np.abs(np.median(volt[0], axis=0) - np.median(volt[1], axis=0))
    both = float(np.median(apart))
    return 0.05 < both < 0.08 and float(np.median(np.ptp(world.cell_v, axis=0))) < 0.1


def _pack_scale(draft: Draft, rng: np.random.Generator) -> Truth:
    draft.wire.scales["Pack_V"] = float(rng.choice([0.1, 0.5, 2.0, 10.0]))
    return Truth("map: pack's scale", ("map-suspect", "sum-mismatch"))


def _charge(draft: Draft, rng: np.random.Generator) -> Truth:
    error = rng.uniform(1.5, 3.5) * limit("charge_mismatch_percent") * rng.choice([-1, 1])
    draft.sensing.charge_error_percent = float(error)
    return Truth("charge-mismatch", ("charge-mismatch",))


def _rested(draft: Draft, world: World, _truth: Truth) -> bool:
    off = np.abs(world.said_charge - world.charge_percent)
    rows = resting_rows(draft, after_s=20)
    enough = np.count_nonzero(rows) * draft.step_s > 30
    return bool(enough and off[rows].min() > 1.4 * limit("charge_mismatch_percent")) and draft.before_a == (0.0, 0.0)


def _capacity(draft: Draft, rng: np.random.Generator) -> Truth:
    draft.sheet_capacity_ah = draft.capacity_ah / float(rng.uniform(0.35, 0.57))
    return Truth("capacity-low", ("capacity-low",))


def _moves_far(draft: Draft, world: World, _truth: Truth) -> bool:
    return float(np.ptp(world.charge_percent)) > 30 and draft.before_a == (0.0, 0.0)


# Nobody knows what flowed before the capture: only after minutes does a rest voltage tell the charge.
STEEP_REST: Final = Wants(("rest", "long rest"), shortest_s=400, steep_chemistry=True, named_curve=True)
SWINGS: Final = Wants(("cycle",), steep_chemistry=True, named_curve=True, coarsest_v=0.005)
MAP_KINDS: Final = (
    Kind("frames-lost", _lost),
    Kind("check-failed", _corrupt),
    Kind("channel-absent", _absent),
    Kind("channel-stale", _silent),
    Kind("sum-mismatch", _sum),
    Kind("map: module's scale", _module_scale, Wants(("drive", "heavy load", "pulses")), leaves_window=True),
    Kind(
        "map: exchanged cells",
        _exchanged,
        Wants(RESTING, module_voltages=True, steep_chemistry=True, coarsest_v=0.0015),
        _exchange_shows,
    ),
    Kind("map: pack's scale", _pack_scale),
    Kind("charge-mismatch", _charge, STEEP_REST, _rested),
    Kind("capacity-low", _capacity, SWINGS, _moves_far),
)
