"""Fields that a contrast compares, gathered so that those of the same payloads are columns of one table.

Numbers are looked at by size of change. States, flags, and each bit of theirs are looked at by whether they change.
Counters, checks and multiplexors are left out: they change all the time, or because others do.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.bits import Field
from decoder.discovery.field_at import FieldAt, Sampled, key_of
from decoder.discovery.proposal import Selector
from decoder.discovery.quick_parts import quick_parts

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from numpy.typing import NDArray

    from decoder.discovery.proposal import Carving, Proposal
    from decoder.discovery.quick_parts import Part

_NUMBERS: Final = frozenset({"number"})
_SWITCHES: Final = frozenset({"flag", "state", "unknown"})
_FEWEST_ROWS: Final = 4
_NOT_AVAILABLE_BITS: Final = 8  # from which length on all ones say 'not available'


@dataclass(frozen=True, eq=False, slots=True)
class Table:
    """Fields of the same payloads.

    time_s : float64, n, never falling; values : float64, n x fields; NaN where a value is not available
    """

    fields: tuple[FieldAt, ...]
    time_s: NDArray[np.float64]
    values: NDArray[np.float64]

    @property
    def period_s(self) -> float:
        """The usual time from one payload to the next."""
        return float(np.median(np.diff(self.time_s))) if len(self.time_s) > 1 else 0.0


@dataclass(frozen=True, eq=False, slots=True)
class Gathered:
    """All fields of a capture: numbers, switches, and how many bits never changed."""

    numbers: tuple[Table, ...]
    switches: tuple[Table, ...]
    dead_bits: int


def gather(carvings: Sequence[Carving], first_ns: int) -> Gathered:
    """Gather what can be compared."""
    sampled = Sampled([one.stream for one in carvings])
    numbers, switches = [], []
    payload_bits = 0
    for carving in carvings:
        by_selector: defaultdict[Selector | None, list[Proposal]] = defaultdict(list)
        unseen = _unseen_parts(carving)
        for proposal in carving.proposals:
            for selector in _each(proposal, unseen):
                by_selector[selector].append(proposal)
        for selector, proposals in by_selector.items():
            payload_bits += 8 * carving.stream.data.shape[1]
            fields = [one.field for one in proposals if one.kind in _NUMBERS]
            table = _table(carving, sampled, selector, fields, first_ns)
            numbers += [] if table is None else [_measured(table)]
            fields = list(_switches(proposals))
            table = _table(carving, sampled, selector, fields, first_ns)
            switches += [] if table is None else [table]
    moving = sum(len(one.fields) for one in switches) + sum(at.field.length for one in numbers for at in one.fields)
    return Gathered(tuple(numbers), tuple(switches), max(0, payload_bits - moving))


def _unseen_parts(carving: Carving) -> list[Part]:
    """Give the values of a multiplexor that carving did not believe in, for want of payloads; none where it found one.

    Such payloads are cut as if they were all of one kind, which shows where the fields are but not what they do.
    """
    if any(one.kind == "multiplexor" for one in carving.proposals):
        return []
    return [part for part in quick_parts([carving.stream]) if part.selector is not None]


def _each(proposal: Proposal, unseen: Sequence[Part]) -> Iterator[Selector | None]:
    """Give each value of the multiplexor that a field stands under, where it stands under all of them."""
    selector = proposal.multiplexor
    bits = list(proposal.field.bit_numbers())
    under = [part.selector for part in unseen if part.needed is not None and part.needed[bits].any()]
    if under:
        yield from under
    elif selector is None or selector.value is not None:
        yield selector
    else:
        indexes = proposal.detail.get("indexes")
        for value in indexes if isinstance(indexes, list | tuple) else ():
            yield Selector(selector.field, int(value), selector.within)


def _switches(proposals: Iterable[Proposal]) -> Iterator[Field]:
    """Give states as a whole, and each bit of what is no number."""
    for one in proposals:
        if one.kind not in _SWITCHES:
            continue
        if one.kind == "state" and one.field.length > 1:
            yield Field(one.field.start, one.field.length, one.field.byte_order)
        for bit in one.field.bit_numbers():
            yield Field(bit, 1, one.field.byte_order)


def _table(
    carving: Carving, sampled: Sampled, selector: Selector | None, fields: Sequence[Field], first_ns: int
) -> Table | None:
    """Take fields as columns, without damaged payloads; ``None`` where there are too few."""
    if not fields:
        return None
    key = key_of(carving.stream)
    rows = np.arange(len(carving.stream.data)) if selector is None else sampled.rows_under(key, selector)
    sound = ~np.isin(rows, carving.damaged)
    if sound.sum() < _FEWEST_ROWS:
        return None
    ats = tuple(FieldAt(key, field, selector) for field in fields)
    time_s = (carving.stream.time_ns[rows][sound] - first_ns) / 1e9
    values = np.column_stack([sampled.raw(at)[1][sound].astype(np.float64) for at in ats])
    order = np.argsort(time_s, kind="stable")
    return Table(ats, time_s[order], values[order])


def _measured(table: Table) -> Table:
    """Leave out what a number says before it is available for the first time: all ones, just after the wake-up."""
    values = table.values.copy()
    for column, at in enumerate(table.fields):
        if at.field.length < _NOT_AVAILABLE_BITS:
            continue
        there = np.flatnonzero(values[:, column] != at.field.all_ones)
        values[: there[0] if len(there) else 0, column] = np.nan
    return Table(table.fields, table.time_s, values)
