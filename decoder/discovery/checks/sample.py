"""The payloads of one identifier, prepared for a search: different payloads, pairs of them, which bits move and how.

Hypotheses are first put to few pairs of payloads: constants fall out of the difference of two. Damaged frames seldom
repeat, so where enough payloads were seen twice or more the pairs are taken from those.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.bits import Field, Payloads

if TYPE_CHECKING:
    from numpy.typing import NDArray

PAIRS: Final = (
    24  # common practice, no source; one in ten pairs has a damaged frame where one frame in twenty is damaged
)
RARELY: Final = 0.06  # share of payloads: so many may be damaged, the same
_ENOUGH_REPEATED: Final = 12  # payloads, the same
_RANK_ROWS: Final = 160  # payloads looked at for a rank, the same
_COUNTER_STEPS: Final = 0.5  # share of frames that go the usual step from the one before, the same
_COUNTER_VALUES: Final = 8


@dataclass(eq=False, slots=True)
class Sample:
    """Payloads of one identifier.

    data : uint8, n x width
    unique, counts, inverse : different payloads, how often each was seen, and which one each frame is
    pool : rows of `unique` that are probably whole
    left, right : pairs of different payloads of the pool, as rows of `unique`
    moves : width; whether the byte changes in more frames than may be damaged
    moving_bits : width; a one for each bit of which the same is true
    counters : nibbles that count, with the share of their steps that is the usual one
    flips : width * 8, by DBC bit number; how often the bit changes from one frame to the next different one
    """

    data: NDArray[np.uint8]
    unique: NDArray[np.uint8]
    counts: NDArray[np.intp]
    inverse: NDArray[np.intp]
    pool: NDArray[np.intp]
    left: NDArray[np.intp]
    right: NDArray[np.intp]
    moves: NDArray[np.bool_]
    moving_bits: NDArray[np.uint8]
    flips: NDArray[np.float64]
    counters: dict[Field, float]
    values: Payloads = field(init=False)

    def __post_init__(self) -> None:
        self.values = Payloads(self.unique)

    @property
    def width(self) -> int:
        """Bytes of a payload."""
        return int(self.data.shape[1])


def take_sample(data: NDArray[np.uint8]) -> Sample:
    """Prepare `data` (n x width, n and width at least 1)."""
    data = np.ascontiguousarray(data)
    rows = data.view(np.dtype((np.void, data.shape[1])))[:, 0]
    _, first, inverse, counts = np.unique(rows, return_index=True, return_inverse=True, return_counts=True)
    unique = data[first]
    chance = np.random.default_rng(len(data))  # the same frames give the same answer
    repeated = np.flatnonzero(counts > 1)
    pool = repeated if len(repeated) >= _ENOUGH_REPEATED else np.arange(len(unique))
    left, right = draw_pairs(pool, chance)
    steps = data[1:] ^ data[:-1]
    steps = steps[steps.any(axis=1)]
    flips = np.unpackbits(steps, axis=1, bitorder="little").mean(axis=0) if len(steps) else np.zeros(data.shape[1] * 8)
    bits = np.unpackbits(unique[pool], axis=1, bitorder="little")
    ones = bits.mean(axis=0)
    rarely = max(RARELY, 1.5 / len(pool))  # one payload alone may be damaged
    moving_bits = np.packbits(np.minimum(ones, 1 - ones) > rarely, bitorder="little")
    usual = np.packbits(ones > 0.5, bitorder="little")
    moves = (moving_bits != 0) | ((unique[pool] != usual).mean(axis=0) > rarely)
    counters = _counters(data, moving_bits)
    return Sample(data, unique, counts, inverse, pool, left, right, moves, moving_bits, flips, counters)


def draw_pairs(pool: NDArray[np.intp], chance: np.random.Generator) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Give up to `PAIRS` pairs of different members of `pool`."""
    if len(pool) < 2:
        return pool[:0], pool[:0]
    ahead = chance.integers(0, len(pool), PAIRS)
    behind = (ahead + chance.integers(1, len(pool), PAIRS)) % len(pool)
    return pool[ahead], pool[behind]


def _counters(data: NDArray[np.uint8], moving_bits: NDArray[np.uint8]) -> dict[Field, float]:
    """Nibbles that go on by the same odd step from frame to frame, modulo 15 or 16."""
    values = Payloads(data)
    found = {}
    for place in range(data.shape[1] * 2):
        nibble = Field(place * 4, 4)
        if not moving_bits[place // 2] & (128 if place % 2 else 8):
            continue
        column = values.field(nibble)
        steps = np.bincount(np.diff(column) % 16, minlength=16) / max(len(data) - 1, 1)
        usual = int(np.argmax(steps))
        if usual % 2 and steps[usual] >= _COUNTER_STEPS and len(np.unique(column)) >= _COUNTER_VALUES:
            found[nibble] = float(steps[usual])
    return found


def xor_rank(rows: NDArray[np.uint8]) -> int:
    """Give how many of the differences between `rows` (n x width) are independent, exclusive or being the sum."""
    rows = some_of(rows)
    basis: dict[int, int] = {}
    for number in map(int.from_bytes, rows[1:] ^ rows[:1]):
        left = number
        while left and left.bit_length() in basis:
            left ^= basis[left.bit_length()]
        if left:
            basis[left.bit_length()] = left
    return len(basis)


def some_of(rows: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Give `rows`, or some hundred spread evenly over them."""
    if len(rows) <= _RANK_ROWS:
        return rows
    return rows[np.linspace(0, len(rows) - 1, _RANK_ROWS).astype(np.intp)]
