"""Traffic without any conversation in it, as columns: what the search for conversations must stay silent on.

`periodic`: broadcast frames, each identifier with its own period, whose bytes are what broadcast bytes are: constants,
zeros, all ones, counters of any modulus, multiplexors that begin at 00, 10, 20 or 30 hex, slow and fast sensors. Many
first bytes look like protocol bytes of ISO 15765-2.
`at_random`: random payloads of random lengths on random identifiers.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from decoder.frames import EXTENDED, Frames

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

_PERIODS_MS = (10, 20, 50, 100, 200, 500, 1000)
_KINDS = ("zero", "constant", "small", "counter", "sensor", "multiplexor", "walk", "ones")


def at_random(seed: int, frames: int, identifiers: int, *, extended: bool = False) -> Frames:
    """Give random frames, 0.4 ms apart, on two buses."""
    dice = np.random.default_rng(seed)
    pool = dice.integers(0, 1 << (29 if extended else 11), identifiers)
    length = dice.integers(0, 9, frames)
    data = dice.integers(0, 256, (frames, 8), dtype=np.uint8)
    data[np.arange(8) >= length[:, None]] = 0
    return columns(
        np.arange(frames) * 400_000,
        pool[dice.integers(0, identifiers, frames)],
        data,
        length=length,
        bus=dice.integers(0, 2, frames),
        extended=extended,
    )


def periodic(seed: int, frames: int, identifiers: int = 100) -> Frames:
    """Give broadcast frames of `identifiers` 11-bit identifiers; the same seed gives the same frames."""
    dice = np.random.default_rng(seed)
    period_ns = dice.choice(_PERIODS_MS, identifiers) * 1_000_000
    pool = dice.choice(0x7F0, identifiers, replace=False)
    lasts_ns = frames / np.sum(1 / period_ns)
    times, ids, payloads, lengths = [], [], [], []
    for identifier, period in zip(pool, period_ns, strict=True):
        time_ns = np.arange(int(lasts_ns / period) + 1) * period + dice.integers(0, period)
        length = int(dice.choice([8, 8, 8, 8, 7, 6, 4, 3, 2]))
        payload = np.zeros((len(time_ns), 8), np.uint8)
        for byte in range(length):
            payload[:, byte] = _byte(dice, len(time_ns))
        times.append(time_ns)
        ids.append(np.full(len(time_ns), identifier))
        payloads.append(payload)
        lengths.append(np.full(len(time_ns), length))
    time_ns = np.concatenate(times)
    order = np.argsort(time_ns, kind="stable")[:frames]
    return columns(
        time_ns[order],
        np.concatenate(ids)[order],
        np.concatenate(payloads)[order],
        length=np.concatenate(lengths)[order],
    )


def _byte(dice: np.random.Generator, count: int) -> NDArray[np.uint8]:
    """Give one byte of a broadcast frame over time."""
    at = np.arange(count)
    kind = dice.choice(_KINDS)
    if kind == "constant":
        values = np.full(count, dice.integers(0, 256))
    elif kind == "small":
        values = np.full(count, dice.integers(0, 8))
    elif kind == "counter":
        values = at % dice.choice([4, 8, 15, 16, 256])
    elif kind == "multiplexor":
        values = dice.choice([0, 0x10, 0x20, 0x30]) + at % dice.choice([3, 4, 8, 16])
    elif kind == "sensor":
        values = 128 + 60 * np.sin(at / dice.integers(5, 500)) + dice.integers(0, 3, count)
    elif kind == "walk":
        values = np.cumsum(dice.integers(-1, 2, count)) % 256
    else:
        values = np.full(count, 255 if kind == "ones" else 0)
    return values.astype(np.uint8)


def columns(
    time_ns: NDArray[np.int64],
    can_id: NDArray[np.int64],
    data: NDArray[np.uint8],
    *,
    length: NDArray[np.int64],
    bus: NDArray[np.int64] | None = None,
    extended: bool = False,
) -> Frames:
    """Give frames from their columns."""
    count = len(time_ns)
    return replace(
        Frames.empty(("can0", "can1")),
        time_ns=time_ns.astype(np.int64),
        bus=np.zeros(count, np.uint8) if bus is None else bus.astype(np.uint8),
        can_id=can_id.astype(np.uint32),
        flags=np.full(count, EXTENDED if extended else 0, np.uint16),
        length=length.astype(np.uint8),
        data=data,
        line=np.arange(1, count + 1, dtype=np.uint32),
        source=np.zeros(count, np.uint8),
    )


def write_log(frames: Frames, path: Path, start_s: int = 1_893_456_000) -> None:
    """Write frames as a candump log."""
    digits = 8 if len(frames) and frames.flags[0] & EXTENDED else 3
    with path.open("w", encoding="ascii", newline="\n") as file:
        for time_ns, bus, can_id, length, data in zip(
            frames.time_ns.tolist(),
            frames.bus.tolist(),
            frames.can_id.tolist(),
            frames.length.tolist(),
            frames.data,
            strict=True,
        ):
            seconds, rest = divmod(time_ns, 1_000_000_000)
            payload = data.tobytes()[:length].hex().upper()
            name = frames.bus_names[bus]
            file.write(f"({start_s + seconds}.{rest // 1000:06d}) {name} {can_id:0{digits}X}#{payload}\n")
