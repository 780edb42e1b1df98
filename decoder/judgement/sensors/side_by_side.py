"""Sensors side by side at even times."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.channels.states import STALE_CYCLES, cycle_s

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from decoder.channels import Series

_MOST_ROWS: Final = 10_000


@dataclass(frozen=True, slots=True, eq=False)
class SideBySide:
    """The latest value of each sensor at even times.

    time_ns : int64, k, rising
    value : float64, k x sensors, in the unit of the quantity; NaN where absent, not yet there, or older than five
        cycle times
    """

    sensors: tuple[Series, ...]
    time_ns: NDArray[np.int64]
    value: NDArray[np.float64]


def side_by_side(sensors: Sequence[Series]) -> SideBySide:
    """Line up sensors (one or more, each with a sample) at no more than ten thousand times."""
    times = [one.rising_ns for one in sensors]
    first, last = min(int(one[0]) for one in times), max(int(one[-1]) for one in times)
    cycles = [cycle_s(one) for one in times]
    known = [cycle for cycle in cycles if cycle]
    rows = min(int((last - first) / 1e9 / float(np.median(known))) + 1, _MOST_ROWS) if known else 1
    # From the last time backwards: there every sensor has been heard, at the first only one.
    back_ns = (np.arange(rows)[::-1] * ((last - first) / max(rows - 1, 1))).astype(np.int64)
    time_ns = last - back_ns
    value = np.full((rows, len(sensors)), np.nan)
    for column, (series, own_ns, cycle) in enumerate(zip(sensors, times, cycles, strict=True)):
        index = np.searchsorted(own_ns, time_ns, side="right") - 1
        fresh = index >= 0
        if cycle:
            fresh &= time_ns - own_ns[np.maximum(index, 0)] <= int(cycle * STALE_CYCLES * 1e9)
        value[fresh, column] = series.in_quantity_unit[index[fresh]]
    return SideBySide(tuple(sensors), time_ns, value)
