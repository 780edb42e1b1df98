"""What a number does beside its siblings: numbers that say much the same, as cells do, lose what they have in common.

A cell that is loaded sags by less than all cells do when the pack drives; against the others it stands out.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.discovery.contrasting.contrast_fields import Table

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

# Common practice, no source.
_FEWEST: Final = 5  # siblings
_NEXT_STEPS, _NEXT_SHARE = 2.0, 0.01  # from one sibling's usual value to the next one's at most, whichever is more
_FAR_STEPS, _FAR_SHARE = 12.0, 0.15  # from the middle one's to any other's
_SHORT_BITS: Final = 8  # fields up to here and longer ones are no siblings
_FEWEST_BITS: Final = 5
_GRID_S: Final = 0.1
_MOST_MOMENTS: Final = 4000
_QUIET_STEPS: Final = 0.5  # of the common movement, below which it is taken off as it is


@dataclass(frozen=True, slots=True)
class _Column:
    """A number: where it stands, and its usual value."""

    table: int
    column: int
    length: int
    usual: float


def beside_siblings(tables: Sequence[Table]) -> Iterator[tuple[Table, ...]]:
    """Give the numbers that have siblings, less what these have in common, group by group."""
    for members in _siblings(tables):
        moments, common = _common(tables, members)
        group = []
        for number, columns in _by_table(members).items():
            table = tables[number]
            shared = np.interp(table.time_s, moments, common)
            values = [table.values[:, column] - _followed(table.values[:, column], shared) for column in columns]
            fields = tuple(table.fields[column] for column in columns)
            group.append(Table(fields, table.time_s, np.column_stack(values)))
        yield tuple(group)


def _by_table(members: Sequence[_Column]) -> dict[int, list[int]]:
    columns: dict[int, list[int]] = {}
    for one in members:
        columns.setdefault(one.table, []).append(one.column)
    return columns


def _siblings(tables: Sequence[Table]) -> Iterator[list[_Column]]:
    """Give numbers that lie close together, group by group."""
    columns = [
        _Column(number, column, at.field.length, float(np.nanmedian(table.values[:, column])))
        for number, table in enumerate(tables)
        for column, at in enumerate(table.fields)
        if at.field.length >= _FEWEST_BITS and np.isfinite(table.values[:, column]).any()
    ]
    for short in (True, False):
        some = sorted((one for one in columns if (one.length <= _SHORT_BITS) == short), key=lambda one: one.usual)
        if not some:
            continue
        usual = np.array([one.usual for one in some])
        apart = np.diff(usual) > np.maximum(_NEXT_STEPS, _NEXT_SHARE * np.abs(usual[1:]))
        for part in np.split(np.arange(len(some)), np.flatnonzero(apart) + 1):
            middle = float(np.median(usual[part]))
            near = part[np.abs(usual[part] - middle) <= max(_FAR_STEPS, _FAR_SHARE * abs(middle))]
            if len(near) >= _FEWEST:
                yield [some[place] for place in near.tolist()]


def _common(tables: Sequence[Table], members: Sequence[_Column]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Give moments, and the median of how far the members are from their usual values."""
    first = min(float(tables[one.table].time_s[0]) for one in members)
    last = max(float(tables[one.table].time_s[-1]) for one in members)
    moments = np.linspace(first, last, min(_MOST_MOMENTS, max(2, int((last - first) / _GRID_S) + 1)))
    moved = np.empty((len(members), len(moments)))
    for row, one in enumerate(members):
        table = tables[one.table]
        values = table.values[:, one.column]
        there = np.isfinite(values)
        moved[row] = np.interp(moments, table.time_s[there], values[there] - one.usual)
    return moments, np.median(moved, axis=0)


def _followed(values: NDArray[np.float64], common: NDArray[np.float64]) -> NDArray[np.float64]:
    """Give how a number follows the common movement: a little more or less than the others, each in its own measure."""
    there = np.isfinite(values)
    own, others = values[there] - np.median(values[there]), common[there] - np.median(common[there])
    doubt = len(own) * _QUIET_STEPS**2
    share = (float(own @ others) + doubt) / (float(others @ others) + doubt)
    return common * float(np.clip(share, 0.0, 2.0))
