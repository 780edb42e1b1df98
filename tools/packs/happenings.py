"""What happens in a made pack: the scene, the current, and what somebody does to the pack and notes as a mark.

Marks are noted by a person: up to `LATE_S` before or after what was done. Common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from tools.layouts.habits import pick
from tools.packs.pack import GRID_S, NEVER_S, Pack, Source, Touch, curve, lagged

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

SCENES: Final = {"rest": 0.24, "bench": 0.24, "drive": 0.26, "charge": 0.12, "pulses": 0.14}
CHEMISTRIES: Final = {"NMC532": 0.4, "NMC811": 0.25, "NCA": 0.15, "LFP": 0.2}
MARKED: Final = 0.65  # captures in which something was done and noted
LATE_S: Final = 2.0
SPACED_S: Final = 12.0  # between two things done
WEAK_CELL: Final = 0.12  # packs of which one cell stands apart
DEEDS: Final = {"load": 0.5, "warm": 0.22, "plug": 0.1, "interlock": 0.08, "charger": 0.1}


@dataclass(frozen=True, slots=True)
class Deed:
    """Something done: when truly (s), what a person would call it, and what it shows in."""

    time_s: float
    label: str
    shown: tuple[Source, ...]


def make_pack_world(rng: np.random.Generator) -> tuple[Pack, tuple[Deed, ...]]:
    """Draw a pack and what happens to it in 20 to 300 s."""
    scene = pick(rng, SCENES)
    duration_s = float(np.exp(rng.uniform(np.log(20), np.log(300))))
    grid_s = np.arange(0, duration_s + 2, GRID_S)
    cells_per_module = _modules(rng)
    sensors_per_module = pick(rng, {1: 0.3, 2: 0.4, 3: 0.15, 4: 0.15})
    sensors = len(cells_per_module) * sensors_per_module
    closed_s = _closed(rng, scene, duration_s)
    touches, deeds, spans = _deeds(rng, duration_s, sum(cells_per_module), sensors, closed_s)
    current_a = _current(rng, scene, grid_s, closed_s, spans["charger"])
    capacity_ah = rng.uniform(30, 220)
    chemistry = pick(rng, CHEMISTRIES)
    charge = np.clip(rng.uniform(12, 95) - np.cumsum(current_a) * GRID_S / 36 / capacity_ah, 0.5, 99.8)
    cells = sum(cells_per_module)
    ohm = (
        rng.uniform(0.5e-3, 1.5e-3) * (60 / max(capacity_ah, 60)) * (1 + rng.normal(0, rng.uniform(0.005, 0.06), cells))
    )
    offset_v = np.clip(rng.normal(0, 1, cells), -2.5, 2.5) * rng.uniform(0.001, 0.006)
    if rng.random() < WEAK_CELL:
        weak = int(rng.integers(cells))
        offset_v[weak] -= rng.uniform(0.01, 0.05)
        ohm[weak] *= rng.uniform(1.0, 1.8)
    pack = Pack(
        scene=scene,
        chemistry=chemistry,
        duration_s=duration_s,
        cells_per_module=cells_per_module,
        sensors_per_module=sensors_per_module,
        current_a=current_a,
        relaxed_a=lagged(current_a, rng.uniform(6, 30), float(current_a[0])),
        rest_v=curve(chemistry, charge),
        charge_percent=charge,
        heat_c=lagged(current_a**2 * rng.uniform(0.4e-4, 1.6e-4), 200.0, 0.0),
        cell_offset_v=offset_v,
        cell_ohm=ohm,
        slow_ohm=ohm * rng.uniform(0.3, 0.7),
        sensor_c=rng.uniform(4, 34) + np.clip(rng.normal(0, 1, sensors), -2.5, 2.5) * rng.uniform(0.2, 1.2),
        sensor_drift_c=rng.uniform(-0.6, 2.5) + rng.normal(0, 0.2, sensors),
        touches=touches,
        closed_s=closed_s,
        gone_s=spans["plug"],
        open_s=spans["interlock"],
        moments_s=_moments(rng, duration_s, closed_s, spans),
        numbers=_numbers(rng, cells),
    )
    return pack, deeds


def _modules(rng: np.random.Generator) -> tuple[int, ...]:
    """Draw cells per module: all alike more often than not."""
    wanted = int(np.exp(rng.uniform(np.log(48), np.log(200))))
    size = int(rng.integers(6, 25))
    count = max(2, round(wanted / size))
    while size * count > 200:
        count -= 1
    while size * count < 48:
        count += 1
    sizes = np.full(count, size)
    if rng.random() < 0.3:
        odd = rng.integers(0, count, max(1, count // 4))
        sizes[odd] = np.clip(sizes[odd] + rng.choice([-4, -2, -1, 1, 2]), 6, 24)
    while sizes.sum() > 200:
        sizes[int(sizes.argmax())] -= 1
    while sizes.sum() < 48:
        sizes[int(sizes.argmin())] += 1
    return tuple(sizes.tolist())


def _numbers(rng: np.random.Generator, cells: int) -> dict[str, float]:
    """Draw what is one number for the whole pack."""
    lorry = rng.random() < 0.12
    return {
        "precharge_s": float(rng.uniform(0.04, 0.5)),
        "link_rest_v": float(rng.uniform(0, 4)),
        "supply_v": float(rng.uniform(11.8, 12.9) * (2 if lorry else 1)),
        "converter_v": float(rng.uniform(0.8, 1.8) * (2 if lorry else 1)),
        "keep_alive_v": float(rng.uniform(11.9, 12.8)),
        "insulation_kohm": float(np.exp(rng.uniform(np.log(600), np.log(6000)))),
        "swelling_kpa": float(rng.uniform(20, 120)),
        "coolant_c": float(rng.uniform(8, 32)),
        "coolant_drift_c": float(rng.uniform(-3, 6)),
        "health_percent": float(rng.uniform(72, 99.5)),
        "cells": float(cells),
    }


def _closed(rng: np.random.Generator, scene: str, duration_s: float) -> tuple[tuple[float, float], ...]:
    """Draw when the contactors are closed."""
    if scene == "bench":
        return ()
    opens = duration_s * rng.uniform(0.7, 0.95) if rng.random() < 0.2 else NEVER_S
    if rng.random() < (0.5 if scene == "rest" else 0.6):
        return ((-100.0, opens),)
    return ((float(rng.uniform(2.5, max(3.0, min(0.4 * duration_s, 40)))), opens),)


def _current(
    rng: np.random.Generator,
    scene: str,
    grid_s: Array,
    closed_s: tuple[tuple[float, float], ...],
    charging_s: tuple[tuple[float, float], ...],
) -> Array:
    """Give the current (A), positive while discharging; none where the contactors are open."""
    if not closed_s:
        return np.zeros(len(grid_s))
    begin, end = closed_s[0]
    begin = max(begin + 4.0, 0.0) if begin > 0 else -NEVER_S
    if scene == "drive":
        current = _driven(rng, grid_s)
    elif scene == "charge":
        current = -rng.uniform(6, 150) * np.clip((grid_s - max(begin, 0.0)) / 4, 0, 1)
        current = current * (1 - 0.2 * np.clip(grid_s / 400, 0, 1))
    elif scene == "pulses":
        rate_a, period_s = rng.uniform(15, 160), rng.uniform(6, 30)
        turn = np.floor((grid_s + rng.uniform(0, period_s)) / period_s * 2).astype(int)
        levels = rng.choice([-0.6, 0.0, 0.0, 0.5, 1.0], turn.max() + 2)
        current = lagged(rate_a * levels[turn] + rng.uniform(0.2, 2), 0.06, 0.0)
    else:
        times = np.sort(rng.uniform(0, grid_s[-1], int(rng.integers(1, 6))))
        levels = rng.uniform(-1.5, 6.0, len(times) + 1)
        current = lagged(levels[np.searchsorted(times, grid_s)], 0.1, float(levels[0]))
    for start, stop in charging_s:
        current = np.where((grid_s >= start) & (grid_s < stop), -16 * np.clip((grid_s - start) / 0.8, 0, 1), current)
    return current * ((grid_s >= begin) & (grid_s < end))


def _driven(rng: np.random.Generator, grid_s: Array) -> Array:
    lag_s, swing_a = rng.uniform(0.8, 4.0), rng.uniform(25, 110)
    reach = np.exp(-np.arange(0, 5 * lag_s, GRID_S) / lag_s)
    wish = np.convolve(rng.normal(0, 1, len(grid_s)), reach)[: len(grid_s)]
    wish = swing_a * (wish / (wish.std() + 1e-9) + 0.5)
    stands = np.sin(grid_s / rng.uniform(5, 15) + rng.uniform(0, 6)) > 0.8
    return lagged(np.where(stands, 0.8, np.clip(wish, -180, 320)), 0.15, 0.8)


def _deeds(
    rng: np.random.Generator,
    duration_s: float,
    cells: int,
    sensors: int,
    closed_s: tuple[tuple[float, float], ...],
) -> tuple[tuple[Touch, ...], tuple[Deed, ...], dict[str, tuple[tuple[float, float], ...]]]:
    """Draw what somebody does: touches of cells and sensors, spans of the other deeds."""
    touches: list[Touch] = []
    deeds: list[Deed] = []
    spans: dict[str, list[tuple[float, float]]] = {"plug": [], "interlock": [], "charger": []}
    if rng.random() < MARKED:
        deeds += [
            Deed(start, "contactors closed", (Source("contactor", 0), Source("contactor", 1), Source("link voltage")))
            for start, _ in closed_s
            if start > 0
        ]
        slots = _free_slots(rng, duration_s, closed_s)
        while slots and rng.random() < 0.9:
            what = pick(rng, DEEDS)
            repeats = min(len(slots), int(rng.integers(1, 5 if what == "load" else 3)))
            cell, sensor = int(rng.integers(cells)), int(rng.integers(sensors))
            for _ in range(repeats):
                start = slots.pop()
                if what == "load":
                    source = Source("cell", cell)
                    volt = float(np.exp(rng.uniform(np.log(0.005), np.log(0.06))))
                    touches.append(Touch(source, start, start + float(rng.uniform(3, 8)), volt))
                    deeds.append(Deed(start, f"load on cell {cell + 1}", (source,)))
                elif what == "warm":
                    source = Source("sensor", sensor)
                    touches.append(Touch(source, start, start + float(rng.uniform(6, 11)), float(rng.uniform(4, 18))))
                    deeds.append(Deed(start, f"warm sensor {sensor + 1}", (source,)))
                elif what == "plug":
                    spans["plug"].append((start, start + float(rng.uniform(4, 10))))
                    deeds.append(Deed(start, "plug pulled", (Source("supply voltage"), Source("keep-alive voltage"))))
                elif what == "interlock":
                    spans["interlock"].append((start, start + float(rng.uniform(3, 10))))
                    deeds.append(Deed(start, "interlock opened", (Source("interlock"),)))
                elif closed_s and closed_s[0][0] < start - 6 and closed_s[0][1] > start + 10:
                    spans["charger"].append((start, start + float(rng.uniform(5, 10))))
                    deeds.append(Deed(start, "charger on", (Source("pack current"),)))
    deeds.sort(key=lambda deed: deed.time_s)
    return tuple(touches), tuple(deeds), {name: tuple(sorted(found)) for name, found in spans.items()}


def _free_slots(rng: np.random.Generator, duration_s: float, closed_s: tuple[tuple[float, float], ...]) -> list[float]:
    """Give times for deeds, in random order, apart from each other and from the contactors."""
    times = np.arange(5.0, duration_s - 9.0, SPACED_S)
    times = times + rng.uniform(0, 0.25 * SPACED_S, len(times))
    times = times[: int(rng.integers(3, 13))]
    away = [time for time in times.tolist() if all(abs(time - edge) > 6 for span in closed_s for edge in span)]
    return rng.permutation(np.array(away)).tolist()


def _moments(
    rng: np.random.Generator,
    duration_s: float,
    closed_s: tuple[tuple[float, float], ...],
    spans: dict[str, tuple[tuple[float, float], ...]],
) -> Array:
    """Give when states of all kinds change together: with what happens, and at moments of their own."""
    known = [start for start, _ in closed_s if start > 0]
    known += [time for name in ("plug", "charger", "interlock") for span in spans[name] for time in span]
    own = (rng.uniform(0.05, 0.95, int(rng.integers(1, 4))) * duration_s).tolist()
    return np.sort(np.array([time for time in (*known, *own) if 0 < time < duration_s]))
