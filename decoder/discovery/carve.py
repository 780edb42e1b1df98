"""Carving: where the fields of undocumented payloads begin and end, in which byte order, and of what kind they are.

Stream by stream checks are found first, then multiplexors; what is left is cut into fields, siblings together, and what
all frames of a bus say of the byte order tells where one frame says little.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from decoder.discovery.carving.byte_orders import told_by_others
from decoder.discovery.carving.cutting import cut
from decoder.discovery.carving.layouts import layouts_of
from decoder.discovery.carving.moves import ever_flipped_bits
from decoder.discovery.carving.parts import Part, parts_of
from decoder.discovery.carving.proposing import check_proposal, multiplexor_proposal, proposal_of
from decoder.discovery.carving.resting import resting_fields
from decoder.discovery.checks import find_checks
from decoder.discovery.proposal import Carving, Proposal, Selector, Stream, values_of
from decoder.discovery.streams import streams

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from numpy.typing import NDArray

    from decoder.discovery.checks import Check
    from decoder.frames import Frames
    from decoder.transport.transfers import Transfers


@dataclass(frozen=True, eq=False)
class _Prepared:
    """A stream whose checks and multiplexors are known."""

    stream: Stream
    checks: tuple[Check, ...]
    damaged: NDArray[np.intp]
    whole: Part


def carve(
    frames: Frames, transfers: Transfers | None = None, progress: Callable[[float], None] | None = None
) -> tuple[Carving, ...]:
    """Propose the fields of every identifier and of every kind of reassembled message.

    transfers : those of ISO 15765-2, where they are known already
    progress : is told how much is done, 0..1
    """
    return carve_streams(streams(frames, transfers), progress)


def carve_streams(found: Sequence[Stream], progress: Callable[[float], None] | None = None) -> tuple[Carving, ...]:
    """Propose the fields of streams, in the order of bus and identifier."""
    prepared = []
    for number, stream in enumerate(found):
        prepared.append(_prepared(stream))
        if progress is not None:
            progress((number + 1) / (len(found) + 1))
    layouts = layouts_of([(one.stream, one.whole) for one in prepared])
    proposals: list[list[Proposal]] = [list(_settled(one)) for one in prepared]
    first = [found[layout.members[0][0]] for layout in layouts]
    told = told_by_others(
        [layout.chart.big_odds for layout in layouts], [one.bus for one in first], [one.can_id for one in first]
    )
    for layout, odds in zip(layouts, told, strict=True):
        for found_field in cut(layout.chart, odds):
            for number, part in layout.members:
                proposal = proposal_of(found_field, part, found[number].time_ns[part.rows], layout.indexes)
                proposals[number] += [] if proposal is None else [proposal]
    return tuple(
        Carving(one.stream, tuple(sorted([*fields, *_resting(one, fields)], key=_place)), one.damaged)
        for one, fields in zip(prepared, proposals, strict=True)
    )


def _place(one: Proposal) -> tuple[tuple[int, ...], int, int]:
    """Sort by multiplexor values, outer first, then by place."""
    return values_of(one.multiplexor), min(one.field.bit_numbers()) // 8, one.field.start


def _prepared(stream: Stream) -> _Prepared:
    """Find checks, leave damaged payloads out, find multiplexors."""
    checks = find_checks(stream.data, stream.can_id)
    free = np.ones(stream.data.shape[1] * 8, np.bool_)
    if stream.carrier is not None:
        free[: 8 * len(stream.carrier.prefix)] = False
    for check in checks:
        free[list(check.field.bit_numbers())] = False
    damaged = np.unique(np.array([row for check in checks for row in check.damaged], np.intp))
    rows = np.setdiff1d(np.arange(len(stream.data)), damaged)
    return _Prepared(stream, checks, damaged, parts_of(stream.data[rows], rows, free))


def _settled(one: _Prepared) -> Iterator[Proposal]:
    """Propose what was found before cutting: checks and multiplexors."""
    yield from map(check_proposal, one.checks)
    waiting = [one.whole]
    while waiting:
        part = waiting.pop()
        waiting += part.inner
        if part.multiplexor is not None:
            yield multiplexor_proposal(part, part.multiplexor.field, one.stream.time_ns[part.rows])


def _resting(one: _Prepared, fields: Sequence[Proposal]) -> Iterator[Proposal]:
    """Propose text and constants where nothing else is: common ones, and those under each value of a multiplexor."""
    open_ = np.ones(one.stream.data.shape[1] * 8, np.bool_)
    if one.stream.carrier is not None:
        open_[: 8 * len(one.stream.carrier.prefix)] = False
    for proposal in fields:
        open_[list(proposal.field.bit_numbers())] = False
    yield from _resting_of(one.whole, open_, fields)


def _resting_of(part: Part, open_: NDArray[np.bool_], fields: Sequence[Proposal]) -> Iterator[Proposal]:
    if not len(part.data):
        return
    taken = open_ & ~ever_flipped_bits(part.data)
    yield from resting_fields(part.data, taken, part.selector)
    for inner in part.inner:
        here = inner.free & ~taken
        for proposal in fields:
            if proposal.multiplexor is None or _reaches(proposal.multiplexor, inner.selector):
                here[list(proposal.field.bit_numbers())] = False
        yield from _resting_of(inner, here, fields)


def _reaches(selector: Selector, of: Selector | None) -> bool:
    """Tell whether a field under `selector` stands under `of` as well, or further in."""
    if of is None:
        return False
    if selector.field == of.field and selector.value in (None, of.value):
        return True
    return selector.within is not None and _reaches(selector.within, of)
