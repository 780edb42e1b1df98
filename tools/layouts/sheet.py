"""The sheet on which one identifier is laid out: its bits over time, and what its engineer meant them to be."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from decoder.bits import Field
from tools.layouts.truth import Draft

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from decoder.bits import ByteOrder
    from decoder.discovery.proposal import Kind, Selector
    from tools.layouts.habits import Habits
    from tools.layouts.pack_world import World


@dataclass(eq=False)
class Sheet:
    """One identifier while it is being laid out and filled.

    shape : dice of the layout; siblings have the same
    life : dice of the values
    time_s : float64, n: when each frame is sent
    waking : n: the frames in which nothing is available yet
    bits : uint8, n x 64: column k is DBC bit number k
    """

    shape: np.random.Generator
    life: np.random.Generator
    habits: Habits
    world: World
    time_s: NDArray[np.float64]
    waking: NDArray[np.bool_]
    length: int
    bits: NDArray[np.uint8] = field(init=False)
    drafts: list[Draft] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.bits = np.full((len(self.time_s), 8 * self.length), self.habits.fill, np.uint8)

    @property
    def data(self) -> NDArray[np.uint8]:
        """Payloads, n x length. `packbits` counts bits within a byte as DBC does."""
        return np.packbits(self.bits, axis=1, bitorder="little")

    def put(
        self,
        place: Field,
        kind: Kind,
        raw: NDArray[np.int64] | int,
        under: Selector | None = None,
        rows: NDArray[np.bool_] | None = None,
        form: str = "",
    ) -> None:
        """Lay out a field and fill it: raw values of all frames, kept in `rows` (default: all)."""
        column = np.broadcast_to(np.asarray(raw, np.int64), len(self.time_s))
        rows = np.ones(len(self.time_s), bool) if rows is None else rows
        for significance, bit in enumerate(place.bit_numbers()):
            self.bits[rows, bit] = (column[rows] >> significance) & 1
        self.drafts.append(Draft(place, kind, under, form))

    def available(self, raw: NDArray[np.int64], bits: int) -> NDArray[np.int64]:
        """Give raw values that are 'not available' (all ones) while the controller wakes."""
        return np.where(self.waking, (1 << bits) - 1, raw)


def field_at(position: int, length: int, order: ByteOrder, *, signed: bool = False) -> Field:
    """Give the field that begins `position` bits into the frame, counted as its byte order counts.

    Big-endian: from bit 7 of byte 0 down, as sent. Little-endian: from bit 0 of byte 0 up. Both agree at byte borders.
    """
    start = position if order == "little" else position // 8 * 8 + 7 - position % 8
    return Field(start, length, order, signed)
