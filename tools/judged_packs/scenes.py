"""Draws a sound pack and a scene: what current flows, how cold it is, who is bled, how all of it is read and sent."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from tools.judged_packs import currents
from tools.judged_packs.draft import Bleeding, Contactors, Draft, Wants
from tools.judged_packs.physics import cold_factor
from tools.judged_packs.reading import draw_coding, draw_sensing
from tools.layouts.habits import pick

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

PROFILES: Final = {
    "rest": 0.13, "drive": 0.2, "heavy load": 0.13, "pulses": 0.12, "charge": 0.09,
    "knee": 0.11, "fast charge": 0.08, "long rest": 0.09, "cycle": 0.05,
}  # fmt: skip
DURATIONS_S: Final = {
    "rest": (60, 600), "drive": (60, 1200), "heavy load": (60, 600), "pulses": (60, 900), "charge": (120, 1200),
    "knee": (240, 1200), "fast charge": (200, 1200), "long rest": (1800, 7200), "cycle": (3600, 7200),
}  # fmt: skip
SLOW: Final = ("long rest", "cycle")
CURVE_SHARES: Final = {"NMC532": 0.35, "NMC811": 0.25, "NCA": 0.15, "LFP": 0.25}
TOP_V: Final = {"LFP": 3.57}
FULL_V: Final = 4.17  # what charging of the others ends at: sound packs stay below their window's 4.2 V
GRID_ROWS: Final = 15_000
FINEST_S: Final = 0.02


def draw(rng: np.random.Generator, wants: Wants) -> Draft:
    """Draw a sound draft in a scene that has what is wanted."""
    profile = pick(rng, {name: PROFILES[name] for name in wants.profiles or tuple(PROFILES)})
    low, high = DURATIONS_S[profile]
    duration_s = float(np.exp(rng.uniform(np.log(max(low, wants.shortest_s)), np.log(high))))
    step_s = max(FINEST_S, duration_s / GRID_ROWS)
    time_s = np.arange(0, duration_s + 2 * step_s, step_s)
    tags = {profile}
    name = pick(rng, {k: v for k, v in CURVE_SHARES.items() if not (wants.steep_chemistry and k == "LFP")})
    sizes = _modules(rng)
    cells = sum(sizes)
    capacity_ah = float(np.exp(rng.uniform(np.log(60 if profile == "heavy load" else 30), np.log(220))))
    is_cold = rng.random() < 0.25 and profile not in {"fast charge", "knee"}
    ambient_c = float(rng.uniform(-20, 3) if is_cold else rng.uniform(8, 30))
    ohm = float(rng.uniform(0.035, 0.07) / capacity_ah)
    fast_share, slow_share = float(rng.uniform(0.2, 0.5)), float(rng.uniform(0.3, 0.8))
    contactors = _contactors(rng, profile, duration_s, wants)
    whole_ohm = ohm * (1 + fast_share + slow_share) * float(cold_factor(ambient_c))
    charge, current_a = _current(rng, profile, time_s, contactors, capacity_ah, whole_ohm, name, wants)
    if is_cold:
        tags.add("cold")
    if not contactors.begin_closed and contactors.main_s is not None:
        tags.add("closing")
    if contactors.opens_s is not None:
        tags.add("opening")
    spread = rng.uniform(0.3, 1.0)
    ohm_spread = rng.uniform(0.01, 0.05)
    coding = draw_coding(rng, profile, cells, duration_s, wants)
    tags |= {"coarse"} if coding.cell_step_v > 0.002 else set()
    tags |= {"own moments"} if not coding.latched else set()
    tags |= {"lost frames"} if coding.lost_share else set()
    tags |= {"wake-up"} if coding.wakes_s else set()
    draft = Draft(
        tags=tags,
        profile=profile,
        curve=name,
        duration_s=duration_s,
        step_s=step_s,
        cells_per_module=sizes,
        sensors_per_module=pick(rng, {1: 0.2, 2: 0.5, 3: 0.15, 4: 0.15}),
        contactors=contactors,
        current_a=current_a,
        before_a=_before(rng, profile, capacity_ah, float(current_a[0]), contactors),
        capacity_ah=capacity_ah,
        sheet_capacity_ah=float(capacity_ah / rng.uniform(0.92, 1.02)),
        charge_percent=charge,
        ohm=ohm,
        fast_share=fast_share,
        slow_share=slow_share,
        fast_s=float(rng.uniform(4, 20)),
        slow_s=float(rng.uniform(90, 600)),
        cell_charge=_bell(rng, cells, 2.0) * spread * 0.5,
        cell_capacity=_bell(rng, cells, 2.0) * 0.01,
        cell_ohm=_bell(rng, cells, 2.5) * ohm_spread,
        cell_fast=_bell(rng, cells, 2.5) * ohm_spread,
        cell_slow=_bell(rng, cells, 2.5) * ohm_spread,
        module_c=_gradient(rng, len(sizes)),
        joint_ohm=np.zeros(cells),
        leak_percent_per_h=np.abs(_bell(rng, cells, 2.5)) * 0.003,
        ambient_c=ambient_c,
        warming_c=wants.warming_c or float(rng.uniform(-2, 5)) * min(1.0, duration_s / 600),
        cooling_s=float(rng.uniform(300, 900)),
        sensor_c=np.zeros(0),
        bleeding=None,
        has_balancing=rng.random() < 0.4,
        supply_v=float(rng.uniform(11.9, 12.9)),
        converter_v=float(rng.uniform(13.4, 14.5)),
        dips_s=tuple(rng.uniform(0, duration_s, int(rng.integers(0, 4))).tolist()),
        keep_alive_v=float(rng.uniform(11.6, 12.8)),
        insulation_kohm=float(np.exp(rng.uniform(np.log(1500), np.log(8000)))),
        swelling_kpa=rng.uniform(20, 110) + _bell(rng, len(sizes), 2.0) * 3,
        swelling_per_c=float(rng.uniform(0.05, 0.2)),
        sensing=draw_sensing(rng, sizes, coding),
        coding=coding,
    )
    draft.sensor_c = _bell(rng, draft.modules * draft.sensors_per_module, 2.0) * 0.2
    draft.sensing.sensor_offset_c = rng.uniform(-0.7, 0.7, len(draft.sensor_c))
    if not wants.profiles and profile != "knee" and rng.random() < 0.2:
        _bleed(rng, draft)
    return draft


def _bell(rng: np.random.Generator, count: int, most: float) -> Array:
    """Give a bell-shaped draw, its ends cut."""
    return np.clip(rng.normal(0, 1, count), -most, most)


def _modules(rng: np.random.Generator) -> tuple[int, ...]:
    """Draw cells per module: 48 to 200 in all, 6 to 24 each."""
    size = int(rng.integers(6, 25))
    wanted = float(np.exp(rng.uniform(np.log(48), np.log(200))))
    count = min(max(-(-48 // size), round(wanted / size)), 200 // size)
    return (size,) * count


def _gradient(rng: np.random.Generator, modules: int) -> Array:
    """Give how much warmer than the mean each module is: up to 3.5 degC from one end to the other."""
    along = np.linspace(-1, 1, modules) if rng.random() < 0.5 else np.abs(np.linspace(-2, 2, modules)) - 1
    return along * rng.uniform(0, 1.75) * rng.choice([-1, 1])


def _contactors(rng: np.random.Generator, profile: str, duration_s: float, wants: Wants) -> Contactors:
    """Draw when contactors move; a pack at rest may have them open throughout."""
    plan = Contactors(
        begin_closed=True,
        fill_s=float(rng.uniform(0.05, 0.4)),
        empty_s=float(np.exp(rng.uniform(np.log(0.3), np.log(8)))),
    )
    resting = profile in {"rest", "long rest"}
    closes = wants.closing or (profile not in SLOW and rng.random() < 0.4)
    opens = wants.opening or (profile not in {*SLOW, "knee"} and rng.random() < 0.25)
    if wants.contactors_open or (resting and not closes and not opens and rng.random() < 0.5):
        plan.begin_closed = False
        return plan
    if closes:
        plan.begin_closed = False
        plan.pole_s = float(rng.uniform(1.5, min(20.0, 0.15 * duration_s)))
        plan.precharge_s = plan.pole_s + float(rng.uniform(0.05, 0.3))
        plan.main_s = plan.precharge_s + plan.fill_s * float(rng.uniform(3.6, 5)) + 0.1
        plan.precharge_off_s = plan.main_s + float(rng.uniform(0.1, 0.4))
    if opens:
        plan.opens_s = duration_s * float(rng.uniform(0.6, 0.8)) if wants.opening else duration_s * 0.9
    return plan


def _current(
    rng: np.random.Generator,
    profile: str,
    time_s: Array,
    plan: Contactors,
    capacity_ah: float,
    whole_ohm: float,
    name: str,
    wants: Wants,
) -> tuple[float, Array]:
    """Draw the charge at the start (%) and the current; rates are in shares of the capacity an hour."""
    give_v = 0.3 if name != "LFP" else 0.25  # what the cells may give way under the largest current
    most_a = give_v / whole_ohm
    live_s = plan.live_from_s
    begins_s = (
        (live_s + rng.uniform(0.5, 2.0) if not plan.begin_closed else rng.uniform(0, 4)) if live_s is not None else 0
    )
    charge = float(rng.uniform(25, 88))
    if profile in {"rest", "long rest"}:
        current = currents.rest(rng, time_s, closed=live_s is not None)
    elif profile == "drive":
        swing = min(rng.uniform(0.2, 0.8) * capacity_ah, 0.4 * most_a)
        current = currents.drive(rng, time_s, swing, min(4 * capacity_ah, most_a))
    elif profile == "heavy load":
        swing = min(rng.uniform(1.2, 2.2) * capacity_ah, 0.6 * most_a)
        current = currents.drive(rng, time_s, swing, min(5 * capacity_ah, most_a))
    elif profile == "pulses":
        current = currents.pulses(rng, time_s, min(rng.uniform(0.4, 2.0) * capacity_ah, most_a))
    elif profile == "charge":
        charge = float(rng.uniform(20, 75))
        current = currents.charging(rng, time_s, min(rng.uniform(0.1, 0.5) * capacity_ah, 0.5 * most_a), begins_s)
    elif profile == "fast charge":
        charge = float(rng.uniform(15, 45))
        current = currents.charging(rng, time_s, min(rng.uniform(1.2, 2.5) * capacity_ah, 0.8 * most_a), begins_s)
    elif profile == "knee":
        rate_a = min(rng.uniform(0.2, 0.8) * capacity_ah, 0.3 * most_a)
        charge = float(99 - min(100 * rate_a * time_s[-1] / 3600 / capacity_ah * rng.uniform(0.4, 0.9), 25))
        top_v = TOP_V.get(name, FULL_V)
        current = currents.to_the_knee(time_s, rate_a, charge, capacity_ah, whole_ohm, top_v, name)
    else:
        share = rng.uniform(0.38, 0.55)
        down = rng.random() < 0.6
        charge = float(rng.uniform(75, 88) if down else rng.uniform(22, 32))
        current = currents.cycle(rng, time_s, (1 if down else -1) * share * capacity_ah)
    if wants.rests and profile not in {"rest", "long rest", "cycle"}:
        current = current * (time_s < time_s[-1] - rng.uniform(45, 70))
    ends_s = plan.opens_s - 0.5 if plan.opens_s is not None else np.inf
    if live_s is None:
        return charge, np.zeros(len(time_s))
    flows = (time_s >= (begins_s if not plan.begin_closed else 0)) & (time_s < ends_s)
    return charge, current * flows


def _before(
    rng: np.random.Generator, profile: str, capacity_ah: float, now_a: float, plan: Contactors
) -> tuple[float, float]:
    """Draw what flowed before: nothing for long, or a load that ended not long ago."""
    if profile == "cycle" or rng.random() < 0.6:
        return 0.0, 0.0
    slow = float(rng.uniform(-0.5, 0.8)) * capacity_ah * 0.5
    return (slow if plan.begin_closed and abs(now_a) > 1 else 0.3 * slow), slow


def _bleed(rng: np.random.Generator, draft: Draft) -> None:
    """Bleed the highest cells, with pauses or all the time; measured while it is paused, or with a small drop."""
    count = int(rng.integers(1, max(2, draft.cells // 8)))
    highest = np.argsort(draft.cell_charge)[::-1][:count]
    milliamp = rng.uniform(50, 200)
    period_s = rng.uniform(10, 120)
    spans = [(float(t), float(t + 0.7 * period_s)) for t in np.arange(rng.uniform(0, 30), draft.duration_s, period_s)]
    if rng.random() < 0.3:
        spans = [(0.0, draft.duration_s + 1)]
    drop_v = float(rng.uniform(0.001, 0.006)) if rng.random() < 0.5 else 0.0
    draft.bleeding = Bleeding(tuple(highest.tolist()), tuple(spans), milliamp / 10 / draft.capacity_ah, drop_v)
    draft.has_balancing = True
    draft.tags.add("balancing")
