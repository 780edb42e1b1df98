"""How likely a change would be where nothing was done: counted in spans away from the marks.

A span counts for a field by the largest change in it. The chance of a change as large as one at a mark is

- (k + 1/2) / (spans + 1), where the field itself had k spans away from marks with one as large;
- where it had none, what all fields of its kind show: of all spans of fields that had no other such span, the share
  that had one (each span foretold from all others of its field). Beyond the largest changes that were ever counted
  it falls with a power of the size, as heavy tails do, but not below what so many spans can bear.

A chance p is worth log(s) + (s - 1) log(p) with s = 0.15: on average 1 where nothing was done, whatever p is (Vovk and
Wang 2021, Annals of Statistics 49, calibrators of p-values; from memory), so marks may be multiplied, and a mark at
which nothing happened counts against.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Array = NDArray[np.float64]

_SHARPNESS: Final = 0.15
_COUNTED: Final = 4  # largest changes that are left to the tail
_TAIL: Final = (2.0, 6.0)  # powers that a tail may have; common practice, no source
_LEAST_ANCHOR: Final = 3.0  # usual sizes, from which there is a tail: below are the changes of noise
_BORNE: Final = 2.0  # power of the number of spans, that the least chance falls with
# What a number does is known by its own spans too, for others may all move at the same moments: powers of the chance by
# its own spans without such a change, and of that by all fields, that its chance has at least.
OWN_RECORD: Final = 2.5
_SHARED: Final = 0.3
_NOTED_S: Final = 1.2  # how far a person's marks are off, a standard deviation; common practice, no source
_AS_LARGE: Final = 0.75  # of a change at a mark, from which one of the same field is as large: noise makes them differ
_CHANGED: Final = 1.0  # usual size, below which nothing changed


@dataclass(frozen=True, eq=False)
class Usual:
    """What fields of one kind do away from marks.

    largest, second : float64, fields: the largest and the second largest change of each in its spans
    spans : float64, fields: how many spans each has
    resting : spans of fields that never change, all together
    own_record : how far a field's own spans are to be trusted beyond those of all, see `OWN_RECORD`; 0: not at all
    """

    largest: Array
    second: Array
    spans: Array
    resting: float = 0.0
    own_record: float = 0.0

    @cached_property
    def _ordered(self) -> tuple[Array, Array, Array]:
        """Largest and second largest changes, rising, and the spans of all fields below each place of the first."""
        order = np.argsort(self.largest, kind="stable")
        return self.largest[order], np.sort(self.second), np.concatenate([[0.0], np.cumsum(self.spans[order])])

    def _counted(self, size: Array) -> Array:
        """Give the share of spans with a change as large, among those of fields that have no other."""
        largest, second, below = self._ordered
        smaller = np.searchsorted(largest, size)  # fields without such a span
        once = np.searchsorted(second, size) - smaller
        return (once + 0.5) / (below[smaller] + self.resting + once + 1.0)

    @cached_property
    def _envelope(self) -> Array:
        """Give the largest chance of a change as large as each of the largest, or larger."""
        largest: Array = np.maximum.accumulate(self._counted(self._ordered[0])[::-1])[::-1]
        return largest

    def _chance(self, size: Array) -> Array:
        """Give the chance as counted; never smaller than that of a larger change."""
        place = np.searchsorted(self._ordered[0], size)
        chance: Array = np.maximum(self._counted(size), np.append(self._envelope, 0.0)[place])
        return chance

    def chance(self, size: Array) -> Array:
        """Give the chance of a change as large in a span of a field that has no other such span."""
        top = self._ordered[0][-_COUNTED:]
        anchor = max(_LEAST_ANCHOR, float(top[0])) if len(top) == _COUNTED else _LEAST_ANCHOR
        hill = float(np.mean(np.log(np.maximum(top, anchor) / anchor))) if len(top) else 0.0
        power = float(np.clip(1 / hill if hill > 0 else _TAIL[1], *_TAIL))
        least = 0.5 * (float(self.spans.sum()) + self.resting + 1.0) ** -_BORNE
        return np.clip(self._chance(np.minimum(size, anchor)) * np.maximum(size / anchor, 1.0) ** -power, least, 1.0)


def usual_of(away: Sequence[Array], *, resting: float = 0.0, own_record: float = 0.0) -> Usual:
    """Sum up tables of spans x fields, NaN where a span does not count."""
    largest, second, spans = [], [], []
    for one in away:
        none = np.zeros((2, one.shape[1]))
        ordered = np.sort(np.vstack([none, np.where(np.isnan(one), 0.0, np.maximum(one, 0.0))]), axis=0)
        largest.append(ordered[-1])
        second.append(ordered[-2])
        spans.append((~np.isnan(one)).sum(axis=0).astype(np.float64))
    return Usual(np.concatenate(largest), np.concatenate(second), np.concatenate(spans), resting, own_record)


def chances(usual: Usual, away: Array, at_marks: Array) -> Array:
    """Give the chance of what is seen at each mark, marks x fields.

    away : spans x fields, the largest change in each span away from marks, NaN where none counts
    at_marks : marks x fields, NaN where the field was not heard
    """
    there = ~np.isnan(away)
    spans = there.sum(axis=0)
    ordered = np.sort(np.where(there, away, -np.inf), axis=0)
    smaller = [
        np.searchsorted(ordered[:, column], _AS_LARGE * at_marks[:, column]) for column in range(at_marks.shape[1])
    ]
    as_large = len(away) - np.stack(smaller, axis=1)
    by_all = usual.chance(np.nan_to_num(at_marks))
    own = (as_large + 0.5) / (spans + 1.0)
    if usual.own_record:
        without = np.minimum(1.0, 1 / (spans + 0.5)) ** usual.own_record
        by_all = np.maximum(by_all, without * by_all**_SHARED)
    chance = np.where(as_large > 0, np.maximum(own, by_all), by_all)
    chance = np.where(at_marks >= _CHANGED, chance, 1.0)
    return np.where(np.isnan(at_marks), np.nan, chance)


def worth(chance: Array) -> Array:
    """Give the logarithm of how much more likely what is seen is where something was done."""
    ratio: Array = np.log(_SHARPNESS) + (_SHARPNESS - 1) * np.log(chance)
    return ratio


def timing(delay_s: Array, period_s: float, width_s: float) -> Array:
    """Give the logarithm of how much likelier a delay is where a mark is behind a change, against any in the span.

    Persons note most marks closer than the farthest they may be off, and what comes every `period_s` comes later.
    """
    spread_s = _NOTED_S + period_s / 2
    off = (delay_s - period_s / 2) / spread_s
    ratio: Array = np.log(width_s / (spread_s * np.sqrt(2 * np.pi))) - off**2 / 2
    return ratio
