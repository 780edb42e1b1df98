"""When two fields that different searches found are one: they begin at one least significant bit, on one page.

How far a field and a multiplexor go up is often open: what never changed tells nothing.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from decoder.discovery.field_at import FieldAt, StreamKey
    from decoder.discovery.proposal import Selector

Spot = tuple["StreamKey", tuple[int | None, ...], int, str]


def spot(at: FieldAt) -> Spot:
    """Give what is the same for fields that are one: stream, page, least significant bit, byte order beyond a byte."""
    field = at.field
    order = field.byte_order if field.first_byte != field.last_byte else ""
    return at.stream, _values(at.multiplexor), field.bit_numbers()[0], order


def is_one(some: FieldAt, other: FieldAt) -> bool:
    """Whether two fields are one; within one byte the byte order does not matter."""
    mine, theirs = spot(some), spot(other)
    return mine[:3] == theirs[:3] and (mine[3] == theirs[3] or "" in (mine[3], theirs[3]))


def _values(selector: Selector | None) -> tuple[int | None, ...]:
    values: list[int | None] = []
    while selector is not None:
        values.append(selector.value)
        selector = selector.within
    return tuple(value for value in values if value is not None)


class Selectors:
    """Multiplexors as they were first spoken of, so that all that stands under one names it alike."""

    def __init__(self) -> None:
        """Know none yet."""
        self._known: dict[StreamKey, list[Selector]] = {}

    def alike(self, at: FieldAt) -> FieldAt:
        """Give a field under the multiplexors that are known in its stream, where its own are the same ones."""
        if at.multiplexor is None:
            return at
        return replace(at, multiplexor=self._alike(at.stream, at.multiplexor))

    def _alike(self, key: StreamKey, selector: Selector) -> Selector:
        within = self._alike(key, selector.within) if selector.within is not None else None
        known = self._known.setdefault(key, [])
        for other in known:
            if other.field.bit_numbers()[0] == selector.field.bit_numbers()[0]:
                return replace(selector, field=other.field, within=within)
        known.append(replace(selector, within=within))
        return replace(selector, within=within)

    def used(self, at: FieldAt) -> FieldAt | None:
        """Give a known multiplexor of the stream that shares bits with a field, as a field; ``None`` if none does."""
        bits = set(at.field.bit_numbers())
        for other in self._known.get(at.stream, ()):
            if not bits.isdisjoint(other.field.bit_numbers()):
                return replace(at, field=other.field, multiplexor=other.within)
        return None
