"""Scales and offsets that controllers use for each quantity, with how usual each is.

A row says: value = scale x raw + offset, in the quantity's unit. `half_range` stands for an unsigned field whose raw
value in the middle of its range means 0, as in 16 bits with 32768 for 0 A. `share` is how usual the row is among all of
its quantity's, before anything was seen; the shares of a quantity add up to 1. Common practice, no source; the shares
are rough.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final


@dataclass(frozen=True, slots=True)
class NaturalScale:
    """One row; `bits` are the shortest and the longest field that is met with it."""

    quantity: str
    scale: float
    offset: float
    share: float
    bits: tuple[int, int]
    half_range: bool = False

    def offset_of(self, length: int) -> float:
        """Give the offset for an unsigned field of `length` bits."""
        return self.offset - self.scale * (1 << length - 1) if self.half_range else self.offset


def _rows(
    quantity: str, rows: tuple[tuple[float, float, float, tuple[int, int]], ...], *, half_range: bool = False
) -> tuple[NaturalScale, ...]:
    return tuple(NaturalScale(quantity, scale, offset, share, bits, half_range) for scale, offset, share, bits in rows)


_TEMPERATURES = (
    (1.0, -40, 0.40, (7, 16)),
    (0.5, -40, 0.22, (8, 16)),
    (1.0, -50, 0.05, (8, 16)),
    (1.0, 0, 0.08, (8, 16)),
    (0.5, 0, 0.03, (8, 16)),
    (0.1, 0, 0.07, (10, 16)),
    (0.1, -40, 0.07, (10, 16)),
    (0.25, -40, 0.03, (9, 16)),
    (0.01, 0, 0.02, (14, 16)),
    (0.1, -273.15, 0.02, (12, 16)),
    (0.03125, -273, 0.01, (16, 16)),
)
_CURRENTS = (
    (0.1, 0, 0.40, (10, 24)),
    (0.01, 0, 0.15, (14, 32)),
    (0.02, 0, 0.05, (14, 24)),
    (0.05, 0, 0.07, (12, 24)),
    (0.025, 0, 0.04, (12, 24)),
    (0.125, 0, 0.04, (11, 16)),
    (0.25, 0, 0.05, (10, 16)),
    (0.5, 0, 0.06, (9, 16)),
    (1.0, 0, 0.09, (8, 16)),
    (0.001, 0, 0.05, (16, 32)),
)

_AS_COUNTED: Final[tuple[NaturalScale, ...]] = (
    *_rows(
        "cell voltage",
        (
            (0.001, 0, 0.50, (12, 16)),
            (0.0001, 0, 0.12, (15, 16)),
            (0.005, 0, 0.06, (10, 12)),
            (0.02, 0, 0.06, (8, 8)),
            (0.002, 0, 0.06, (11, 12)),
            (0.0015, 0, 0.05, (12, 12)),
            (0.01, 0, 0.05, (9, 10)),
            (0.02, 1.0, 0.01, (8, 8)),
            (0.01, 2.0, 0.01, (8, 8)),
            (0.001, 1.0, 0.01, (12, 12)),
            (5 / 4096, 0, 0.02, (12, 12)),
            (1 / 1024, 0, 0.02, (13, 13)),
            (5 / 65536, 0, 0.02, (16, 16)),
            (0.0005, 0, 0.01, (13, 14)),
        ),
    ),
    *_rows("module voltage", ((0.001, 0, 0.4, (14, 24)), (0.01, 0, 0.4, (12, 16)), (0.1, 0, 0.2, (8, 16)))),
    *(
        row
        for name in ("pack voltage", "link voltage")
        for row in _rows(
            name,
            (
                (0.1, 0, 0.45, (12, 16)),
                (0.01, 0, 0.12, (15, 24)),
                (0.05, 0, 0.05, (13, 16)),
                (0.125, 0, 0.05, (12, 16)),
                (0.25, 0, 0.08, (11, 16)),
                (0.5, 0, 0.10, (10, 16)),
                (1.0, 0, 0.08, (9, 16)),
                (2.0, 0, 0.04, (8, 8)),
                (0.001, 0, 0.03, (19, 32)),
            ),
        )
    ),
    *_rows("pack current", _CURRENTS),
    *_rows("pack current", tuple((scale, 0, share / 2, bits) for scale, _, share, bits in _CURRENTS), half_range=True),
    *_rows(
        "pack current",
        (
            (0.1, -1000, 0.03, (14, 16)),
            (0.1, -500, 0.03, (13, 16)),
            (0.1, -400, 0.02, (13, 16)),
            (0.1, -3200, 0.01, (16, 16)),
            (1.0, -500, 0.02, (10, 16)),
            (1.0, -1000, 0.01, (11, 16)),
        ),
    ),
    *_rows(
        "state of charge",
        (
            (0.5, 0, 0.30, (8, 8)),
            (0.1, 0, 0.20, (10, 16)),
            (1.0, 0, 0.15, (7, 8)),
            (0.4, 0, 0.08, (8, 8)),
            (100 / 255, 0, 0.03, (8, 8)),
            (0.25, 0, 0.05, (9, 10)),
            (0.01, 0, 0.10, (14, 16)),
            (0.05, 0, 0.03, (11, 16)),
            (0.025, 0, 0.02, (12, 16)),
            (0.002, 0, 0.02, (16, 16)),
            (0.2, 0, 0.01, (9, 9)),
            (100 / 65535, 0, 0.01, (16, 16)),
        ),
    ),
    *_rows(
        "state of health",
        ((1.0, 0, 0.4, (7, 8)), (0.5, 0, 0.3, (8, 8)), (0.1, 0, 0.15, (10, 16)), (0.01, 0, 0.15, (14, 16))),
    ),
    *(
        row
        for name in ("cell temperature", "module temperature", "coolant temperature")
        for row in _rows(name, _TEMPERATURES)
    ),
    *_rows(
        "insulation resistance",
        (
            (1.0, 0, 0.5, (10, 24)),
            (10.0, 0, 0.15, (8, 16)),
            (5.0, 0, 0.15, (9, 16)),
            (0.1, 0, 0.1, (14, 32)),
            (0.001, 0, 0.1, (20, 32)),
        ),
    ),
    *(
        row
        for name in ("supply voltage", "keep-alive voltage")
        for row in _rows(
            name,
            (
                (0.1, 0, 0.35, (8, 16)),
                (0.01, 0, 0.15, (11, 16)),
                (0.001, 0, 0.15, (14, 16)),
                (0.05, 0, 0.12, (8, 16)),
                (0.02, 0, 0.06, (10, 16)),
                (0.0625, 0, 0.05, (8, 16)),
                (0.2, 0, 0.05, (7, 8)),
                (0.08, 0, 0.03, (8, 8)),
                (0.005, 0, 0.04, (12, 16)),
            ),
        )
    ),
    *_rows(
        "swelling pressure",
        ((0.1, 0, 0.4, (9, 16)), (1.0, 0, 0.3, (7, 16)), (0.5, 0, 0.2, (8, 16)), (0.01, 0, 0.1, (13, 16))),
    ),
    *_rows(
        "power limit",
        (
            (0.1, 0, 0.35, (10, 16)),
            (1.0, 0, 0.2, (8, 16)),
            (0.5, 0, 0.1, (8, 16)),
            (0.25, 0, 0.1, (9, 16)),
            (0.01, 0, 0.15, (13, 16)),
            (0.05, 0, 0.05, (11, 16)),
            (0.025, 0, 0.05, (12, 16)),
        ),
    ),
    *_rows("current limit", ((0.1, 0, 0.4, (12, 16)), (1.0, 0, 0.4, (8, 16)), (0.5, 0, 0.2, (10, 16)))),
)


def _whole(rows: tuple[NaturalScale, ...]) -> tuple[NaturalScale, ...]:
    """Make the shares of each quantity add up to 1."""
    total: dict[str, float] = {}
    for row in rows:
        total[row.quantity] = total.get(row.quantity, 0.0) + row.share
    return tuple(replace(row, share=row.share / total[row.quantity]) for row in rows)


NATURAL_SCALES: Final[tuple[NaturalScale, ...]] = _whole(_AS_COUNTED)


def scales_of(quantity: str) -> tuple[NaturalScale, ...]:
    """Give the rows of one quantity, most usual first; none for a quantity that is no number."""
    return tuple(sorted((row for row in NATURAL_SCALES if row.quantity == quantity), key=lambda row: -row.share))
