"""The pack behind a made capture: what flows in it, what warms, and what every quantity truly is at any time.

A cell is its open-circuit voltage over charge, an offset of its own, an ohmic resistance and one relaxation in series
(the usual equivalent circuit of first order). The pack's voltage is the sum of its cells. The curves are those of
`decoder.maps.chemistry`; all other numbers are those of ordinary packs: common practice, no source.

Units: V, A (positive while discharging), ohm, %, degC, kohm, kPa, kW. Times are seconds from when the recorder started.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from decoder.maps.chemistry import CURVES

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    Array = NDArray[np.float64]

GRID_S: Final = 0.01
NEVER_S: Final = 1e9
COIL_V: Final = 0.5  # by how much the supply gives way when coils are pulled


class Source(NamedTuple):
    """What a channel shows: a name that `Pack.value` knows, and which one (cell, sensor, ...) counted from 0."""

    name: str
    which: int = 0


class Touch(NamedTuple):
    """Something done to one cell or one sensor: from, to (s), and how much it gives there (V or degC)."""

    source: Source
    from_s: float
    to_s: float
    amount: float


@dataclass(frozen=True, eq=False)
class Pack:
    """Columns over a grid of `GRID_S`, numbers of each cell and sensor, and what happens when.

    cells_per_module : its sum is the number of cells, all in series
    sensors_per_module : temperature sensors of each module
    current_a, relaxed_a, rest_v, charge_percent, heat_c : the grid; `relaxed_a` follows the current slowly, `rest_v` is
        the mean cell's open-circuit voltage, `heat_c` how much the current has warmed the modules
    closed_s : pairs of from, to (s): the main contactors are closed
    gone_s : pairs: the supply is away; open_s : pairs: the interlock is open
    """

    scene: str
    chemistry: str
    duration_s: float
    cells_per_module: tuple[int, ...]
    sensors_per_module: int
    current_a: Array
    relaxed_a: Array
    rest_v: Array
    charge_percent: Array
    heat_c: Array
    cell_offset_v: Array
    cell_ohm: Array
    slow_ohm: Array
    sensor_c: Array
    sensor_drift_c: Array
    touches: tuple[Touch, ...]
    closed_s: tuple[tuple[float, float], ...]
    gone_s: tuple[tuple[float, float], ...]
    open_s: tuple[tuple[float, float], ...]
    moments_s: Array
    numbers: Mapping[str, float]

    @property
    def cells(self) -> int:
        """How many cells stand in series."""
        return sum(self.cells_per_module)

    @property
    def modules(self) -> int:
        """How many modules there are."""
        return len(self.cells_per_module)

    def at(self, column: Array, time_s: Array) -> Array:
        """Give a column of the grid at any times."""
        return np.interp(time_s, np.arange(len(column)) * GRID_S, column)

    def cell_v(self, time_s: Array, cells: slice | int = slice(None)) -> Array:
        """Give the voltages of `cells`, n x how many; of one cell, n."""
        which = np.atleast_1d(np.arange(self.cells)[cells])
        volt = self.at(self.rest_v, time_s)[:, None] + self.cell_offset_v[which]
        volt = volt - np.outer(self.at(self.current_a, time_s), self.cell_ohm[which])
        volt -= np.outer(self.at(self.relaxed_a, time_s), self.slow_ohm[which])
        for touch in self.touches:
            column = np.flatnonzero(which == touch.source.which)
            if touch.source.name == "cell" and len(column):
                volt[:, column[0]] -= touch.amount * _pressed(time_s, touch)
        return volt[:, 0] if isinstance(cells, int) else volt

    def sensor(self, which: int, time_s: Array) -> Array:
        """Give the temperature at one sensor."""
        slow = self.sensor_drift_c[which] * time_s / 300
        warm = self.sensor_c[which] + slow + self.at(self.heat_c, time_s)
        for touch in self.touches:
            if touch.source == Source("sensor", which):
                warm = warm + touch.amount * _warmed(time_s, touch)
        return warm

    def value(self, source: Source, time_s: Array) -> Array:
        """Give what is true of `source` at `time_s`."""
        name, which = source
        if name == "cell":
            return self.cell_v(time_s, which)
        if name == "sensor":
            return self.sensor(which, time_s)
        if name in _OF_CELLS:
            return _OF_CELLS[name](self.cell_v(time_s)).astype(float)
        if name in _OF_SENSORS:
            all_c = np.stack([self.sensor(k, time_s) for k in range(len(self.sensor_c))], axis=1)
            return _OF_SENSORS[name](all_c).astype(float)
        if name == "module":
            first = sum(self.cells_per_module[:which])
            return self.cell_v(time_s, slice(first, first + self.cells_per_module[which])).sum(axis=1)
        return _SINGLE[name](self, which, np.asarray(time_s, float))


def within(spans: tuple[tuple[float, float], ...], time_s: Array) -> Array:
    """Give 1 inside the spans and 0 outside."""
    inside = np.zeros(len(time_s), bool)
    for start, end in spans:
        inside |= (time_s >= start) & (time_s < end)
    return inside.astype(float)


def lagged(drive: Array, lag_s: float, start: float) -> Array:
    """Give what follows a column of the grid with a first-order lag."""
    share = GRID_S / (lag_s + GRID_S)
    follows = np.empty_like(drive)
    now = start
    for step, wanted in enumerate(drive.tolist()):
        now += (wanted - now) * share
        follows[step] = now
    return follows


def _pressed(time_s: Array, touch: Touch) -> Array:
    """Tell how far a loaded cell is down: at once, then a little more, and back with a small rest that fades."""
    since, after = time_s - touch.from_s, time_s - touch.to_s
    on = np.where(since >= 0, 0.75 + 0.25 * (1 - np.exp(-np.clip(since, 0, None) / 2.0)), 0.0)
    return np.where(after < 0, on, 0.25 * np.exp(-np.clip(after, 0, None) / 3.0))


def _warmed(time_s: Array, touch: Touch) -> Array:
    """Tell how warm a warmed sensor is, of the most that the source of heat could do."""
    lag_s = 6.0
    since, after = np.clip(time_s - touch.from_s, 0, None), np.clip(time_s - touch.to_s, 0, None)
    reached = 1 - np.exp(-np.minimum(since, touch.to_s - touch.from_s) / lag_s)
    return reached * np.exp(-after / 25.0)


def _link(pack: Pack, _: int, time_s: Array) -> Array:
    """Behind the contactors: up through the precharge resistor, down through what discharges it."""
    volt = np.zeros(len(time_s))
    pack_v = pack.cell_v(time_s).sum(axis=1)
    for start, end in pack.closed_s:
        since, after = time_s - start, time_s - end
        up = np.where(since >= 0, 1 - np.exp(-np.clip(since, 0, None) / pack.numbers["precharge_s"]), 0.0)
        down = np.exp(-np.clip(after, 0, None) / 0.8)
        volt = np.maximum(volt, pack_v * up * down)
    return np.maximum(volt, pack.numbers["link_rest_v"])


def _supply(pack: Pack, _: int, time_s: Array) -> Array:
    base = pack.numbers["supply_v"] + pack.numbers["converter_v"] * within(pack.closed_s, time_s - 1.5)
    base = base + 0.03 * np.sin(time_s / 7)
    for start, _end in pack.closed_s:
        since = np.clip(time_s - start, 0, None)
        base = base - COIL_V * (time_s >= start) * np.exp(-since / 0.15)
    return np.where(within(pack.gone_s, time_s) > 0, 0.3, base)


def _keep_alive(pack: Pack, _: int, time_s: Array) -> Array:
    gone = within(pack.gone_s, time_s)
    return pack.numbers["keep_alive_v"] - 0.55 * gone - 0.0005 * time_s


def _insulation(pack: Pack, which: int, time_s: Array) -> Array:
    slow = np.zeros(len(time_s))
    for start, end in pack.closed_s:
        up = 1 - np.exp(-np.clip(time_s - start, 0, None) / 4)
        slow = np.maximum(slow, up * np.exp(-np.clip(time_s - end, 0, None) / 4))
    return pack.numbers["insulation_kohm"] * (1 - 0.3 * slow + 0.01 * np.sin(time_s / 11 + which))


def _limit_kw(pack: Pack, which: int, time_s: Array) -> Array:
    charge = pack.at(pack.charge_percent, time_s)
    room = charge if which % 2 == 0 else 100 - charge
    derated = np.where(within(pack.closed_s, time_s) > 0, 1.0, 0.9)
    return np.clip(25 + room, 5, 120) * derated * (1.0 - 0.15 * which)


def _limit_a(pack: Pack, which: int, time_s: Array) -> Array:
    return 1000 * _limit_kw(pack, which, time_s) / (3.7 * pack.cells)


def _contactor(pack: Pack, which: int, time_s: Array) -> Array:
    """Give 0 negative, 1 positive, 2 precharge; `closed_s` counts from the precharge on."""
    wait_s = 6 * pack.numbers["precharge_s"] + 0.1
    positive = within(tuple((a + wait_s, b) for a, b in pack.closed_s), time_s)
    if which == 0:
        return within(tuple((a - 0.15, b + 0.1) for a, b in pack.closed_s), time_s)
    return positive if which == 1 else within(tuple((a, a + wait_s + 0.2) for a, b in pack.closed_s), time_s)


def _swelling(pack: Pack, which: int, time_s: Array) -> Array:
    charge = pack.at(pack.charge_percent, time_s)
    warm = pack.at(pack.heat_c, time_s) + pack.sensor_drift_c[0] * time_s / 300
    return pack.numbers["swelling_kpa"] + 3.0 * np.sin(2.0 * which) + 0.25 * warm + 0.08 * charge


def _coolant(pack: Pack, which: int, time_s: Array) -> Array:
    drift = pack.numbers["coolant_drift_c"] * (1 - 0.4 * which) * (1 - np.exp(-time_s / 120))
    return pack.numbers["coolant_c"] + 1.5 * which + drift + 0.3 * np.sin(time_s / 17 + which)


def _drive(pack: Pack, which: int, time_s: Array) -> Array:
    """Give what other modules tell: 0 torque (Nm), 1 speed (km/h), 2 turns a minute, 3 temperature outside (degC)."""
    current = pack.at(pack.current_a, time_s)
    speed = np.clip(pack.at(pack.relaxed_a, time_s) * 0.35, 0, None)
    return (current * 1.1, speed, speed * 82.0, 14.0 + 0.2 * np.sin(time_s / 60))[which]


_OF_CELLS: Final = {
    "highest cell": lambda volt: volt.max(axis=1),
    "lowest cell": lambda volt: volt.min(axis=1),
    "average cell": lambda volt: volt.mean(axis=1),
    "spread of the cells": lambda volt: volt.max(axis=1) - volt.min(axis=1),
    "number of the highest cell": lambda volt: volt.argmax(axis=1) + 1,
    "number of the lowest cell": lambda volt: volt.argmin(axis=1) + 1,
    "pack voltage": lambda volt: volt.sum(axis=1),
}
_OF_SENSORS: Final = {
    "highest temperature": lambda warm: warm.max(axis=1),
    "lowest temperature": lambda warm: warm.min(axis=1),
    "average temperature": lambda warm: warm.mean(axis=1),
}
_SINGLE: Final = {
    "pack current": lambda pack, _, time_s: pack.at(pack.current_a, time_s),
    "state of charge": lambda pack, _, time_s: pack.at(pack.charge_percent, time_s),
    "state of health": lambda pack, _, time_s: pack.numbers["health_percent"] + 0 * time_s,
    "link voltage": _link,
    "supply voltage": _supply,
    "keep-alive voltage": _keep_alive,
    "insulation resistance": _insulation,
    "power limit": _limit_kw,
    "current limit": _limit_a,
    "contactor": _contactor,
    "interlock": lambda pack, _, time_s: within(pack.open_s, time_s),
    "swelling pressure": _swelling,
    "coolant temperature": _coolant,
    "drive": _drive,
}


def curve(chemistry: str, percent: Array) -> Array:
    """Give the open-circuit voltage at so much charge."""
    row = CURVES[chemistry]
    return np.interp(percent, row.charge_percent, row.volt)
