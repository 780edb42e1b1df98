"""Traffic without any conversation in it, as columns: what the search for conversations must stay silent on.

Broadcast frames, each identifier with its own period, whose bytes are what broadcast bytes are: constants, zeros, all
ones, counters of any modulus, page numbers that begin at 00, 10 or 20 hex, slow and fast readings. Many first bytes
look like protocol bytes of ISO 15765-2. And noise: random payloads on random identifiers.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from decoder.frames import EXTENDED, Frames

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    Column = NDArray[np.generic]

_KINDS = ("constant", "zero", "ones", "small", "counter", "counter behind", "page", "page behind", "sensor", "walk")
_PERIODS_MS = (10, 20, 50, 100, 200, 500, 1000)


def columns(
    time_ns: Column,
    can_id: Column,
    data: Column,
    *,
    length: Column | None = None,
    wide: Column | None = None,
    bus: Column | None = None,
) -> Frames:
    """Give frames from their columns; `wide`: which identifiers have 29 bits."""
    n = len(time_ns)
    wide = np.zeros(n, bool) if wide is None else wide
    length = np.full(n, 8, np.uint8) if length is None else length.astype(np.uint8)
    data = np.where(np.arange(8) < length[:, None], data, 0).astype(np.uint8)
    return Frames(
        time_ns=time_ns.astype(np.int64),
        bus=np.zeros(n, np.uint8) if bus is None else bus.astype(np.uint8),
        can_id=can_id.astype(np.uint32),
        flags=np.where(wide, EXTENDED, 0).astype(np.uint16),
        length=length,
        data=data,
        line=np.arange(1, n + 1, dtype=np.uint32),
        source=np.zeros(n, np.uint8),
        bus_names=("can0", "can1"),
    )


def noise(
    seed: int, n: int, pool: int | None, share_wide: float = 0.0, first_bytes: Sequence[int] | None = None
) -> Frames:
    """Give random payloads of 0 to 8 bytes at random identifiers: a pool of so many, or of all (None)."""
    rng = np.random.default_rng(seed)
    top = 0x20000000 if share_wide else 0x800
    ids = rng.integers(0, top, n if pool is None else pool)
    which = np.arange(n) if pool is None else rng.integers(0, pool, n)
    wide_ids = rng.random(len(ids)) < share_wide
    ids = np.where(wide_ids, ids, ids & 0x7FF)
    data = rng.integers(0, 256, (n, 8), dtype=np.uint8)
    if first_bytes is not None:
        data[:, 0] = rng.choice(np.array(first_bytes, np.uint8), n)
    return columns(
        np.arange(n) * 400_000,
        ids[which],
        data,
        length=rng.integers(0, 9, n) if first_bytes is None else None,
        wide=wide_ids[which],
        bus=rng.integers(0, 2, n),
    )


def periodic(
    seed: int,
    n: int,
    ids: int = 100,
    kinds: Sequence[str] = _KINDS,
    start_with: Sequence[int] | None = None,
) -> Frames:
    """Give frames that come again and again: constants, zeros, counters, page numbers, readings.

    start_with : of each identifier the first byte is one of these, plus a counter of the lower nibble half of the time
    """
    rng = np.random.default_rng(seed)
    period = rng.choice(_PERIODS_MS, ids) * 1_000_000
    pool = rng.choice(0x800, ids, replace=False)
    seconds = n / np.sum(1e9 / period)
    parts = []
    for one in range(ids):
        time_ns = np.arange(int(seconds * 1e9 / period[one]) + 1) * period[one] + rng.integers(0, period[one])
        data = np.stack([_bytes(rng, rng.choice(kinds), len(time_ns)) for _ in range(8)], axis=1)
        length = np.full(len(time_ns), rng.choice([8, 8, 8, 8, 7, 6, 4, 3, 2]))
        if start_with is not None:
            running = np.arange(len(time_ns)) % rng.choice([4, 15, 16]) if rng.random() < 0.5 else 0
            data[:, 0] = rng.choice(start_with) + running
        parts.append((time_ns, np.full(len(time_ns), pool[one]), data, length))
    time_ns, can_id, data, length = (np.concatenate(column) for column in zip(*parts, strict=True))
    order = np.argsort(time_ns, kind="stable")[:n]
    return columns(time_ns[order], can_id[order], data[order], length=length[order])


def _bytes(rng: np.random.Generator, kind: str, n: int) -> NDArray[np.uint8]:
    """Give one byte of a broadcast frame over time."""
    steps = np.arange(n)
    return {
        "constant": lambda: np.full(n, rng.integers(0, 256)),
        "zero": lambda: np.zeros(n),
        "ones": lambda: np.full(n, 255),
        "small": lambda: np.full(n, rng.integers(0, 8)),
        "counter": lambda: steps % rng.choice([4, 8, 15, 16, 256]),
        "counter behind": lambda: rng.choice([0x10, 0x20, 0x30, 0x40, 0x60]) + steps % rng.choice([4, 15, 16]),
        "page": lambda: rng.choice([0, 0x10, 0x20]) + steps % rng.choice([3, 4, 8, 16]),
        "page behind": lambda: (rng.choice([0, 0x10, 0x20]) + steps // rng.choice([2, 3, 10]) % rng.choice([3, 8])),
        "sensor": lambda: 128 + 60 * np.sin(steps / rng.integers(5, 500)) + rng.integers(0, 3, n),
        "walk": lambda: np.cumsum(rng.integers(-1, 2, n)) % 256,
    }[kind]().astype(np.int64).astype(np.uint8)  # fmt: skip


def write_log(frames: Frames, path: Path, start_s: int = 1_893_456_000) -> None:
    """Write frames as a candump log."""
    digits = np.where(frames.flags & EXTENDED, 8, 3).tolist()
    with path.open("w", encoding="ascii", newline="\n") as file:
        for time_ns, bus, can_id, wide, length, data in zip(
            frames.time_ns.tolist(),
            frames.bus.tolist(),
            frames.can_id.tolist(),
            digits,
            frames.length.tolist(),
            frames.data,
            strict=True,
        ):
            seconds, rest = divmod(time_ns, 1_000_000_000)
            payload = data.tobytes()[:length].hex().upper()
            name = frames.bus_names[bus]
            file.write(f"({start_s + seconds}.{rest // 1000:06d}) {name} {can_id:0{wide}X}#{payload}\n")
