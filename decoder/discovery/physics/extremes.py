"""Highest, lowest and mean of an array, told beside it: numbers that always lie within its band."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.discovery.natural_scales import scales_of

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from decoder.discovery.natural_scales import NaturalScale
    from decoder.discovery.physics.array_meanings import Meaning
    from decoder.discovery.physics.like_fields import LikeFields
    from decoder.discovery.physics.singles import Single

_FEWEST_INSTANTS: Final = 3
_NEARLY_ALWAYS: Final = 0.97
_MOVED_STEPS: Final = 3.0
_SOME_NOISE: Final = {"cell voltage": 0.002, "module temperature": 0.3}


@dataclass(frozen=True, eq=False, slots=True)
class Extreme:
    """A number that goes with an array.

    which : highest, lowest or mean; off : usual distance from it, in the quantity's unit
    correlation : of the movements, NaN where too little moves
    """

    single: Single
    which: str
    scale: float
    offset: float
    share: float
    off: float
    correlation: float
    row: int

    @property
    def weight(self) -> float:
        """How much speaks for it: log of the odds."""
        told = 0.5 if np.isnan(self.correlation) else 4.5 if self.correlation > 0.9 else 2.0
        return told + float(np.log(self.share / 0.1))


def extremes_of(number: int, row: LikeFields, meaning: Meaning, singles: Sequence[Single]) -> Iterator[Extreme]:
    """Give the numbers that tell the highest, lowest or mean member of a row, at the row's own scale or another."""
    own = row.cut_to(meaning.length)
    if own.table is None or meaning.quantity not in _SOME_NOISE:
        return
    values = own.table.raw * meaning.scale + meaning.offset
    bands = {"highest": values.max(axis=1), "lowest": values.min(axis=1), "mean": values.mean(axis=1)}
    for single in singles:
        inside = (own.table.time_s >= single.track.time_s[0]) & (own.table.time_s <= single.track.time_s[-1])
        if inside.sum() < _FEWEST_INSTANTS:
            continue
        raw = single.track.at(own.table.time_s[inside])
        best: Extreme | None = None
        for scale in scales_of(meaning.quantity):
            if not scale.bits[0] <= single.at.field.length or not single.shortest <= scale.bits[1]:
                continue
            for which, band in bands.items():
                one = _compared(number, single, scale, raw, which, band[inside], meaning)
                if one is not None and (best is None or one.weight - 50 * one.off > best.weight - 50 * best.off):
                    best = one
        if best is not None:
            yield best


def _compared(
    number: int,
    single: Single,
    scale: NaturalScale,
    raw: np.ndarray[tuple[int], np.dtype[np.float64]],
    which: str,
    band: np.ndarray[tuple[int], np.dtype[np.float64]],
    meaning: Meaning,
) -> Extreme | None:
    value = raw * scale.scale + scale.offset
    allowed = max(scale.scale, meaning.scale) + _SOME_NOISE[meaning.quantity]
    off = value - band
    if (
        abs(float(np.median(off))) > 0.6 * allowed
        or (np.abs(off) <= 3 * allowed + 0.3 * band.std()).mean() < _NEARLY_ALWAYS
    ):
        return None
    correlation = np.nan
    if band.std() > _MOVED_STEPS * max(scale.scale, meaning.scale) / 3:
        correlation = float(np.corrcoef(value, band)[0, 1]) if value.std() > 0 else 0.0
        if correlation < 0.5:
            return None
    return Extreme(
        single, which, scale.scale, scale.offset, scale.share, abs(float(np.median(off))), correlation, number
    )
