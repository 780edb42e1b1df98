"""When fields change: coded against the changes of other bits of the same frame.

So changing together is no evidence of being one field. Bits that could belong to the same number as the field, those a
carry comes from or goes to, are left out of what it is coded against, so that a carry is evidence.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.discovery.carving.code_lengths import bits_of_choice, bits_of_yes_no

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from decoder.discovery.carving.moves import Moves

SITUATIONS: Final = 4  # nothing else changes, little does, much does, bits do that seldom change
SELDOM: Final = 0.05  # of the moves, up to which it is told apart when a field changes and how
_BYTES: Final = 8  # of a payload that are looked at together
_AS_RARE: Final = 2  # a bit is comparably rare up to this many times the changes of the field
_FLIP_HALF: Final = 1.5  # bits that take part in a change, for each that flips
_NEARLY_ALL: Final = 0.95
# Seldom flipping bits: a carry goes to a bit that flips clearly less, and comes from one that flips no less.
_CARRY_TO: Final = 0.75
_CARRY_FROM: Final = 1.0
# Bits that flip more than a few times do so by chance a little more or less.
_FEW_TIMES: Final = 6
_BUSY_CARRY_TO: Final = 1.8
_BUSY_CARRY_FROM: Final = 0.55


@dataclass(frozen=True, eq=False)
class Window:
    """Eight bytes of the moves.

    words, weights : uint64 and int64, the distinct flips of these bytes, and how often each occurs
    number : intp, which of them each move is
    counts : int64, 64; how often each bit flips
    kin : for seldom and for often flipping fields: masks of the bits that could be of one number with a field whose
        lowest bit is b (below) and whose highest bit is b (above); 2 x 2 x 64, uint64
    """

    first_bit: int
    words: NDArray[np.uint64]
    weights: NDArray[np.int64]
    number: NDArray[np.intp]
    counts: NDArray[np.int64]
    kin: NDArray[np.uint64]


def window_at(moves: Moves, lowest: int) -> Window:
    """Give the window for fields that begin at bit `lowest`; it is kept with the moves."""
    width = moves.bits // 8
    begin = 0 if width <= _BYTES else int(np.clip(lowest // 8 - 1, 0, width - _BYTES))
    found = moves.windows.get(begin)
    if not isinstance(found, Window):
        found = moves.windows[begin] = _window(moves, begin, min(width, _BYTES))
    return found


def _window(moves: Moves, begin: int, size: int) -> Window:
    flips = moves.flips[:, begin : begin + size]
    padded = np.ascontiguousarray(np.pad(flips, ((0, 0), (0, _BYTES - size))))
    words, number, weights = np.unique(padded.view("<u8")[:, 0], return_inverse=True, return_counts=True)
    counts = np.zeros(8 * _BYTES, np.int64)
    counts[: 8 * size] = moves.counts[8 * begin : 8 * (begin + size)]
    kin = np.array([_kin(counts, _CARRY_FROM, _CARRY_TO), _kin(counts, _BUSY_CARRY_FROM, _BUSY_CARRY_TO)], np.uint64)
    return Window(8 * begin, words, weights, number, counts, kin)


def _kin(counts: NDArray[np.int64], carry_from: float, carry_to: float) -> tuple[list[int], list[int]]:
    """Give for each bit the masks of what a carry could come from, and go to, in either byte order."""
    flips = counts.tolist()
    below = [
        _chain(flips, bit, _downward, lambda at, on: flips[on] >= carry_from * flips[at]) for bit in range(len(flips))
    ]
    above = [_chain(flips, bit, _upward, lambda at, on: flips[on] <= carry_to * flips[at]) for bit in range(len(flips))]
    return below, above


def _chain(
    flips: list[int], bit: int, following: Callable[[int], tuple[int, int]], is_akin: Callable[[int, int], bool]
) -> int:
    """Follow neighbours in both byte orders while each could be of one number with the one before."""
    mask = 0
    for order in (0, 1):
        at, onward = bit, following(bit)[order]
        while 0 <= onward < len(flips) and flips[onward] > 0 and is_akin(at, onward):
            mask |= 1 << onward
            at, onward = onward, following(onward)[order]
    return mask


def _downward(bit: int) -> tuple[int, int]:
    """Give the next lower bit of a little-endian and of a big-endian number."""
    return bit - 1, bit - 1 if bit % 8 else bit + 15


def _upward(bit: int) -> tuple[int, int]:
    return bit + 1, bit + 1 if bit % 8 < 7 else bit - 15


def changes_of(window: Window, masks: NDArray[np.uint64]) -> NDArray[np.int64]:
    """Give how often fields (masks of window bits) change."""
    return np.asarray(((window.words & masks[:, None]) != 0) @ window.weights)


def masks_of(window: Window, lowest: int, lengths: NDArray[np.int64]) -> NDArray[np.uint64]:
    """Give the masks of the fields from bit `lowest` up, in window bits."""
    first = lowest - window.first_bit
    return np.array([((1 << int(n)) - 1) << first for n in lengths], np.uint64)


def _others(
    window: Window, masks: NDArray[np.uint64], times: NDArray[np.int64], lowest: int, tops: NDArray[np.int64]
) -> NDArray[np.uint64]:
    """Give the masks of the bits that fields are coded against: comparably rare, not of the field, nor akin to it."""
    rare = (window.counts > 0) & (window.counts <= _AS_RARE * times[:, None])
    packed = np.packbits(rare, axis=1, bitorder="little").view("<u8")[:, 0]
    busy = (times > _FEW_TIMES).astype(np.intp)
    akin = window.kin[busy, 0, lowest - window.first_bit] | window.kin[busy, 1, tops - window.first_bit]
    return np.asarray(packed & ~masks & ~akin)


def seldom_bits(
    window: Window, lowest: int, lengths: NDArray[np.int64], times: NDArray[np.int64]
) -> NDArray[np.float64]:
    """Give the bits that tell when fields change that seldom do."""
    masks = masks_of(window, lowest, lengths)
    others = _others(window, masks, times, lowest, lowest + lengths - 1)
    own = (window.words & masks[:, None]) != 0
    moved = np.bitwise_count(window.words & others[:, None]).astype(np.float64)
    told = moved > 0
    share = np.minimum((_FLIP_HALF * moved + 0.5) / (np.bitwise_count(others)[:, None] + 1.0), _NEARLY_ALL)
    taking_part = -(np.where(told, np.log2(np.where(own, share, 1 - share)), 0.0) @ window.weights)
    both, event = (own & told) @ window.weights, told @ window.weights
    alone = times - both
    learned = bits_of_choice(both, event) + np.log2(event + 1.0)
    rest = int(window.weights.sum()) - event
    return np.asarray(1 - np.logaddexp2(-learned, -taking_part) + bits_of_choice(alone, rest))


def situations(window: Window, lowest: int, lengths: NDArray[np.int64], times: NDArray[np.int64]) -> NDArray[np.int64]:
    """Give what the rest of the frame does in each move (lengths x moves, below `SITUATIONS`), for busy fields."""
    masks = masks_of(window, lowest, lengths)
    others = _others(window, masks, times, lowest, lowest + lengths - 1)
    moved = np.bitwise_count(window.words & others[:, None]).astype(np.int64)
    told = moved > 0
    mean = (moved @ window.weights) / np.maximum(told @ window.weights, 1)
    seldom = np.packbits(window.counts <= SELDOM * window.weights.sum(), bitorder="little").view("<u8")
    rare = (window.words & others[:, None] & seldom) != 0
    found = np.where(rare, 3, told + (moved > mean[:, None]).astype(np.int64))
    return found[:, window.number]


def often_bits(old: NDArray[np.int64], new: NDArray[np.int64], situation: NDArray[np.int64]) -> NDArray[np.float64]:
    """Give the bits that tell when fields change that often do; all lengths x moves.

    The shares are learned for each situation, and for the value where a field usually rests apart from all others, or
    for even and odd values apart: a number between two of its steps rests longer on the one than on the other.
    """
    middle = np.sort(old, axis=1)[:, old.shape[1] // 2, None]
    return np.minimum(*(_learned_bits(old != new, situation, apart) for apart in (old == middle, old & 1)))


def _learned_bits(
    moved: NDArray[np.bool_], situation: NDArray[np.int64], apart: NDArray[np.int64] | NDArray[np.bool_]
) -> NDArray[np.float64]:
    where = situation + SITUATIONS * apart + 2 * SITUATIONS * np.arange(len(moved))[:, None]
    count = 2 * SITUATIONS * len(moved)
    all_ = np.bincount(where.ravel(), minlength=count)
    yes = np.bincount(where[moved], minlength=count)
    return np.asarray(bits_of_yes_no(yes, all_ - yes).reshape(len(moved), -1).sum(axis=1))
