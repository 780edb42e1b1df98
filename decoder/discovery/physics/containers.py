"""Where the members of an array may stand: streams, and parts of streams under one value of a multiplexor, in order.

A family is a row of containers that may share one layout: plain frames of one bus, the pages of identifiers that have
the same multiplexor, one kind of whole message. Multiplexors are those that carving found, and those that the usual
places would have: a wrong one gives containers in which nothing is found.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import groupby
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.bits import Field, Payloads
from decoder.discovery.field_at import FieldAt, StreamKey, key_of
from decoder.discovery.proposal import Selector, values_of

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from decoder.bits import ByteOrder
    from decoder.discovery.proposal import Carving, Proposal, Stream

FEWEST_ROWS: Final = 2  # payloads of a container
_MOST_PAGES: Final = 256
_FEWEST_PAGES: Final = 3
_FEWEST_EACH: Final = 2.5  # payloads of a page, on average
_DENSE: Final = 1.3  # times as many numbers as pages from the first to the last page, at most
_IN_TURN: Final = 0.9  # of the steps from page to page; frames get lost
_RARE: Final = 0.01  # of the payloads
_BEYOND_CHANCE: Final = 6.0  # standard deviations of what chance makes of the shares of ones
_FEWEST_DEPENDENT: Final = 2  # bits
_MOST_DEPEND: Final = 0.1  # of the bits that move, at least
_FULL_BYTE: Final = 255  # values that a counter of eight bits has, at least
ALIVE: Final = 16  # values that alive counters have: a check that was not found depends on them
_MOST_BESIDE_A_COUNTER: Final = 0.45
# Where a multiplexor is tried even if carving found none there. Common practice, no source.
_USUAL_PLACES: Final = (Field(0, 8), Field(0, 4), Field(4, 4), Field(8, 8), Field(7, 16, "big"), Field(0, 16))
_USUAL_PAIRS: Final = ((Field(0, 8), Field(8, 8)), (Field(0, 8), Field(8, 4)), (Field(0, 8), Field(12, 4)))
_NESTED: Final = 1.6  # times as many pairs of values as values of one


@dataclass(frozen=True, eq=False, slots=True)
class Container:
    """Payloads that have one layout.

    rows : intp, n: which rows of the stream
    closed : bool, by bit number: bits that no number can have (checks, counters, multiplexors, service bytes)
    """

    stream: Stream
    key: StreamKey
    selector: Selector | None
    rows: NDArray[np.intp]
    closed: NDArray[np.bool_]

    @property
    def width(self) -> int:
        """Bytes of a payload."""
        return int(self.stream.data.shape[1])

    @property
    def values(self) -> tuple[int, ...]:
        """The values of its multiplexors, the outer one first."""
        return values_of(self.selector)

    def at(self, field: Field) -> FieldAt:
        """Name a field of it."""
        return FieldAt(self.key, field, self.selector)


@dataclass(frozen=True, eq=False, slots=True)
class Family:
    """Containers in order: by identifier (or first bytes of the message), then by values of multiplexors."""

    containers: tuple[Container, ...]

    @property
    def in_pages(self) -> bool:
        """Whether multiplexors tell its containers apart."""
        return bool(self.containers) and self.containers[0].selector is not None


def position_of(container: Container) -> tuple[int, bytes, int, tuple[int, ...]]:
    """Give what containers are sorted by."""
    carrier = container.key.carrier
    return (
        container.key.can_id,
        b"" if carrier is None else carrier.prefix,
        0 if carrier is None else carrier.pgn or 0,
        container.values,
    )


def families_of(carvings: Sequence[Carving]) -> list[Family]:
    """Give all families in which arrays are looked for."""
    plain = [_plain(one) for one in carvings]
    found = [Family(tuple(sorted(some, key=position_of))) for some in _grouped(plain, _sender)]
    pages = [container for one in carvings for container in _pages(one)]
    found += [Family(tuple(sorted(some, key=position_of))) for some in _grouped(pages, _page_kind)]
    return [one for one in found if one.containers]


def _grouped(containers: Sequence[Container | None], kind: object) -> Iterator[list[Container]]:
    here = [one for one in containers if one is not None]
    assert callable(kind)
    for _, some in groupby(sorted(here, key=kind), key=kind):
        yield list(some)


def _sender(container: Container) -> tuple[str, bool, str, int, bytes, int]:
    key, carrier = container.key, container.key.carrier
    if carrier is None:
        return key.bus, key.extended, "", 0, b"", 0
    return *_sender_of(key), key.can_id, carrier.prefix, carrier.pgn or 0


def _sender_of(key: StreamKey) -> tuple[str, bool, str]:
    return key.bus, key.extended, "" if key.carrier is None else key.carrier.kind


def _page_kind(container: Container) -> tuple[str, bool, str, tuple[tuple[int, int, str], ...]]:
    return (*_sender_of(container.key), _fields_of(container.selector))


def _fields_of(selector: Selector | None) -> tuple[tuple[int, int, str], ...]:
    if selector is None:
        return ()
    field = selector.field
    return (*_fields_of(selector.within), (field.start, field.length, field.byte_order))


def _plain(one: Carving) -> Container | None:
    if len(one.stream.data) < FEWEST_ROWS:
        return None
    rows = np.setdiff1d(np.arange(len(one.stream.data)), one.damaged)
    return Container(one.stream, key_of(one.stream), None, rows, _closed(one))


def _closed(one: Carving) -> NDArray[np.bool_]:
    """Tell which bits of a stream are taken by what is no number, whatever the page."""
    closed = np.zeros(one.stream.data.shape[1] * 8, np.bool_)
    if one.stream.carrier is not None:
        closed[: 8 * len(one.stream.carrier.prefix)] = True
        return closed  # long answers have no counters and no checks of their own
    for proposal in one.proposals:
        if proposal.kind == "check" or (proposal.kind == "counter" and proposal.multiplexor is None):
            closed[list(proposal.field.bit_numbers())] = True
    return closed


def _pages(one: Carving) -> Iterator[Container]:
    """Give the containers under each value of each multiplexor that was found or may be there."""
    whole = _plain(one)
    if whole is None:
        return
    payloads = Payloads(one.stream.data)
    tried: set[bytes] = set()
    for chain in _chains(one, whole, payloads):
        number = np.unique(_columns(whole, payloads, chain), axis=0, return_inverse=True)[1]
        if number.tobytes() not in tried:  # fields that tell the same pages apart
            tried.add(number.tobytes())
            yield from _under(whole, payloads, chain)


def _chains(one: Carving, whole: Container, payloads: Payloads) -> list[tuple[Field, ...]]:
    """Give multiplexors, outer first: those that were carved, and those in the usual places that number pages."""
    bits = one.stream.data.shape[1] * 8
    carved = [
        (*_selector_fields(proposal), proposal.field) for proposal in one.proposals if proposal.kind == "multiplexor"
    ]
    if one.stream.carrier is not None:
        return [chain for chain in carved if _turns(whole, payloads, chain)]
    usual = [(field,) for field in _USUAL_PLACES]
    tried = [chain for chain in usual if _last(chain) < bits and _turns(whole, payloads, chain)]
    pairs = [
        chain
        for chain in _USUAL_PAIRS
        if _last(chain) < bits and _is_nested(whole, payloads, chain) and _turns(whole, payloads, chain)
    ]
    # Where pages are numbered anew in each module, the outer number alone mixes them.
    nested = pairs + [chain for chain in carved if len(chain) > 1]
    # A part of a number that was taken for a multiplexor stands anywhere, and takes no turns.
    carved = [chain for chain in carved if chain[-1] in _USUAL_PLACES or _turns(whole, payloads, chain)]
    # And where one byte numbers the pages alone, the byte beside it is a part of a value.
    short = {chain[0].first_byte for chain in carved + tried if len(chain) == 1 and chain[0].length <= 8}
    tried = [chain for chain in tried if chain[0].length <= 8 or not short & {chain[0].first_byte, chain[0].last_byte}]
    inner = {chain[0] for chain in nested} | {chain[1] for chain in nested}
    return nested + [
        chain for chain in carved + tried if len(chain) == 1 and not any(_meet(chain[0], of) for of in inner)
    ]


def _columns(whole: Container, payloads: Payloads, chain: tuple[Field, ...]) -> NDArray[np.int64]:
    return np.stack([payloads.field(field)[whole.rows].astype(np.int64) for field in chain], axis=1)


def _last(chain: tuple[Field, ...]) -> int:
    return max(bit for field in chain for bit in field.bit_numbers())


def _meet(one: Field, other: Field) -> bool:
    return bool(set(one.bit_numbers()) & set(other.bit_numbers()))


def _is_nested(whole: Container, payloads: Payloads, chain: tuple[Field, ...]) -> bool:
    """Tell whether two fields have clearly more pairs of values than either has values, and stand in two bytes."""
    if chain[0].first_byte == chain[1].first_byte:
        return False
    columns = _columns(whole, payloads, chain)
    each = max(len(np.unique(columns[:, 0])), len(np.unique(columns[:, 1])))
    return bool(len(np.unique(columns, axis=0)) >= _NESTED * each)


def _selector_fields(proposal: Proposal) -> tuple[Field, ...]:
    fields: list[Field] = []
    selector = proposal.multiplexor
    while selector is not None:
        fields.insert(0, selector.field)
        selector = selector.within
    return tuple(fields)


def _turns(whole: Container, payloads: Payloads, chain: tuple[Field, ...]) -> bool:
    """Tell whether fields may number pages: few values in a fixed turn, and other bits that depend on the page."""
    columns = _columns(whole, payloads, chain)
    values, number, counts = np.unique(columns, axis=0, return_inverse=True, return_counts=True)
    number = number.reshape(-1)
    if not _FEWEST_PAGES <= len(values) <= _MOST_PAGES or len(number) < _FEWEST_EACH * len(values):
        return False
    if len(chain) > 1 and not _is_even(columns, counts):
        return False
    pairs, seen = np.unique(np.stack([number[:-1], number[1:]]), axis=1, return_counts=True)
    best = np.zeros(len(values), np.int64)
    np.maximum.at(best, pairs[0], np.where(pairs[0] == pairs[1], 0, seen))
    if best.sum() < _IN_TURN * (len(number) - 1):
        return False
    # Counters have four bits at most, or eight: what counts otherwise numbers pages, though they be alike.
    no_counter = ALIVE < len(values) < _FULL_BYTE
    return bool(len(chain) == 1 and chain[0].length <= 8 and no_counter) or _depend(whole, number, counts, chain)


def _is_even(columns: NDArray[np.int64], counts: NDArray[np.intp]) -> bool:
    """Tell whether an inner field numbers few pages from 0 or 1 on, and all pairs of values come equally often."""
    inner = np.unique(columns[:, 1])
    dense = inner[0] <= 1 and inner[-1] - inner[0] < _DENSE * len(inner)
    return bool(dense and (counts >= np.median(counts) / 2).mean() >= _IN_TURN)


def _depend(whole: Container, number: NDArray[np.intp], counts: NDArray[np.intp], chain: tuple[Field, ...]) -> bool:
    """Tell whether many of the bits that move are set more often under some pages than chance would have it.

    For a bit with share p of ones, the sum over pages of n (share - p)^2 / (p (1 - p)) is about the count of pages
    where pages do not matter (chi squared); what moves slowly makes it less, for the pages come in turn.
    """
    bits = np.unpackbits(whole.stream.data[whole.rows], axis=1, bitorder="little").astype(np.float64)
    bits = bits[:, ~_with(whole.closed, chain)]
    share = bits.mean(axis=0)
    moving = (share > _RARE) & (share < 1 - _RARE)
    if moving.sum() < _FEWEST_DEPENDENT:
        return False
    ones = np.zeros((len(counts), int(moving.sum())))
    np.add.at(ones, number, bits[:, moving])
    off = (ones / counts[:, None] - share[moving]) ** 2 * counts[:, None]
    ratio = off.sum(axis=0) / (share[moving] * (1 - share[moving])) / (len(counts) - 1)
    depends = ratio > 1 + _BEYOND_CHANCE * np.sqrt(2 / (len(counts) - 1))
    share = _MOST_DEPEND if len(counts) > ALIVE else _MOST_BESIDE_A_COUNTER
    return bool(depends.sum() >= _FEWEST_DEPENDENT and depends.mean() >= share)


def _with(closed: NDArray[np.bool_], chain: tuple[Field, ...]) -> NDArray[np.bool_]:
    closed = closed.copy()
    for field in chain:
        closed[list(field.bit_numbers())] = True
    return closed


def _under(whole: Container, payloads: Payloads, chain: tuple[Field, ...]) -> Iterator[Container]:
    """Give one container for each combination of values that comes often enough."""
    columns = _columns(whole, payloads, chain)
    values, number, counts = np.unique(columns, axis=0, return_inverse=True, return_counts=True)
    number = number.reshape(-1)
    if len(values) > _MOST_PAGES * 2:
        return
    closed = _with(whole.closed, chain)
    for which in np.flatnonzero(counts >= FEWEST_ROWS).tolist():
        selector: Selector | None = None
        for field, value in zip(chain, values[which].tolist(), strict=True):
            selector = Selector(field, int(value), selector)
        yield Container(whole.stream, whole.key, selector, whole.rows[number == which], closed)


def in_bytes(byte_order: ByteOrder, position: int, length: int) -> Field:
    """Give the field that begins `position` bits into the payload, counted as its byte order counts."""
    start = position if byte_order == "little" else position // 8 * 8 + 7 - position % 8
    return Field(start, length, byte_order)
