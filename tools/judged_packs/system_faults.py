"""Faults of contactors, interlock, insulation and supplies."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from tools.judged_packs.draft import Truth, Wants
from tools.judged_packs.kind import Kind
from tools.judged_packs.soundness import limit

if TYPE_CHECKING:
    from tools.judged_packs.draft import Draft
    from tools.judged_packs.physics import World

SHORT: Final = ("rest", "drive", "pulses", "charge")
ABSENT_V: Final = 0.3  # what is left on a supply line that was cut
SHORTEST_S: Final = 6.0


def _welded(draft: Draft, _rng: np.random.Generator) -> Truth:
    draft.contactors.welded = True
    return Truth("contactor-welded", ("contactor-welded",))


def _does_not_close(draft: Draft, rng: np.random.Generator) -> Truth:
    """Let the positive one fail after the pre-charge, or the negative one from the beginning: then that fails too."""
    draft.current_a[:] = 0
    draft.before_a = (0.0, 0.0)
    draft.contactors.opens_s = None
    draft.tags.discard("opening")
    if rng.random() < 0.5:
        draft.contactors.main_works = False
        return Truth("contactor-open", ("contactor-open",))
    draft.contactors.pole_works = False
    return Truth("contactor-open", ("contactor-open", "precharge-fault"))


def _precharge(draft: Draft, rng: np.random.Generator) -> Truth:
    """Open the resistor, close the main contactor too early, let pre-charge take far too long or never end."""
    plan, way = draft.contactors, rng.random()
    assert plan.precharge_s is not None
    assert plan.main_s is not None
    if way < 0.2:
        plan.fill_share = 0.0
    elif way < 0.5:
        reached = rng.uniform(0.1, 0.65)
        plan.fill_s = max(plan.fill_s, 0.2, 12 * draft.coding.pack_period_s)  # slow enough to be seen rising
        plan.main_s = plan.precharge_s + plan.fill_s * float(-np.log(1 - reached))
        plan.precharge_off_s = plan.main_s + 0.2
    elif way < 0.75:
        late_s = float(rng.uniform(10, 20))
        plan.fill_s = late_s / 4
        plan.main_s = plan.precharge_s + late_s
        plan.precharge_off_s = plan.main_s + 0.2
        draft.current_a[draft.time_s < plan.main_s + 1] = 0
    else:
        plan.precharge_off_s = None
    return Truth("precharge-fault", ("precharge-fault",))


def _held(draft: Draft, rng: np.random.Generator) -> Truth:
    """Take the vehicle's 12 V away; the contactors stay closed."""
    gone_s = draft.duration_s * float(rng.uniform(0.3, 0.7))

    def change(world: World) -> None:
        fades = np.exp(-np.clip(world.time_s - gone_s, 0, None) / 0.2)
        world.supply_v[:] = np.where(
            world.time_s >= gone_s, ABSENT_V + (world.supply_v - ABSENT_V) * fades, world.supply_v
        )

    draft.after.append(change)
    return Truth("contactor-held", ("contactor-held",))


def _interlock(draft: Draft, rng: np.random.Generator) -> Truth:
    begins_s = -1.0 if rng.random() < 0.4 else draft.duration_s * float(rng.uniform(0.1, 0.8))
    ends_s = draft.duration_s + 9 if rng.random() < 0.5 else max(begins_s, 0) + float(rng.uniform(SHORTEST_S, 30))

    def change(world: World) -> None:
        world.interlock_open |= (world.time_s >= begins_s) & (world.time_s < ends_s)

    draft.after.append(change)
    return Truth("interlock-open", ("interlock-open",))


def _insulation(draft: Draft, rng: np.random.Generator) -> Truth:
    """Below the limit for separate buses, or below that for joined ones, from the start or from some time on."""
    key = "insulation_ohm_per_v" if rng.random() < 0.5 else "insulation_combined_ohm_per_v"
    per_v = limit(key) / rng.uniform(1.4, 3.0)
    begins_s = -1.0 if rng.random() < 0.5 else draft.duration_s * float(rng.uniform(0.1, 0.7))

    def change(world: World) -> None:
        kohm = per_v * float(world.pack_v.max()) / 1000
        world.insulation_kohm[world.time_s >= begins_s] = kohm

    draft.after.append(change)
    return Truth("insulation-low", ("insulation-low",))


def _low_supply(draft: Draft, rng: np.random.Generator) -> Truth:
    return _supply(draft, rng, "supply-low", float(rng.uniform(6.3, 8.0)))


def _high_supply(draft: Draft, rng: np.random.Generator) -> Truth:
    return _supply(draft, rng, "supply-high", float(rng.uniform(17.5, 24.0)))


def _supply(draft: Draft, rng: np.random.Generator, code: str, volt: float) -> Truth:
    begins_s = draft.duration_s * float(rng.uniform(0.1, 0.7))
    ends_s = begins_s + float(rng.uniform(SHORTEST_S, max(SHORTEST_S + 1, 0.3 * draft.duration_s)))

    def change(world: World) -> None:
        world.supply_v[(world.time_s >= begins_s) & (world.time_s < ends_s)] = volt

    draft.after.append(change)
    return Truth(code, (code,))


def _keep_alive(draft: Draft, rng: np.random.Generator) -> Truth:
    draft.keep_alive_v = float(rng.uniform(7.8, 10.2))
    return Truth("keep-alive-weak", ("keep-alive-weak",))


def _long_enough(draft: Draft, _world: World, _truth: Truth) -> bool:
    """Tell whether 25 s are left after the contactors opened."""
    opens_s = draft.contactors.opens_s
    return opens_s is not None and draft.duration_s - opens_s > 25


def _seen_after_closing(draft: Draft, _world: World, _truth: Truth) -> bool:
    plan = draft.contactors
    return plan.main_s is not None and draft.duration_s - plan.main_s > 20 and draft.coding.pack_period_s <= 0.1


def _still_closed(draft: Draft, world: World, _truth: Truth) -> bool:
    gone = world.supply_v < 1.0
    return bool(np.count_nonzero(gone & (world.contactor[1] > 0)) * draft.step_s > 15)


CLOSED: Final = Wants(("drive", "pulses", "charge", "fast charge", "heavy load"))
SYSTEM_KINDS: Final = (
    Kind("contactor-welded", _welded, Wants(SHORT, opening=True), _long_enough),
    Kind("contactor-open", _does_not_close, Wants(("rest", "drive"), closing=True), _seen_after_closing),
    Kind("contactor-held", _held, CLOSED, _still_closed),
    Kind("precharge-fault", _precharge, Wants(SHORT, closing=True), _seen_after_closing),
    Kind("interlock-open", _interlock),
    Kind("insulation-low", _insulation),
    Kind("supply-low", _low_supply, Wants(contactors_open=True, profiles=("rest", "long rest"))),
    Kind("supply-high", _high_supply),
    Kind("keep-alive-weak", _keep_alive),
)
