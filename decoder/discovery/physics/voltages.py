"""Kirchhoff: the voltages of all cells in series add up to the pack's, and the link's follows it once it is joined.

A number is held against the sum of a row of cells, at the same instants: in value, at a natural scale, and in movement.
What a controller's own sensors do wrong is allowed for: 0.3 % and a step (common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.discovery.natural_scales import scales_of

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from decoder.discovery.physics.array_meanings import Meaning
    from decoder.discovery.physics.like_fields import LikeFields
    from decoder.discovery.physics.singles import Single

_GAIN: Final = 0.003
_STEPS: Final = 0.6
_OWN_V: Final = 0.3
_FOLLOWS: Final = 0.9  # correlation
_MOVED_STEPS: Final = 3.0  # of the number, from which on following can be told
_SAME_INSTANTS: Final = 8
_JOINED: Final = 0.1  # of the time at least, the link is at the pack's voltage,
_APART: Final = 0.02  # and so much of it far below
_LOW: Final = 0.6  # of the pack's voltage
_NEAR: Final = 0.02
_MOST_SUMS: Final = 12


@dataclass(frozen=True, eq=False, slots=True)
class Sum:
    """The sum of one row of cells, or of several: at `time_s`, in V."""

    rows: tuple[int, ...]
    meanings: tuple[Meaning, ...]
    time_s: NDArray[np.float64]
    volt: NDArray[np.float64]
    cells: int


@dataclass(frozen=True, eq=False, slots=True)
class Match:
    """A number that goes with a sum.

    off : usual distance, as a share; correlation : of the movements, NaN where too little moves; moved : steps
    link : it was far below for a time
    """

    single: Single
    scale: float
    offset: float
    sum: Sum
    off: float
    correlation: float
    moved: float
    share: float
    link: bool = False

    @property
    def weight(self) -> float:
        """How much it speaks for the sum and the number: log of the odds."""
        told = 5.0 if self.correlation >= _FOLLOWS else 2.0
        if self.link:
            told = 6.0
        return told + float(np.log(self.share / 0.1)) - 0.5 * (self.off / (_GAIN / 2)) ** 2 / 4


def sums_of(rows: Sequence[LikeFields], meanings: Sequence[Sequence[Meaning]]) -> list[Sum]:
    """Give the sums of rows that may be cells, in each likely meaning, and of pairs of rows."""
    single: list[Sum] = []
    for number, (row, some) in enumerate(zip(rows, meanings, strict=True)):
        cells = [one for one in some if one.quantity in {"cell voltage", "module voltage"}]
        for meaning in cells[:4]:
            if cells[0].weight - meaning.weight < 9 and len(row) >= 2:
                made = _sum(number, row.cut_to(meaning.length), meaning)
                single += [] if made is None else [made]
    single.sort(key=lambda one: -one.meanings[0].weight - one.cells)
    pairs = [
        two
        for first, second in combinations([one for one in single if one.cells >= 12][:_MOST_SUMS], 2)
        if (two := _added(first, second)) is not None
    ]
    return single + pairs


def _sum(number: int, row: LikeFields, meaning: Meaning) -> Sum | None:
    if row.table is None:
        return None
    volt = row.table.raw.sum(axis=1) * meaning.scale + meaning.offset * len(row)
    return Sum((number,), (meaning,), row.table.time_s, volt, len(row))


def _added(first: Sum, second: Sum) -> Sum | None:
    if first.rows == second.rows or {first.meanings[0].quantity, second.meanings[0].quantity} != {"cell voltage"}:
        return None
    begin, end = max(first.time_s[0], second.time_s[0]), min(first.time_s[-1], second.time_s[-1])
    kept = (first.time_s >= begin) & (first.time_s <= end)
    if kept.sum() < _SAME_INSTANTS:
        return None
    time_s = first.time_s[kept]
    volt = first.volt[kept] + np.interp(time_s, second.time_s, second.volt)
    return Sum(first.rows + second.rows, first.meanings + second.meanings, time_s, volt, first.cells + second.cells)


def matches_of(sums: Sequence[Sum], singles: Sequence[Single]) -> list[Match]:
    """Give all numbers that go with a sum, at natural scales of pack and link voltages."""
    found: list[Match] = []
    for single in singles:
        for one in sums:
            found += _matches(single, one)
    return found


def _matches(single: Single, one: Sum) -> Iterator[Match]:
    time_s = one.time_s
    kept = (time_s >= single.track.time_s[0]) & (time_s <= single.track.time_s[-1])
    if kept.sum() < min(_SAME_INSTANTS, len(time_s)) or single.at.field.signed:
        return
    raw, volt = single.track.at(time_s[kept]), one.volt[kept]
    top = float(np.quantile(raw, 0.95))
    if top <= 0:
        return
    rough = float(np.quantile(volt, 0.95)) / top
    for row in scales_of("pack voltage"):
        if not 0.97 < rough / row.scale < 1.03 or not _fits(single, row.bits):
            continue
        value = raw * row.scale + row.offset
        match = _compared(single, one, value, volt, row.scale, row.share)
        if match is not None:
            yield match


def _fits(single: Single, bits: tuple[int, int]) -> bool:
    return bits[0] <= single.at.field.length and single.shortest <= bits[1]


def _compared(
    single: Single, one: Sum, value: NDArray[np.float64], volt: NDArray[np.float64], scale: float, share: float
) -> Match | None:
    allowed = _GAIN + (_STEPS * scale + _OWN_V) / float(np.median(volt))
    off = np.abs(value - volt) / volt
    moved = float(volt.std()) / scale
    low = value < _LOW * volt
    joined = off < _NEAR
    if low.mean() >= _APART and joined.mean() >= _JOINED and (low | joined).mean() > 0.85:
        if float(np.median(off[joined])) <= allowed:
            return Match(single, scale, 0.0, one, float(np.median(off[joined])), np.nan, moved, share, link=True)
        return None
    usual = float(np.median(off))
    if usual > allowed + 0.3 * float(np.median(np.abs(volt - np.median(volt)))) / float(np.median(volt)):
        return None
    if moved < _MOVED_STEPS:
        return Match(single, scale, 0.0, one, usual, np.nan, moved, share)
    correlation = float(np.corrcoef(value, volt)[0, 1]) if value.std() > 0 else 0.0
    if correlation < 0.6:
        return None
    return Match(single, scale, 0.0, one, usual, correlation, moved, share)
