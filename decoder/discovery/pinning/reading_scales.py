"""Which scales and offsets a label's field may have: rows of the natural scales, both ways round where that is met."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.discovery.natural_scales import NaturalScale, scales_of

if TYPE_CHECKING:
    from decoder.discovery.pinning.reading_errors import LabelReadings

_COUNTED_BACK: Final = 0.35  # share of controllers that count current the other way; common practice, no source
_BACKWARD: Final = frozenset({"pack current"})
_NEGATIVE: Final = frozenset(
    {"pack current", "cell temperature", "module temperature", "coolant temperature", "power limit", "current limit"}
)


@dataclass(frozen=True, slots=True)
class Scale:
    """One row: value = scale x raw + offset.

    share : the belief in it before anything was searched
    fitted : it is none of the natural ones
    """

    quantity: str
    scale: float
    offset: float
    share: float
    bits: tuple[int, int]
    half_range: bool
    signed: bool
    fitted: bool = False

    def offset_of(self, length: int) -> float:
        """Give the offset for a field of `length` bits."""
        return self.offset - self.scale * (1 << length - 1) if self.half_range else self.offset


def scales_for(label: LabelReadings) -> list[Scale]:
    """Give the rows that a label's field may have."""
    found = []
    for quantity, belief in label.quantities.items():
        rows = scales_of(quantity)
        whole = sum(row.share for row in rows)
        for row in rows:
            share = belief * row.share / whole
            for turned in (False, True) if quantity in _BACKWARD else (False,):
                way = (_COUNTED_BACK if turned else 1 - _COUNTED_BACK) if quantity in _BACKWARD else 1.0
                found += _signs(label, row, share * way, turned=turned)
    return found


def _signs(label: LabelReadings, row: NaturalScale, share: float, *, turned: bool) -> list[Scale]:
    """Give a row for unsigned fields, and for two's complement where the readings need it."""
    way = -1.0 if turned else 1.0
    scale, offset = way * row.scale, way * row.offset
    raw = (label.value - offset) / scale
    result = []
    if row.half_range or float(np.median(raw)) > -0.5:
        result.append(Scale(row.quantity, scale, offset, share, row.bits, row.half_range, signed=False))
    if not row.half_range and row.offset == 0 and row.quantity in _NEGATIVE and bool((raw < 0).any()):
        result.append(Scale(row.quantity, scale, offset, share, row.bits, half_range=False, signed=True))
    return result
