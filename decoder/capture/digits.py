"""Digits in columns of text, two at a time through tables of all pairs of bytes."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

# What the tables give for a pair that is not two digits; above every value of a pair.
NO_DIGITS: Final = 0x8000
_WORD = 8  # bytes that are compared at once
_UINT32_DIGITS = 9  # so many decimal digits fit into 32 bits, and 8 hex digits do


def _pairs(digits: bytes, base: int) -> NDArray[np.uint16]:
    """Give value by pair of bytes, the first byte being the more significant digit."""
    values = np.full(256, -1, np.int64)
    for digit in digits:
        values[digit] = int(chr(digit), base)
    first, second = np.meshgrid(values, values)  # a pair is loaded with its second byte in the upper half
    table = np.where((first >= 0) & (second >= 0), first * base + second, NO_DIGITS)
    return table.astype(np.uint16).ravel()


HEX = _pairs(b"0123456789abcdefABCDEF", 16)
_DECIMAL = _pairs(b"0123456789", 10)


def _pair(table: NDArray[np.uint8], place: int, values: NDArray[np.uint16]) -> NDArray[np.uint16]:
    """Give the value of two digits at `place` in every line."""
    return values.take(np.ndarray((len(table),), "<u2", table, place, (table.shape[1],)))


def _single(table: NDArray[np.uint8], place: int, values: NDArray[np.uint16]) -> NDArray[np.uint16]:
    """Give the value of one digit at `place` in every line, as the second digit of a pair that begins with 0."""
    return values.take((table[:, place].astype(np.uint16) << 8) | ord("0"))


def decimal(table: NDArray[np.uint8], begin: int, end: int, fits: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Give the decimal number in columns `begin` to `end` (at most 18 digits); other lines no longer fit."""
    if end - begin > _WORD + 1:
        # The leading digits of seconds are the same for minutes: told by one comparison a line.
        words = np.ndarray((len(table),), np.uint64, table, begin, (table.shape[1],))
        if (words == words[0]).all():
            leading = _number(table[:1], begin, begin + _WORD, fits, _DECIMAL, 100).astype(np.int64)
            rest = _number(table, begin + _WORD, end, fits, _DECIMAL, 100).astype(np.int64)
            rest += leading * 10 ** (end - begin - _WORD)
            return rest
    return _number(table, begin, end, fits, _DECIMAL, 100).astype(np.int64)


def hexadecimal(table: NDArray[np.uint8], begin: int, end: int, fits: NDArray[np.bool_]) -> NDArray[np.uint32]:
    """Give the hex number in columns `begin` to `end` (at most 8 digits); other lines no longer fit."""
    return _number(table, begin, end, fits, HEX, 256).astype(np.uint32, copy=False)


def _number(
    table: NDArray[np.uint8], begin: int, end: int, fits: NDArray[np.bool_], values: NDArray[np.uint16], base: int
) -> NDArray[np.int64] | NDArray[np.uint32]:
    place = begin
    if (end - begin) % 2:
        part = _single(table, place, values)
        place += 1
    else:
        part = _pair(table, place, values)
        place += 2
    either = part.copy()
    number: NDArray[np.int64] | NDArray[np.uint32]
    number = part.astype(np.uint32) if end - begin <= _UINT32_DIGITS else part.astype(np.int64)
    for pair in range(place, end, 2):
        part = _pair(table, pair, values)
        either |= part
        number *= base
        number += part
    fits &= either < NO_DIGITS
    return number


def hex_pairs(table: NDArray[np.uint8], places: Sequence[int], fits: NDArray[np.bool_]) -> NDArray[np.uint8]:
    """Give the bytes whose two hex digits stand at `places` (lines x places); other lines no longer fit."""
    if not places:
        return np.empty((len(table), 0), np.uint8)
    step = places[1] - places[0] if len(places) > 1 else 2
    if all(later - earlier == step for earlier, later in pairwise(places)):
        pairs = np.ndarray((len(table), len(places)), "<u2", table, places[0], (table.shape[1], step))
        values = HEX.take(pairs)
    else:
        values = np.stack([_pair(table, place, HEX) for place in places], axis=1)
    if values.max(initial=0) >= NO_DIGITS:
        fits &= values.max(axis=1) < NO_DIGITS
    return values.astype(np.uint8)
