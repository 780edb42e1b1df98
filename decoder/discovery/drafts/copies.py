"""Arrays that carry the same cells as another one: once broadcast and once in answers, say, in other steps.

Cells differ by a few millivolts from one another, and go on doing so. Where the differences of one array are found
again in the other, cell by cell from some cell on, and nowhere else as well, the two carry the same cells.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from decoder.discovery.field_at import Sampled
    from decoder.discovery.inference import ArrayClaim

# Fewer cells can look alike by chance.
_FEWEST: Final = 4
_MOST_TIMES: Final = 200
# What may be left of the differences, as a share of them, where both are the same cells, beside the values' steps; how
# much more than that it must be anywhere else. Common practice, no source.
_LEFT: Final = 0.35
_ELSEWHERE: Final = 1.1
# Steps this much coarser than the cells differ hide what tells them apart. Common practice, no source.
_COARSE: Final = 1.05


@dataclass(frozen=True, slots=True)
class Copy:
    """An array carries the cells of array `of`, from that one's member `shift` + 1 on."""

    of: int
    shift: int


def copies_among(arrays: Sequence[ArrayClaim], sampled: Sampled) -> dict[int, Copy]:
    """Give, by their number, the arrays that carry the same cells as a larger one, or as an equal one before them."""
    found: dict[int, Copy] = {}
    order = sorted(range(len(arrays)), key=lambda at: (-len(arrays[at].members), at))
    originals: list[int] = []
    for at in order:
        for other in originals:
            shift = _shift(arrays[at], arrays[other], sampled)
            if shift is not None:
                found[at] = Copy(other, shift)
                break
        else:
            originals.append(at)
    return found


def _shift(small: ArrayClaim, large: ArrayClaim, sampled: Sampled) -> int | None:
    """Give from which member on the larger array carries the cells of the smaller one, ``None`` if it does not."""
    if len(small.members) < _FEWEST:
        return None
    first = small.members[0].at
    times = sampled.raw(first)[0]
    if not len(times):
        return None
    times = np.sort(times)[np.linspace(0, len(times) - 1, min(len(times), _MOST_TIMES)).astype(int)]
    some, others = _values(small, sampled, times), _values(large, sampled, times)
    spread_v = _spread(some if abs(small.scale) <= abs(large.scale) else others)
    steps_v = float(np.hypot(small.scale, large.scale)) / np.sqrt(12)  # standard deviation of a rounded value
    if not steps_v <= _COARSE * spread_v:
        return None
    most_v = float(np.hypot(_LEFT * spread_v, steps_v))
    shifts = range(len(large.members) - len(small.members) + 1)
    left_v = np.array([_left(some, others[shift : shift + len(some)]) for shift in shifts])
    best = int(left_v.argmin())
    rest_v = np.delete(left_v, best)
    if not left_v[best] <= most_v or (len(rest_v) and rest_v.min() < _ELSEWHERE * max(most_v, float(left_v[best]))):
        return None
    return best


def _spread(values: NDArray[np.float64]) -> float:
    """Give by how much cells differ, as a standard deviation."""
    both = np.isfinite(values).all(axis=0)
    return float(np.std(_apart(values[:, both]))) if both.any() else 0.0


def _left(some: NDArray[np.float64], others: NDArray[np.float64]) -> float:
    """Give what is left of the cells' differences when those of the others are taken off, as a standard deviation."""
    both = np.isfinite(some).all(axis=0) & np.isfinite(others).all(axis=0)
    return float(np.std(_apart(some[:, both]) - _apart(others[:, both]))) if both.any() else np.inf


def _apart(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Give by how much each cell lies above the mean of all, usually."""
    apart: NDArray[np.float64] = np.median(values - values.mean(axis=0), axis=1)
    return apart


def _values(one: ArrayClaim, sampled: Sampled, times: NDArray[np.int64]) -> NDArray[np.float64]:
    """Give for each member its latest value at each time, NaN before the first and where all bits are set."""
    rows = []
    for member in one.members:
        time_ns, raw = sampled.raw(member.at)
        order = np.argsort(time_ns, kind="stable")
        value = raw[order].astype(np.float64) * one.scale + one.offset
        value[raw[order] == member.at.field.all_ones] = np.nan
        at = np.searchsorted(time_ns[order], times, side="right") - 1
        rows.append(np.where(at >= 0, value[np.maximum(at, 0)], np.nan) if len(value) else np.full(len(times), np.nan))
    return np.array(rows)
