"""All payload bytes of a capture side by side, sampled in time: what every field anywhere is cut from at once.

Each byte of each part is a row number. Its word has that byte at the bottom and the bytes above it as the byte order
has them, so a field anywhere is a shift of 0 to 7 and a mask, over all rows at once.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.bits import ByteOrder, words_at_bytes

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from decoder.discovery.quick_parts import Part

_ORDERS: Final[tuple[ByteOrder, ByteOrder]] = ("little", "big")
_APART: Final = 7  # bytes of zeros between two parts
_ALL_ONES: Final = 0xFF
_FEW: Final = 0.2  # of the payloads
_SPREAD: Final = 24  # payloads, evenly in time
_PAIRS: Final = 8  # payloads in a row that show how much a field moves from one to the next


@dataclass(frozen=True, eq=False, slots=True)
class ByteRows:
    """Bytes of all parts in one byte order.

    part, byte : int64, r: which part, which byte of it
    words : uint64, r x moments: the payload valid at each moment; the first one before there was one
    earlier, later : uint64, r x pairs: words of payloads that follow one another
    ever : uint64, r: bits that were ever set, but by bytes of all ones
    often : uint64, r: bits that were set in more than a few payloads: what says 'not available' after waking up is not
    room : int64, 8 x r: how many bits a field may have from each bit of the byte on
    """

    byte_order: ByteOrder
    part: NDArray[np.int64]
    byte: NDArray[np.int64]
    words: NDArray[np.uint64]
    earlier: NDArray[np.uint64]
    later: NDArray[np.uint64]
    ever: NDArray[np.uint64]
    often: NDArray[np.uint64]
    room: NDArray[np.int64]


def byte_rows(parts: Sequence[Part], moments_ns: NDArray[np.int64]) -> tuple[ByteRows, ByteRows]:
    """Give the bytes of all parts, little- and big-endian, sampled at moments of the capture."""
    moments = len(moments_ns)
    widths = np.array([one.data.shape[1] for one in parts])
    begins = _APART + np.concatenate(([0], np.cumsum(widths + _APART)))
    total = int(begins[-1])
    samples = np.zeros((moments + 2 * _PAIRS + 2, total), np.uint8)  # with zeros between parts: no word reaches over
    allowed = np.zeros(8 * total, np.bool_)
    spread = np.zeros((_SPREAD, total), np.uint8)
    steps, evenly = np.arange(_PAIRS), np.arange(_SPREAD)
    for one, begin, width in zip(parts, begins[:-1].tolist(), widths.tolist(), strict=True):
        n = len(one.data)
        rows = np.empty(moments + 2 * _PAIRS, np.intp)
        rows[:moments] = np.searchsorted(one.time_ns, moments_ns, side="right") - 1
        rows[moments : moments + _PAIRS] = steps * max(n - 1, 1) // _PAIRS
        rows[moments + _PAIRS :] = rows[moments : moments + _PAIRS] + 1
        samples[:-2, begin : begin + width] = one.data[np.clip(rows, 0, n - 1, out=rows)]
        samples[-2, begin : begin + width] = _ever_set(one.data)
        spread[:, begin : begin + width] = one.data[evenly * n // _SPREAD]
        allowed[8 * begin : 8 * (begin + width)] = one.allowed
    for bit in range(8):
        often = ((spread >> bit) & 1).sum(axis=0) > _FEW * _SPREAD
        samples[-1] |= np.left_shift(often, bit, dtype=np.uint8)
    part = np.repeat(np.arange(len(parts)), widths)
    byte = np.arange(len(part)) - np.repeat(np.cumsum(widths) - widths, widths)
    kept = np.repeat(begins[:-1], widths) + byte
    little, big = (
        _rows(
            order,
            np.ascontiguousarray(words_at_bytes(samples, order).T[kept]),
            _room(allowed, order)[:, kept],
            moments,
            part,
            byte,
        )
        for order in _ORDERS
    )
    return little, big


def _ever_set(data: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Give the bits of each byte that were ever set, but by all ones: those say 'not available'."""
    ever: NDArray[np.uint8] = np.bitwise_or.reduce(data * (data != _ALL_ONES), axis=0)
    return np.where((data == _ALL_ONES).all(axis=0), np.uint8(_ALL_ONES), ever)


def _rows(
    order: ByteOrder,
    words: NDArray[np.uint64],
    room: NDArray[np.int64],
    moments: int,
    part: NDArray[np.int64],
    byte: NDArray[np.int64],
) -> ByteRows:
    between = moments + _PAIRS
    return ByteRows(
        order,
        part,
        byte,
        words[:, :moments],
        words[:, moments:between],
        words[:, between:-2],
        words[:, -2],
        words[:, -1],
        room,
    )


def _room(allowed: NDArray[np.bool_], byte_order: ByteOrder) -> NDArray[np.int64]:
    """Count the allowed bits in a row from each bit upward, 8 x bytes."""
    by_byte = allowed.reshape(-1, 8)
    upward = (by_byte if byte_order == "little" else by_byte[::-1]).ravel()
    stop = np.where(upward, len(upward), np.arange(len(upward)))
    room = (np.minimum.accumulate(stop[::-1])[::-1] - np.arange(len(upward))).reshape(-1, 8)
    return np.ascontiguousarray((room if byte_order == "little" else room[::-1]).T)
