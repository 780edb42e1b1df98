"""The parts of a stream that each have one layout.

What is common to all payloads, and what stands under each value of a multiplexor. A multiplexor is believed where the
parts together are described in fewer bits than the whole.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.bits import Payloads
from decoder.discovery.carving.cutting import Chart, chart, evidence_of
from decoder.discovery.carving.moves import Moves, ever_flipped_bits, joined_moves, moves_of
from decoder.discovery.carving.multiplexors import (
    Multiplexor,
    field_bits,
    possible_multiplexors,
    settled,
    with_all,
)
from decoder.discovery.proposal import Selector

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

_DEEPEST: Final = 2  # multiplexors inside one another
_MOST_ROWS: Final = 400  # payloads that decide whether there is a multiplexor
_LITTLE_BITS: Final = 100.0  # what values that share a layout are described in, below which no other way is tried
_FEWEST_INSIDE: Final = 40  # payloads under one value, from which on a multiplexor inside is looked for
_WORTH_BITS: Final = 25.0  # that a multiplexor must save when the payloads are cut with and without it
# And what share of the description; numbers that follow one another save some as well. A multiplexor usually stands
# in the first two bytes. Common practice, no source.
_WORTH_SHARE: Final = 0.12
_WORTH_SHARE_ELSEWHERE: Final = 0.3
_MUCH: Final = 3.0  # times what it must save, from which on all bits are taken to depend on it
_NEARLY: Final = 0.9  # of the most that a multiplexor saves
_ALL_SHARE: Final = 0.85  # of what is saved, where all bits are taken to depend on the multiplexor
_ELSEWHERE: Final = 0.8  # what a saving elsewhere is worth beside one there
ONE_BY_ONE: Final = 8  # values of a multiplexor that are cut one by one; of more it is an index


@dataclass(frozen=True, eq=False)
class Part:
    """Payloads of one layout.

    data : uint8, n x width, in order of time; rows : intp, n, their rows in the stream
    free : bool, by bit number: bits that fields of this part may have
    selector : under which multiplexor and value they stand
    multiplexor, inner : the multiplexor that stands in this part, and the parts under each of its values
    """

    data: NDArray[np.uint8]
    rows: NDArray[np.intp]
    free: NDArray[np.bool_]
    selector: Selector | None = None
    multiplexor: Multiplexor | None = None
    inner: tuple[Part, ...] = field(default=())

    @cached_property
    def moves(self) -> Moves:
        """The moves of its payloads."""
        return moves_of(self.data)

    @cached_property
    def chart(self) -> Chart:
        """All ways to cut what is common to its payloads."""
        return chart(evidence_of(self.moves, self.free))


def parts_of(
    data: NDArray[np.uint8],
    rows: NDArray[np.intp],
    free: NDArray[np.bool_],
    selector: Selector | None = None,
    depth: int = 0,
) -> Part:
    """Look for multiplexors and split payloads by them."""
    whole = Part(data, rows, free, selector)
    if depth == _DEEPEST or (depth and len(data) < _FEWEST_INSIDE):
        return whole
    few = slice(0, _MOST_ROWS)
    decided = whole if len(data) <= _MOST_ROWS else Part(data[few], rows[few], free, selector)
    best = _believed(decided)
    if best is None:
        return whole
    best = settled(best, decided.data, data, free)
    split = _split(whole, best)
    inner = tuple(parts_of(one.data, one.rows, one.free, one.selector, depth + 1) for one in split.inner)
    return Part(data, rows, split.free, selector, best, inner)


def _believed(whole: Part) -> Multiplexor | None:
    """Give the multiplexor with which the payloads are described in the fewest bits, if there is one."""
    possible = possible_multiplexors(whole.data, whole.free)
    clear = [one for one in possible if one.is_clear]
    if clear:
        return with_all(_outermost(clear), whole.data, whole.free)
    best, most = None, 0.0
    for one in possible:
        enough = max(_WORTH_BITS, -(_WORTH_SHARE if one.near else _WORTH_SHARE_ELSEWHERE) * whole.chart.total)
        all_ = with_all(one, whole.data, whole.free)
        by_all = _saved(whole, all_)
        by_some = _saved(whole, one) if by_all < _MUCH * enough else by_all
        chosen = all_ if by_all >= _ALL_SHARE * by_some else one
        saved = max(by_some, by_all) * (1.0 if one.near else _ELSEWHERE)
        if saved > max(most, enough):
            best, most = chosen, saved
    return best


def _outermost(clear: Sequence[Multiplexor]) -> Multiplexor:
    """Give, of several that save nearly the most, the one that stands first, as long as it tells no less."""
    most = max(one.saved for one in clear)
    first = min((one for one in clear if one.saved >= _NEARLY * most), key=lambda one: one.field.start)
    alike = [one for one in clear if one.field.start == first.field.start and one.values >= first.values]
    return max((one for one in alike if one.saved >= _NEARLY * first.saved), key=lambda one: one.field.length)


def _split(whole: Part, by: Multiplexor) -> Part:
    """Split payloads by the values of a multiplexor."""
    others = whole.free & ~field_bits(by.field, len(whole.free))
    within = others & (by.dependent | ~ever_flipped_bits(whole.data))
    values = Payloads(whole.data).field(by.field)
    inner = [
        Part(whole.data[here], whole.rows[here], within, Selector(by.field, value, whole.selector))
        for value, here in ((value, values == value) for value in np.unique(values).tolist())
    ]
    return Part(whole.data, whole.rows, others & ~by.dependent, whole.selector, by, tuple(inner))


def _saved(whole: Part, by: Multiplexor) -> float:
    """Give the bits of description that splitting by a multiplexor saves."""
    described = whole.chart.evidence.little.bits[:, by.field.start, by.field.length - 1].min()
    # Coded against other bits that change with it, a multiplexor seems to cost nothing; but it must be told once.
    untold = max(0.0, by.sequence - float(described))
    return _total(_split(whole, by)) - by.cost - whole.chart.total + untold


def _total(split: Part) -> float:
    """Give how well the parts are explained together, log2 of a chance."""
    alike = series(split.inner).total
    few = len(split.inner) <= ONE_BY_ONE and alike < -_LITTLE_BITS
    apart = sum(one.chart.total for one in split.inner) if few else alike
    return split.chart.total + max(alike, apart)


def series(inner: Sequence[Part], *, across: bool = False) -> Chart:
    """Weigh the layout that all values of a multiplexor share, each value's payloads in their own order.

    across : what differs from one value to the next is taken for moves as well; it shows the layout where cells are
        nearly alike, but is nothing that layouts for each value would have to explain
    """
    free = np.logical_and.reduce([one.free for one in inner])
    differing = ever_flipped_bits(np.concatenate([one.data for one in inner]))
    moves = [one.moves for one in inner]
    if across:
        moves.append(moves_of(np.stack([one.data[len(one.data) // 2] for one in inner])))
    return chart(evidence_of(joined_moves(moves), free, differing))
