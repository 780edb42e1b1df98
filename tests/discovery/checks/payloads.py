"""Made payloads of one identifier: counters, numbers, states, copies and noise, with or without a check.

CRCs come from `crccheck`'s own routine, polynomials that it does not know from its general class.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from crccheck import crc as catalogue

CRCS_8 = tuple(crc for crc in catalogue.ALLCRCCLASSES if crc._width == 8)
CRCS_16 = tuple(crc for crc in catalogue.ALLCRCCLASSES if crc._width == 16)
MOVING = ("counter", "number", "state", "noise", "flags")
STILL = ("constant", "slow", "late")


@dataclass
class Made:
    """Payloads with the truth: the check's first bit, the polynomial of a CRC, the rows that were damaged."""

    data: np.ndarray
    start: int
    polynomial: int | None
    damaged: set[int]


def columns(chance, n, kind):
    """Give one byte column of `kind`."""
    time = np.arange(n)
    if kind == "counter":
        counter = (time * int(chance.choice([1, 1, 1, 3])) + int(chance.integers(16))) % int(chance.choice([15, 16]))
        return counter | int(chance.choice([0, 0x30, 0xF0]))
    if kind == "byte counter":
        return time % int(chance.choice([255, 256]))
    if kind == "number":
        return np.cumsum(chance.integers(-1, 2, n)) + int(chance.integers(256))
    if kind == "state":
        values = chance.integers(0, 256, int(chance.integers(2, 5)))
        return values[(time // int(chance.integers(3, 40))) % len(values)]
    if kind == "flags":
        return (chance.random((n, 3)) < 0.1) @ np.array([1, 2, 16]) + int(chance.integers(256))
    if kind == "noise":
        return chance.integers(0, 256, n)
    if kind == "slow":
        return time // int(chance.integers(50, 300)) + int(chance.integers(256))
    if kind == "late":
        return np.where(time < chance.integers(n), 255, int(chance.integers(256)))
    return np.full(n, int(chance.integers(256)))


def payloads(chance, n, width, *, noise=True):
    """Give `n` payloads of `width` bytes: a counter and a number at least, if there is room."""
    kinds = ["counter", "number"]
    more = [kind for kind in (*MOVING, *STILL, "constant", "byte counter") if noise or kind != "noise"]
    kinds += [str(chance.choice(more)) for _ in range(max(width - 2, 0))]
    kinds = list(chance.permutation(kinds[:width]))
    return np.stack([columns(chance, n, kind) for kind in kinds], axis=1).astype(np.uint8)


def without_checks(chance, n, width):
    """Give payloads without any check, some with copies, opposites, mirrored counters, a multiplexor, wide numbers."""
    data = payloads(chance, n, width) if width > 1 else columns(chance, n, "number").astype(np.uint8)[:, None]
    for _ in range(int(chance.integers(0, 3)) if width > 2 else 0):
        one, other = chance.choice(width, 2, replace=False)
        match int(chance.integers(7)):
            case 0:
                data[:, one] = data[:, other]
            case 1:
                data[:, one] = ~data[:, other]
            case 2:
                data[:, one] = -data[:, other].astype(int) % 256
            case 3:
                data[:, one] = (data[:, other] & 15) << 4 | data[:, one] & 15
            case 4:
                index = np.arange(n) % int(chance.choice([2, 3, 4, 8]))
                table = chance.integers(0, 256, (8, width))
                keep = data[:, one].copy()
                data = np.where(chance.random(width) < 0.6, table[index], data).astype(np.uint8)
                data[:, other], data[:, one] = index, keep
            case 5 if width > 3:
                wide = np.cumsum(chance.integers(-9, 10, n)) + 30000
                data[:, one], data[:, other] = wide // 256 % 256, wide % 256
            case _:
                data[:, one] = data[:, other] // 2 + int(chance.integers(9))
    return data


def every_row(data, calculate):
    """Give `calculate` of each payload, each different payload calculated once."""
    unique, inverse = np.unique(data, axis=0, return_inverse=True)
    values = [calculate(row.tobytes()) for row in unique]
    return np.array(values, dtype=np.uint64)[inverse.reshape(-1)]


def damage(chance, data, share):
    """Damage some rows: random bytes, or the payload of another identifier; give which rows changed."""
    rows = np.flatnonzero(chance.random(len(data)) < share)
    foreign = chance.integers(0, 256, data.shape[1])
    for row in rows.tolist():
        data[row] = foreign if chance.random() < 0.3 else chance.integers(0, 256, data.shape[1])
    return set(rows.tolist())
