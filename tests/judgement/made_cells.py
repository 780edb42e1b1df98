"""Packs made of plain physics, as channels: cells that are read one frame after the other, rounded to their step."""

from dataclasses import dataclass, field

import numpy as np

from decoder.account import Account
from decoder.bits import Field
from decoder.channels import decode
from decoder.frames import EXTENDED, Frames
from decoder.maps.signal_map import Message, Signal, SignalMap

_A_FRAME = 4


@dataclass
class Pack:
    """What is to be made: `volt(t)` gives every cell's voltage at times of shape (scans, cells), in V.

    modules : cells in each; `current(t)` in A; `bleeding`: (module, cell) -> from, to in s; `absent`: scans x cells
    """

    volt: object
    modules: tuple = (12, 12)
    seconds: float = 600.0
    every_s: float = 1.0
    skew_s: float = 0.0
    step_v: float = 0.001
    current: object = None
    bleeding: dict = field(default_factory=dict)
    absent: object = None
    charge: object = None


def channels_of(pack, sheet=None):
    """Make the frames of a pack and decode them."""
    places = [(m, c) for m, cells in enumerate(pack.modules, 1) for c in range(1, cells + 1)]
    scan_s = np.arange(0, pack.seconds, pack.every_s)
    frame_of = np.arange(len(places)) // _A_FRAME
    read_s = scan_s[:, None] + pack.skew_s * frame_of / max(frame_of[-1], 1)
    raw = np.round(pack.volt(read_s) / pack.step_v).astype(np.int64)
    if pack.absent is not None:
        raw[pack.absent(read_s)] = 0xFFFF
    messages, blocks = [], []
    for number in range(frame_of[-1] + 1):
        columns = np.flatnonzero(frame_of == number)
        signals = [
            Signal(f"Cell_{places[c][0]}_{places[c][1]}_V", Field(16 * at, 16), pack.step_v, unit="V")
            for at, c in enumerate(columns)
        ]
        messages.append(_message(f"Cells_{number}", 0x300 + number, signals))
        blocks.append((read_s[:, columns[0]] + number * 1e-5, 0x300 + number, raw[:, columns].astype("<u2")))
    if pack.current is not None:
        at = np.arange(0, pack.seconds, min(pack.every_s, 1.0) / 4)
        messages.append(_message("Current", 0x201, [Signal("Pack_A", Field(0, 16, signed=True), 0.1, unit="A")]))
        blocks.append((at, 0x201, np.round(pack.current(at) * 10).astype("<i2")[:, None]))
    if pack.charge is not None:
        messages.append(_message("Charge", 0x202, [Signal("SOC", Field(0, 16), 0.5, unit="%")]))
        blocks.append((scan_s, 0x202, np.round(pack.charge(scan_s) * 2).astype("<u2")[:, None]))
    for number, ((module, cell), (from_s, to_s)) in enumerate(pack.bleeding.items()):
        signal = Signal(f"Balancing_{module}_{cell}", Field(0, 8))
        messages.append(_message(f"Bleeding_{number}", 0x500 + number, [signal]))
        blocks.append((scan_s, 0x500 + number, ((scan_s >= from_s) & (scan_s < to_s)).astype("<u2")[:, None]))
    return decode(_frames(blocks), SignalMap(tuple(messages)), sheet)


def _message(name, can_id, signals):
    return Message(name, can_id, extended=can_id > 0x7FF, length=8, signals=tuple(signals))


def _frames(blocks):
    time_ns = np.concatenate([np.round(at * 1e9).astype(np.int64) for at, _, _ in blocks])
    can_id = np.concatenate([np.full(len(at), number, np.uint32) for at, number, _ in blocks])
    data = np.zeros((len(time_ns), 8), np.uint8)
    first = 0
    for at, _, values in blocks:
        payload = np.ascontiguousarray(values).view(np.uint8)
        data[first : first + len(at), : payload.shape[1]] = payload
        first += len(at)
    order = np.argsort(time_ns, kind="stable")
    count = len(order)
    return Frames(
        time_ns=time_ns[order],
        bus=np.zeros(count, np.uint8),
        can_id=can_id[order],
        flags=np.where(can_id[order] > 0x7FF, EXTENDED, 0).astype(np.uint16),
        length=np.full(count, 8, np.uint8),
        data=data[order],
        line=np.arange(1, count + 1, dtype=np.uint32),
        source=np.zeros(count, np.uint8),
        bus_names=("can0",),
        account=Account(lines=count, frames=count),
    )


@dataclass
class Cells:
    """Cells of the usual equivalent circuit: rest voltage, ohmic drop, one relaxation, each cell's own numbers.

    steps : (time_s, ampere) of the current, constant in between
    """

    offset_v: np.ndarray
    ohm: np.ndarray
    slow_ohm: np.ndarray
    lag_s: np.ndarray
    steps: tuple = ((0.0, 0.0),)
    rest_v: float = 3.7
    slope_v_per_s: np.ndarray | float = 0.0
    noise_v: float = 0.0
    seed: int = 0

    def current(self, time_s):
        """The current at any times."""
        at, ampere = np.array(self.steps).T
        return ampere[np.clip(np.searchsorted(at, time_s, side="right") - 1, 0, len(at) - 1)]

    def volt(self, time_s):
        """The voltage of all cells at times of shape (scans, cells)."""
        lagged = np.zeros(time_s.shape)
        before = 0.0
        for at_s, ampere in self.steps:
            since = np.maximum(time_s - at_s, 0)
            lagged += (ampere - before) * (1 - np.exp(-since / self.lag_s)) * (time_s >= at_s)
            before = ampere
        noise = np.random.default_rng(self.seed).normal(0, self.noise_v, time_s.shape) if self.noise_v else 0.0
        ohmic = self.current(time_s) * self.ohm + lagged * self.slow_ohm
        return self.rest_v + self.offset_v - ohmic + self.slope_v_per_s * time_s + noise


def cells(count, seed=0, *, offset_v=0.003, ohm=0.001, slow_ohm=0.0008, lag_s=60.0, differ=0.05, **more):
    """Sound cells: rest voltages within a few mV, resistances and time constants that differ by some percent."""
    rng = np.random.default_rng(seed)

    def around(value, share):
        return value * np.clip(1 + share * rng.normal(size=count), 0.5, 1.5)

    return Cells(
        offset_v * np.clip(rng.normal(size=count), -2.5, 2.5),
        around(ohm, differ),
        around(slow_ohm, 2 * differ),
        around(lag_s, 3 * differ),
        seed=seed,
        **more,
    )
