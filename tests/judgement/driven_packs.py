"""Packs whose resistances are known, under any current, read cell by cell as controllers do."""

from dataclasses import dataclass, field

import numpy as np

from decoder.account import Account
from decoder.bits import Field
from decoder.channels import decode
from decoder.frames import Frames
from decoder.maps.signal_map import Message, Signal, SignalMap

GRID_S = 0.01
IN_A_FRAME = 4


@dataclass
class DrivenPack:
    """Times in s, V, A (positive while discharging), ohm.

    scan_s : all cells are sent once in this time, four in a frame, frame after frame
    at_once : all cells are read when the scan begins, else each just before it is sent
    """

    ampere: np.ndarray
    ohm: np.ndarray
    slow_ohm: np.ndarray | float = 0.0
    slow_s: float = 10.0
    modules: int = 2
    scan_s: float = 0.1
    at_once: bool = False
    step_v: float = 0.001
    noise_v: float = 0.0
    current_s: float = 0.01
    noise_a: float = 0.0
    level_v: np.ndarray | float = 3.7
    ohm_per_s: float = 0.0  # what the charge drawn takes off the voltage: V per As
    seed: int = 0
    charge_is_positive: bool = False
    lost: float = 0.0
    disturb: list = field(default_factory=list)  # (cell, from, to, V)

    def volt(self, time_s):
        """The true voltages at `time_s` (any shape), one cell to each of the last axis or a single one."""
        grid_s = np.arange(len(self.ampere)) * GRID_S
        decay = np.exp(-GRID_S / self.slow_s)
        slow = np.zeros(len(self.ampere))
        for at in range(1, len(slow)):
            slow[at] = slow[at - 1] * decay + self.ampere[at - 1] * (1 - decay)
        drawn = np.cumsum(self.ampere) * GRID_S
        return [np.interp(time_s, grid_s, column) for column in (self.ampere, slow, drawn)]

    def channels(self, sheet=None):
        rng = np.random.default_rng(self.seed)
        cells = len(self.ohm)
        duration_s = len(self.ampere) * GRID_S
        slow_ohm = np.broadcast_to(self.slow_ohm, cells)
        level = np.broadcast_to(self.level_v, cells)
        frames = -(-cells // IN_A_FRAME)
        messages, times, ids, payloads = [], [], [], []
        for number in range(frames):
            members = np.arange(number * IN_A_FRAME, min((number + 1) * IN_A_FRAME, cells))
            start = np.arange(0, duration_s - self.scan_s, self.scan_s)
            sent = start + self.scan_s * number / frames + 0.0002 * number
            now, slow, drawn = self.volt(start if self.at_once else sent)
            raw = np.zeros((len(sent), IN_A_FRAME), "<u2")
            signals = []
            for place, cell in enumerate(members):
                volt = level[cell] - now * self.ohm[cell] - slow * slow_ohm[cell] - drawn * self.ohm_per_s
                volt = volt + rng.normal(0, self.noise_v, len(volt)) if self.noise_v else volt
                for which, from_s, to_s, by_v in self.disturb:
                    volt = volt + by_v * ((which == cell) & (sent >= from_s) & (sent < to_s))
                raw[:, place] = np.round(volt / self.step_v)
                module, inside = divmod(cell * self.modules, cells)[0] + 1, 0
                inside = cell - -(-(module - 1) * cells // self.modules) + 1
                signals.append(Signal(f"Cell_{module}_{inside}_V", Field(16 * place, 16), self.step_v, unit="V"))
            messages.append(Message(f"C{number}", 0x300 + number, extended=False, length=8, signals=tuple(signals)))
            times.append(sent)
            ids.append(np.full(len(sent), 0x300 + number))
            payloads.append(raw.view(np.uint8).reshape(len(sent), 8))
        at = np.arange(0, duration_s, self.current_s)
        ampere = self.volt(at)[0] + rng.normal(0, self.noise_a, len(at))
        raw = np.zeros((len(at), 4), "<i2")
        raw[:, 0] = np.round((-1 if self.charge_is_positive else 1) * ampere / 0.1)
        signal = Signal("Pack_A", Field(0, 16, signed=True), 0.1, unit="A")
        messages.append(Message("Current", 0x200, extended=False, length=8, signals=(signal,)))
        times.append(at + 0.0001)
        ids.append(np.full(len(at), 0x200))
        payloads.append(raw.view(np.uint8).reshape(len(at), 8))
        frames_made = _frames(np.concatenate(times), np.concatenate(ids), np.concatenate(payloads), rng, self.lost)
        return decode(frames_made, SignalMap(tuple(messages)), sheet)


def _frames(time_s, ids, data, rng, lost):
    order = np.argsort(time_s, kind="stable")
    order = order[rng.random(len(order)) >= lost]
    count = len(order)
    return Frames(
        time_ns=np.round(time_s[order] * 1e9).astype(np.int64),
        bus=np.zeros(count, np.uint8),
        can_id=ids[order].astype(np.uint32),
        flags=np.zeros(count, np.uint16),
        length=np.full(count, 8, np.uint8),
        data=np.ascontiguousarray(data[order]),
        line=np.arange(1, count + 1, dtype=np.uint32),
        source=np.zeros(count, np.uint8),
        bus_names=("can0",),
        account=Account(lines=count, frames=count),
    )


def stepped(*levels, each_s=10.0, ramp_s=0.0):
    """A current that stays at each level for a while."""
    grid_s = np.arange(int(len(levels) * each_s / GRID_S)) * GRID_S
    borders = [at * each_s + shift for at in range(1, len(levels)) for shift in (0.0, max(ramp_s, GRID_S / 10))]
    values = [levels[0], *np.repeat(levels[1:-1], 2), levels[-1]]
    return np.interp(grid_s, borders, values)


def driven(rng, seconds, largest=150.0):
    """A current as in a drive: it never rests."""
    knots = np.cumsum(rng.uniform(0.5, 3.0, int(seconds)))
    return np.interp(np.arange(int(seconds / GRID_S)) * GRID_S, knots, rng.uniform(-0.4, 1.0, len(knots)) * largest)
