"""Habits of those who lay out frames: each controller has its own, and keeps to them mostly.

Shares are those seen in captures of real packs where they are known; the rest is common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, TypeVar

if TYPE_CHECKING:
    from collections.abc import Mapping

    import numpy as np

    from decoder.bits import ByteOrder

T = TypeVar("T")

BIG_ENDIAN_SHARE: Final = 0.65
MIXED_SHARE: Final = 0.12  # controllers of which some frames hold both byte orders
PACKED_SHARE: Final = 0.35  # controllers that put numbers side by side instead of into slots of whole bytes
ONES_SHARE: Final = 0.2  # controllers that fill unused bits with ones

COUNTER_SHARE: Final = 0.18  # of the identifiers that are not made constant; one in five of those that change
CHECK_BESIDE_COUNTER: Final = 0.66
CHECK_ALONE: Final = 0.03
NOT_AVAILABLE_SHARE: Final = 0.35  # of the identifiers of a capture that begins with the wake-up

PERIODS_MS: Final = {10: 0.08, 20: 0.10, 50: 0.10, 100: 0.36, 200: 0.10, 500: 0.10, 1000: 0.16}
NUMBER_BITS: Final = {
    3: 1.5, 5: 2, 6: 2.5, 7: 4, 8: 30, 9: 2.5, 10: 5, 11: 5, 12: 9, 13: 3.5, 14: 2, 16: 23, 24: 3, 32: 3,
}  # fmt: skip
PACKED_BITS: Final = range(9, 15)  # are three times as frequent where numbers stand side by side
COUNTER_BITS: Final = {2: 0.1, 3: 0.08, 4: 0.62, 8: 0.2}
CELL_SCHEMES: Final = {"joined": 0.34, "pages": 0.28, "indexed": 0.16, "nested": 0.10, "none": 0.12}
FRAME_SORTS: Final = {
    "states": 0.36, "numbers": 0.33, "constant": 0.17, "temperatures": 0.05, "pages": 0.03, "text": 0.03, "noise": 0.03,
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Habits:
    """How one controller's frames are laid out."""

    byte_order: ByteOrder
    mixed: bool
    packed: bool
    fill: int
    counter_bits: int
    modulo_15: bool
    check_first: bool
    update_s: float  # how often measured values are taken anew

    def order_of_field(self, rng: np.random.Generator) -> ByteOrder:
        """Draw a field's byte order."""
        if self.mixed and rng.random() < 0.3:
            return "little" if self.byte_order == "big" else "big"
        return self.byte_order

    def bits_of_number(self, rng: np.random.Generator, most: int) -> int | None:
        """Draw a number's length, `most` bits at most; None if none is so short."""
        weights = {
            bits: weight * (3 if self.packed and bits in PACKED_BITS else 1)
            for bits, weight in NUMBER_BITS.items()
            if bits <= most
        }
        return pick(rng, weights) if weights else None


def draw_habits(rng: np.random.Generator) -> Habits:
    """Draw one controller's habits."""
    return Habits(
        byte_order="big" if rng.random() < BIG_ENDIAN_SHARE else "little",
        mixed=bool(rng.random() < MIXED_SHARE),
        packed=bool(rng.random() < PACKED_SHARE),
        fill=int(rng.random() < ONES_SHARE),
        counter_bits=pick(rng, COUNTER_BITS),
        modulo_15=bool(rng.random() < 0.5),
        check_first=bool(rng.random() < 0.4),
        update_s=float(rng.choice([0.01, 0.05, 0.1, 0.5, 1.0])),
    )


def pick(rng: np.random.Generator, weights: Mapping[T, float]) -> T:
    """Draw one of the keys, each with its weight."""
    keys = list(weights)
    total = sum(weights.values())
    return keys[int(rng.choice(len(keys), p=[weight / total for weight in weights.values()]))]
