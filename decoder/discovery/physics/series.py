"""The members of a row side by side: their raw values at common instants."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from decoder.discovery.field_at import FieldAt, Sampled

_MOST_INSTANTS: Final = 240
_FEW_ASLEEP: Final = 2
_WAKING: Final = 2  # all ones, and all ones less one


@dataclass(frozen=True, eq=False, slots=True)
class Track:
    """One field without what means 'not available'.

    time_s : float64, n, from the capture's first payload; raw : float64, n
    absent : how many values were left out
    """

    time_s: NDArray[np.float64]
    raw: NDArray[np.float64]
    absent: int = 0

    def __len__(self) -> int:
        return len(self.raw)

    def at(self, time_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Give the raw value at any times, between samples on the straight line."""
        return np.interp(time_s, self.time_s, self.raw)


def track_of(sampled: Sampled, at: FieldAt) -> Track:
    """Give a field as a track; all ones and all ones less one are left out where other values come."""
    time_ns, raw = sampled.raw(at)
    values = raw.astype(np.int64)
    kept = np.ones(len(values), np.bool_)
    if at.field.length > 4 and len(values):
        ones = (1 << at.field.length) - 1
        kept = (values & ones) < ones + 1 - _WAKING if not at.field.signed else _awake(values)
        kept = kept if kept.any() else np.ones(len(values), np.bool_)
    time_s = (time_ns[kept] - sampled.first_ns) / 1e9
    order = np.argsort(time_s, kind="stable")  # recorders' clocks jump back
    return Track(time_s[order], values[kept][order].astype(np.float64), int(len(values) - kept.sum()))


def _awake(values: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Leave out -1 of a signed field up to where it first is something else, where it comes often enough there."""
    first = int(np.argmax(values != -1)) if (values != -1).any() else 0
    kept = np.ones(len(values), np.bool_)
    kept[:first] = first < _FEW_ASLEEP
    return kept


@dataclass(frozen=True, eq=False, slots=True)
class Table:
    """Raw values of like fields, instants x members, at `time_s`; `stale_s` is how far apart samples usually lie."""

    time_s: NDArray[np.float64]
    raw: NDArray[np.float64]
    stale_s: float

    @property
    def usual(self) -> NDArray[np.float64]:
        """The median of each member."""
        return np.asarray(np.median(self.raw, axis=0))

    @property
    def common(self) -> NDArray[np.float64]:
        """The mean of all members at each instant, without the odd ones."""
        off = self.raw - self.usual
        return np.asarray(np.median(off, axis=1) + self.usual.mean())

    @property
    def rest(self) -> NDArray[np.float64]:
        """What is left of each member without its own level and the common movement."""
        off = self.raw - self.usual
        return np.asarray(off - np.median(off, axis=1)[:, None])


def table_of(tracks: Sequence[Track], most: int = _MOST_INSTANTS) -> Table | None:
    """Put tracks side by side, at instants that all of them cover; ``None`` where there are none such."""
    if not tracks or any(len(one) < 2 for one in tracks):
        return None
    begin, end = max(one.time_s[0] for one in tracks), min(one.time_s[-1] for one in tracks)
    if end <= begin:
        return None
    often = int(np.median([len(one) for one in tracks]))
    time_s = np.linspace(begin, end, int(np.clip(often, 3, most)))
    raw = np.stack([one.at(time_s) for one in tracks], axis=1)
    return Table(time_s, raw, float((end - begin) / max(often - 1, 1)))
