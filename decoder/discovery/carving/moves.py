"""The moves of a stream: pairs of payloads that follow one another, a bounded sample of them.

What a field costs to describe is told from moves, so the cost of carving does not grow with the capture.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.bits import Payloads

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

# Enough for a bit that changes in one payload of a hundred to show its habits. Common practice, no source.
MOST_MOVES: Final = 640
_BLOCK: Final = 64
_RARE: Final = 24  # of a bit that changes no more often than this, every change is in the sample
_MOST_RARE: Final = 3  # unless such changes alone are more than so many samples


@dataclass(frozen=True, eq=False)
class Moves:
    """Pairs of payloads: `before` and `after` are uint8, n x width; `total` is how many moves the stream has."""

    before: NDArray[np.uint8]
    after: NDArray[np.uint8]
    total: int

    def __len__(self) -> int:
        return len(self.before)

    @property
    def bits(self) -> int:
        """How many bits a payload has."""
        return int(self.before.shape[1]) * 8

    @cached_property
    def windows(self) -> dict[int, object]:
        """What `decoder.discovery.carving.moments` works out of the flips, by first byte, kept."""
        return {}

    @cached_property
    def flips(self) -> NDArray[np.uint8]:
        """Which bits flip in each move, uint8, n x width."""
        return self.before ^ self.after

    @cached_property
    def counts(self) -> NDArray[np.int64]:
        """How often each bit flips, by DBC bit number."""
        return flip_counts(self.flips)

    @cached_property
    def waking(self) -> NDArray[np.bool_]:
        """In which moves all bits that ever flip were ones before: where a frame wakes up, n."""
        ever = np.packbits(self.counts > 0, bitorder="little")
        return np.asarray(((self.before & ever) == ever).all(axis=1))

    @cached_property
    def was(self) -> Payloads:
        """The payloads before each move, to cut fields from."""
        return Payloads(self.before)

    @cached_property
    def became(self) -> Payloads:
        """The payloads after each move, to cut fields from."""
        return Payloads(self.after)


def ever_flipped(data: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Give a one for each bit that is not the same in all payloads (`data`: n x width, n at least 1): width bytes."""
    return np.asarray(np.bitwise_or.reduce(data ^ data[0], axis=0))


def ever_flipped_bits(data: NDArray[np.uint8]) -> NDArray[np.bool_]:
    """Tell which bits are not the same in all payloads, by DBC bit number."""
    return np.unpackbits(ever_flipped(data), bitorder="little").astype(np.bool_)


def flip_counts(flips: NDArray[np.uint8]) -> NDArray[np.int64]:
    """Count the ones of each bit, by DBC bit number (bit 0 of byte 0 first)."""
    return np.asarray(np.unpackbits(flips, axis=1, bitorder="little").sum(axis=0, dtype=np.int64))


def moves_of(data: NDArray[np.uint8], most: int = MOST_MOVES) -> Moves:
    """Give the moves of the rows of `data` (n x width), at most about `most` of them.

    Of many, the sample is blocks spread over the whole and every change of the bits that change rarely.
    """
    total = max(len(data) - 1, 0)
    at = np.arange(total)
    if total > most:
        flips = data[:-1] ^ data[1:]
        at = _sample(flips, most)
    return Moves(np.take(data, at, axis=0), np.take(data, at + 1, axis=0), total)


def _sample(flips: NDArray[np.uint8], most: int) -> NDArray[np.intp]:
    total = len(flips)
    blocks = max(most // _BLOCK, 1)
    begins = np.linspace(0, total - _BLOCK, blocks).astype(np.intp)
    chosen = np.zeros(total, np.bool_)
    chosen[(begins[:, None] + np.arange(_BLOCK)).ravel()] = True
    chosen[_rare_changes(flips, most)] = True
    return np.flatnonzero(chosen)


def _rare_changes(flips: NDArray[np.uint8], most: int) -> NDArray[np.intp]:
    """Give the moves in which bits flip that rarely do; of very many, a share."""
    counts = flip_counts(flips)
    rare = np.packbits((counts > 0) & (counts <= _RARE), bitorder="little")
    changing = np.flatnonzero((flips & rare).any(axis=1))
    return changing[:: len(changing) // (_MOST_RARE * most) + 1]


def joined_moves(parts: Sequence[Moves], most: int = MOST_MOVES) -> Moves:
    """Give the moves of several runs of payloads as one; of many, an even share and those of rarely changing bits."""
    before, after = np.concatenate([p.before for p in parts]), np.concatenate([p.after for p in parts])
    total = sum(p.total for p in parts)
    if len(before) <= most:
        return Moves(before, after, total)
    chosen = np.zeros(len(before), np.bool_)
    chosen[:: len(before) // most + 1] = True
    chosen[_rare_changes(before ^ after, most)] = True
    return Moves(before[chosen], after[chosen], total)
