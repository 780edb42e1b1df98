"""The one cut to show: of all cuts the one with the most expected right fields."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.bits import Field

if TYPE_CHECKING:
    from decoder.discovery.carving.segmentation import Chances, Crossings

_LEAST: Final = 1e-4  # a field less likely than this is not looked at
_FULL: Final = 8


@dataclass(frozen=True, slots=True)
class Piece:
    """A field of the cut with its chance. Inside one byte the byte order is open."""

    field: Field
    chance: float

    @property
    def is_inside(self) -> bool:
        """Whether it lies in one byte."""
        return self.field.first_byte == self.field.last_byte


@dataclass(frozen=True, slots=True)
class _Way:
    """The rest of a cut: what it is worth, its first pieces, and where it goes on (byte, and what is free in it)."""

    worth: float
    pieces: tuple[Piece, ...]
    onward: tuple[int, int, int] | None


def best_cut(found: Chances, crossings: Crossings) -> tuple[Piece, ...]:
    """Choose fields that do not overlap so that the sum of their chances is largest; in the order of bytes."""
    width = len(found.inside)
    leaving = _leaving(found, crossings, width)
    ways: dict[tuple[int, int, int], _Way] = {(width, 0, _FULL): _Way(0.0, (), None)}
    for byte in range(width - 1, -1, -1):
        between = _between(byte, found.inside[byte])
        for low, high in ((0, 8), *((n, 8) for n in range(1, 8)), *((0, n) for n in range(1, 8))):
            ways[byte, low, high] = _best_way(byte, low, high, between, leaving[byte], ways)
    cut: list[Piece] = []
    state: tuple[int, int, int] | None = (0, 0, _FULL)
    while state is not None:
        cut += ways[state].pieces
        state = ways[state].onward
    return tuple(cut)


def _leaving(found: Chances, crossings: Crossings, width: int) -> list[list[tuple[Piece, int, tuple[int, int, int]]]]:
    """Give the likely crossing fields by the byte that they leave: field, bit where it leaves, state where it ends."""
    leaving: list[list[tuple[Piece, int, tuple[int, int, int]]]] = [[] for _ in range(width)]
    for number in np.flatnonzero(found.crossings >= _LEAST).tolist():
        out, out_bit = int(crossings.out[number]), int(crossings.out_bit[number])
        into, into_bit = int(crossings.into[number]), int(crossings.into_bit[number])
        if crossings.big[number]:
            length = out_bit + 1 + 8 * (into - out - 1) + 8 - into_bit
            state = (into, 0, into_bit) if into_bit else (into + 1, 0, _FULL)
            field = Field(out * 8 + out_bit, length, "big")
        else:
            length = 8 - out_bit + 8 * (into - out - 1) + into_bit + 1
            state = (into, into_bit + 1, _FULL) if into_bit < 7 else (into + 1, 0, _FULL)
            field = Field(out * 8 + out_bit, length)
        leaving[out].append((Piece(field, float(found.crossings[number])), out_bit, state))
    return leaving


def _between(byte: int, chance: np.ndarray) -> dict[tuple[int, int], tuple[float, tuple[Piece, ...]]]:
    """Give the best fields of one byte inside bits lo..x-1, and what they are worth."""
    fields = [
        (int(low), int(high), Piece(Field(byte * 8 + int(low), int(high - low) + 1), float(chance[low, high])))
        for low, high in zip(*np.nonzero(chance >= _LEAST), strict=True)
    ]
    best: dict[tuple[int, int], tuple[float, tuple[Piece, ...]]] = {}
    for low in range(_FULL + 1):
        best[low, low] = 0.0, ()
        for end in range(low + 1, _FULL + 1):
            options = [best[low, end - 1]]
            for first, last, piece in fields:
                if last == end - 1 and first >= low:
                    worth, pieces = best[low, first]
                    options.append((worth + piece.chance, (*pieces, piece)))
            best[low, end] = max(options, key=lambda option: option[0])
    return best


def _best_way(
    byte: int,
    low: int,
    high: int,
    between: dict[tuple[int, int], tuple[float, tuple[Piece, ...]]],
    leaving: list[tuple[Piece, int, tuple[int, int, int]]],
    ways: dict[tuple[int, int, int], _Way],
) -> _Way:
    worth, pieces = between[low, high]
    onward = (byte + 1, 0, _FULL)
    best = _Way(worth + ways[onward].worth, pieces, onward)
    for piece, bit, state in leaving:
        if piece.field.byte_order == "little":
            span = (low, bit) if high == _FULL and bit >= low else None
        else:
            span = (bit + 1, high) if low == 0 and bit < high else None
        if span is None:
            continue
        worth, pieces = between[span]
        total = worth + piece.chance + ways[state].worth
        if total > best.worth:
            best = _Way(total, (*pieces, piece), state)
    return best
