"""Which parts share one layout: sibling identifiers, and the values of a multiplexor.

Parts are cut together where one layout for all explains what was seen better than a layout for each.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.discovery.carving.cutting import Chart, chart, cut, joined
from decoder.discovery.carving.moves import joined_moves
from decoder.discovery.carving.parts import ONE_BY_ONE, Part, series
from decoder.discovery.proposal import Selector

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from decoder.discovery.proposal import Stream

_SERIES: Final = 5  # from so many values on, a multiplexor with one field beside it is an index
_BESIDE_AN_INDEX: Final = 2  # fields, where there are so many values that one field may have been cut in two
_WORTH_BITS: Final = 12.0  # by which one layout must explain parts better than two: few neighbours are siblings
_FARTHEST: Final = 0x10  # between the numbers of sibling identifiers


@dataclass(frozen=True, eq=False)
class Layout:
    """Parts with one layout.

    members : number of the stream, and the part
    indexes : of a series, the values of its multiplexor; its only part holds the payloads of all of them
    """

    members: tuple[tuple[int, Part], ...]
    chart: Chart
    indexes: tuple[int, ...] = ()


def layouts_of(wholes: Sequence[tuple[Stream, Part]]) -> list[Layout]:
    """Give the layouts of all streams: of what is common to all payloads of each, then under their multiplexors."""
    return [*_common(wholes), *(layout for number, (_, part) in enumerate(wholes) for layout in _inner(number, part))]


def _common(wholes: Sequence[tuple[Stream, Part]]) -> Iterator[Layout]:
    run: list[tuple[int, Part]] = []
    for number, (stream, part) in enumerate(wholes):
        if run and not _could_be_siblings(wholes[run[-1][0]][0], stream):
            yield from _together(run)
            run = []
        run.append((number, part))
    yield from _together(run)


def _could_be_siblings(one: Stream, other: Stream) -> bool:
    """Tell whether two streams could be siblings: neighbours by number, of one length, on one bus."""
    return (
        (one.bus, one.extended, one.data.shape[1]) == (other.bus, other.extended, other.data.shape[1])
        and one.carrier is None
        and other.carrier is None
        and 0 < other.can_id - one.can_id <= _FARTHEST
    )


def _inner(number: int, part: Part) -> Iterator[Layout]:
    """Give the layouts under a multiplexor, and under those inside it."""
    if not part.inner:
        return
    whole = _index_part(part)
    indexes = tuple(
        int(one.selector.value) for one in part.inner if one.selector is not None and one.selector.value is not None
    )
    each = [(number, one) for one in part.inner]
    layouts = [] if len(part.inner) > ONE_BY_ONE else list(_together(each))
    nested = any(one.inner for one in part.inner)
    if nested or (layouts and _alike_total(part.inner) <= sum(layout.chart.total for layout in layouts)):
        yield from layouts or _together(each)
    else:
        together = series(part.inner, across=True)
        fields = len(cut(together))
        is_index = len(part.inner) >= _SERIES and fields <= (1 if layouts else _BESIDE_AN_INDEX)
        yield Layout(((number, whole),), together, indexes) if is_index else Layout(tuple(each), together)
    for one in part.inner:
        yield from _inner(number, one)


def _alike_total(inner: Sequence[Part]) -> float:
    """Give how well one layout explains all values; what a sample of many moves takes stands for the rest."""
    moves = [one.moves for one in inner]
    return series(inner).total * sum(map(len, moves)) / max(len(joined_moves(moves)), 1)


def _index_part(part: Part) -> Part:
    """Give the payloads of all values of a multiplexor as one part under each of them."""
    first = part.inner[0].selector
    assert first is not None
    selector = Selector(first.field, None, first.within)
    return replace(part.inner[0], data=part.data, rows=part.rows, selector=selector, multiplexor=None, inner=())


def _together(members: Sequence[tuple[int, Part]]) -> Iterator[Layout]:
    """Join neighbours to one layout as long as one layout explains them better than two."""
    layout: Layout | None = None
    for number, part in members:
        own = Layout(((number, part),), part.chart)
        both = None if layout is None else _joined(layout, own)
        if layout is not None and both is None:
            yield layout
        layout = both or own
    if layout is not None:
        yield layout


def _joined(one: Layout, other: Layout) -> Layout | None:
    """Give one layout for both, if that explains them better."""
    if not np.array_equal(one.members[0][1].free, other.members[0][1].free):
        return None
    both = chart(joined([one.chart.evidence, other.chart.evidence]))
    worth = both.total > one.chart.total + other.chart.total + _WORTH_BITS
    return Layout(one.members + other.members, both) if worth else None
