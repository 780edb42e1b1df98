"""Rows of like fields worth a closer look: grids that differ in their upper bits only are one; the best are kept."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from decoder.discovery.physics.containers import in_bytes
from decoder.discovery.physics.grids import grids_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from decoder.bits import ByteOrder
    from decoder.discovery.field_at import FieldAt
    from decoder.discovery.physics.containers import Container, Family
    from decoder.discovery.physics.grids import Grid

_MOST_OF_A_FAMILY: Final = 60
_ALTERNATIVES: Final = 8  # rows that are looked at for the same bits
_MOST_SHARED: Final = 0.3  # of the bits of a row


@dataclass(frozen=True, slots=True)
class Row:
    """Like fields in order.

    grids : the same fields in several lengths, the longest first
    score : bits that closeness saves in all
    """

    grids: tuple[Grid, ...]
    score: float

    @property
    def family(self) -> Family:
        """Where it stands."""
        return self.grids[0].family

    @property
    def byte_order(self) -> ByteOrder:
        """The byte order of its members."""
        return self.grids[0].byte_order

    @property
    def cells(self) -> tuple[tuple[int, int], ...]:
        """Container and slot of each member."""
        return self.grids[0].cells

    @property
    def pages(self) -> int:
        """How many containers its members stand in, for each stream."""
        here = self.containers()
        return max(len(set(map(id, here))) // max(len({one.key for one in here}), 1), 1)

    def fields(self, length: int) -> tuple[FieldAt, ...]:
        """Name the members with so many bits."""
        return next(one for one in self.grids if one.length == length).fields

    def containers(self) -> list[Container]:
        """Give the container of each member."""
        return [self.family.containers[which] for which, _ in self.cells]


def rows_of(families: Iterable[Family]) -> list[Row]:
    """Give the rows of all families, those with the highest score first."""
    found: list[Row] = []
    for family in families:
        found += _best(_joined(list(grids_of(family))))
    return sorted(found, key=lambda row: -row.score)


def _joined(grids: Sequence[Grid]) -> list[Row]:
    """Join grids whose members have the same lowest bits."""
    alike: dict[tuple[str, frozenset[tuple[int, int]]], dict[int, Grid]] = {}
    for grid in grids:
        lowest = frozenset((container, _lowest(grid, slot)) for container, slot in grid.cells)
        known = alike.setdefault((grid.byte_order, lowest), {})
        if grid.length not in known or known[grid.length].gain < grid.gain:
            known[grid.length] = grid
    rows = []
    for lengths in alike.values():
        ordered = tuple(lengths[length] for length in sorted(lengths, reverse=True))
        rows.append(Row(ordered, max(one.gain * len(one.cells) for one in ordered)))
    return rows


def _lowest(grid: Grid, slot: int) -> int:
    """Give the position of a member's lowest bit."""
    begin = grid.first + grid.stride * slot
    return begin if grid.byte_order == "little" else begin + grid.length - 1


def _best(rows: Sequence[Row]) -> list[Row]:
    """Keep the better rows; of those that stand mostly in the bits of better ones, a few."""
    kept: list[Row] = []
    crowd: dict[tuple[int, int], int] = {}
    for row in sorted(rows, key=lambda one: -one.score):
        shared = _MOST_SHARED * row.grids[-1].length * len(row.cells)
        bits = [(container, bit) for container, slot in row.cells for bit in _bits(row.grids[-1], slot)]
        if len(kept) == _MOST_OF_A_FAMILY:
            break
        if sum(crowd.get(bit, 0) >= _ALTERNATIVES for bit in bits) > shared:
            continue
        kept.append(row)
        for container, slot in row.cells:
            for bit in _bits(row.grids[0], slot):
                crowd[container, bit] = crowd.get((container, bit), 0) + 1
    return kept


def _bits(grid: Grid, slot: int) -> tuple[int, ...]:
    return in_bytes(grid.byte_order, grid.first + grid.stride * slot, grid.length).bit_numbers()
