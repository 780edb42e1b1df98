"""Streams split by the values of their multiplexors, found in a moment: where a field may stand, and when it is sent.

`decoder.discovery.carving.parts` weighs layouts and takes its time. Here whole bytes and nibbles near the beginning
are looked at that take few values in turn, and of which each change brings other bits along that are calm from one
payload with the same value to the next, or that go round through as many values as no counter has. What it costs to
believe in one too many is small: fields are then looked for under each value by itself.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.bits import Field, Payloads
from decoder.discovery.field_at import StreamKey, key_of
from decoder.discovery.proposal import Selector

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from decoder.discovery.proposal import Stream

# Common practice, no source, unless a line says otherwise.
_MOST_ROWS: Final = 1000  # payloads that are looked at
_FEWEST_ROWS: Final = 6
_BYTES: Final = 3  # behind the prefix of an answer, in which a multiplexor may stand
_MOST_VALUES: Final = 256
_OFTEN: Final = 0.25  # of payloads in a row that differ in the multiplexor
# It is believed in where so much of all flips is in bits that are calmer under one value than in time, and hardly any
# bit flips more.
_CALM: Final = 0.75
_MOST_OF: Final = 0.4  # if its values come in turn
_NEARLY_ALL_OF: Final = 0.8  # if they do not
_CONTRARY: Final = 1.5
_LITTLE: Final = 0.05  # of the bits
_FLIPS: Final = 3  # from which on a bit counts there
_BITS: Final = 3  # that depend on a multiplexor at least
_DEEPEST: Final = 2  # multiplexors inside one another
_FEWEST_EACH: Final = 1.5  # payloads for each value, on average
_IN_TURN: Final = 0.9  # steps that are the usual ones, where a multiplexor goes round
_RESTLESS: Final = 0.2  # mean step of a multiplexor that comes in no turn, of its range
_FEWEST_ROUNDS: Final = 3
_OUTER: Final = 0.55  # of the steps, in which the outer one of two changes
_COUNTERS: Final = frozenset({15, 16, 32, 64, 128, 255, 256, *range(6), 7, 8, 10})  # how far counters count, mostly


@dataclass(frozen=True, eq=False, slots=True)
class Part:
    """Payloads that share a layout.

    time_ns : int64, n; data : uint8, n x width
    allowed : bool, by bit number: bits that fields of this part may have
    needed : bool, by bit number: a field has one of these at least; ``None`` for any
    """

    stream: StreamKey
    time_ns: NDArray[np.int64]
    data: NDArray[np.uint8]
    allowed: NDArray[np.bool_]
    selector: Selector | None = None
    needed: NDArray[np.bool_] | None = None


def quick_parts(found: Sequence[Stream]) -> list[Part]:
    """Give what is common to all payloads of each stream, and what stands under each value of a multiplexor."""
    parts: list[Part] = []
    for stream in found:
        allowed = np.ones(8 * stream.data.shape[1], np.bool_)
        first = 0 if stream.carrier is None else len(stream.carrier.prefix)
        allowed[: 8 * first] = False
        parts += _split(Part(key_of(stream), stream.time_ns, stream.data, allowed), first, 0)
    return parts


def _split(part: Part, first: int, depth: int) -> Iterator[Part]:
    """Give a part as it is, or what is common and what depends on a multiplexor from byte `first` on."""
    by = None if depth == _DEEPEST or part.stream.carrier is not None else _multiplexor(part, first)
    if by is None:
        yield part
        return
    fields, dependent, sure = by
    rest = _changing(part.data[:_MOST_ROWS]) == 0
    own = _bits_of(fields, len(part.allowed))
    common = part.allowed & ~own
    if sure:
        common &= ~dependent
    yield Part(part.stream, part.time_ns, part.data, common, part.selector, part.needed)
    values = _values(part.data, fields)
    order = np.argsort(values, kind="stable")
    cuts = np.flatnonzero(np.diff(values[order])) + 1
    inside = part.allowed & (dependent | rest) & ~own
    for rows in np.split(order, cuts):
        selector = part.selector
        for field in fields:
            value = int(Payloads(part.data[rows[:1]]).field(field)[0])
            selector = Selector(field, value, selector)
        inner = Part(part.stream, part.time_ns[rows], part.data[rows], inside, selector, dependent)
        yield from _split(inner, fields[-1].last_byte, depth + len(fields))


def _multiplexor(part: Part, first: int) -> tuple[tuple[Field, ...], NDArray[np.bool_], bool] | None:
    """Give the field, or the two inside one another, that the most bits depend on, which, and whether that is sure."""
    data = part.data[:_MOST_ROWS]
    if len(data) < _FEWEST_ROWS or data.shape[1] < 2:
        return None
    flips = _counts(data[1:] ^ data[:-1])
    best: tuple[tuple[int, float], tuple[Field, ...], NDArray[np.bool_]] | None = None
    for fields in _candidates(part, flips, first, len(data)):
        found = _dependent(data, fields, flips, part.allowed)
        if found is None or (part.selector is not None and not found[1]):
            continue
        dependent, turn = found
        worth = turn, float(flips[dependent].sum()) * (1 + 0.02 * fields[0].length)
        if best is None or worth > best[0]:
            best = worth, fields, dependent
    return None if best is None else (best[1], best[2], best[0][0] > 0)


def _candidates(part: Part, flips: NDArray[np.int64], first: int, rows: int) -> Iterator[tuple[Field, ...]]:
    """Give bytes and nibbles near the beginning that change often, and those with a calmer byte before them."""
    for byte in range(first, min(first + _BYTES, part.data.shape[1] - 1)):
        for start, length in ((0, 8), (0, 4), (4, 4)):
            bits = slice(8 * byte + start, 8 * byte + start + length)
            upper = slice(8 * byte + 4, 8 * byte + 8)
            if not part.allowed[bits].all() or flips[bits].max() < _OFTEN * rows:
                continue
            if length == 4 and start == 0 and not flips[upper].any():
                continue  # the whole byte is the same and more usual
            field = Field(8 * byte + start, length)
            yield (field,)
            before = slice(8 * byte - 8, 8 * byte)
            calm = flips[before].sum() and _changes(part.data[:rows, byte - 1]) <= _OUTER
            if byte > first and part.allowed[before].all() and calm:
                yield Field(8 * byte - 8, 8), field


def _dependent(
    data: NDArray[np.uint8], fields: Sequence[Field], flips: NDArray[np.int64], allowed: NDArray[np.bool_]
) -> tuple[NDArray[np.bool_], int] | None:
    """Tell the bits that are calm under each value of the fields and not in time; ``None`` if there are too few.

    Beside them, how many values there are, if they come in one turn, else 0.
    """
    values = _values(data, fields)
    order = np.argsort(values, kind="stable")
    ordered = values[order]
    same = ordered[1:] == ordered[:-1]
    distinct = len(values) - int(same.sum())
    if not 2 <= distinct <= _MOST_VALUES or len(values) < _FEWEST_EACH * distinct:
        return None
    all_ = allowed & ~_bits_of(fields, len(allowed))
    others = all_ & (flips > 0)
    turn = _turn(values, distinct)
    plain = turn == "counts" and int(ordered[-1] - ordered[0]) == distinct - 1 and ordered[0] <= 1
    if turn and (len(fields) > 1 or (plain and distinct not in _COUNTERS)):
        return (all_, distinct) if others.any() else None
    if len(fields) > 1 or not (turn or _comes_as_events(values, distinct)):
        return None
    grouped = data[order]
    under = _counts((grouped[1:] ^ grouped[:-1])[same])
    # flips for each pair of payloads in a row, under one value and in time
    in_time, by_value = flips * int(same.sum()), under * (len(data) - 1)
    calm, contrary = others & (by_value < _CALM * in_time), others & (by_value > _CONTRARY * in_time)
    if int((contrary & (flips >= _FLIPS)).sum()) > _LITTLE * int(others.sum()):
        return None
    enough = flips[calm].sum() > (_MOST_OF if turn else _NEARLY_ALL_OF) * flips[others].sum()
    return (all_, 0) if enough and calm.sum() >= _BITS else None


def _turn(values: NDArray[np.int64], distinct: int) -> str:
    """Tell how values come: they count, they follow one another in another turn, or neither (empty)."""
    steps = np.diff(values)
    if distinct < 2 or np.mean(steps != 0) < _IN_TURN:
        return ""
    span = int(values.max() - values.min()) + 1
    if np.mean(steps % span == 1) >= _IN_TURN:
        return "counts"
    if len(values) < _FEWEST_ROUNDS * distinct:
        return ""
    pairs = np.unique(values[:-1] * (int(values.max()) + 1) + values[1:], return_counts=True)[1]
    usual = np.sort(pairs)[::-1][:distinct].sum()
    return "follows" if usual >= _IN_TURN * (len(values) - 1) else ""


def _comes_as_events(values: NDArray[np.int64], distinct: int) -> bool:
    """Tell whether values jump about, each as often as the others, as those of a number do not."""
    span = int(values.max() - values.min())
    even = np.unique(values, return_counts=True)[1].max() <= 2 * len(values) / distinct
    return distinct > 2 and bool(even) and float(np.abs(np.diff(values)).mean()) > _RESTLESS * span


def _changes(column: NDArray[np.uint8]) -> float:
    """Give the share of steps in which a byte changes."""
    return float(np.mean(column[1:] != column[:-1]))


def _values(data: NDArray[np.uint8], fields: Sequence[Field]) -> NDArray[np.int64]:
    payloads = Payloads(data)
    values = np.zeros(len(data), np.int64)
    for field in fields:
        values = values * (1 << field.length) + payloads.field(field)
    return values


def _bits_of(fields: Sequence[Field], bits: int) -> NDArray[np.bool_]:
    own = np.zeros(bits, np.bool_)
    own[[bit for field in fields for bit in field.bit_numbers()]] = True
    return own


def _counts(flips: NDArray[np.uint8]) -> NDArray[np.int64]:
    """Count the set bits by bit number."""
    counts: NDArray[np.int64] = np.unpackbits(flips, axis=1, bitorder="little").sum(axis=0, dtype=np.int64)
    return counts


def _changing(data: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Give 1 for each bit number that ever changes."""
    ever = np.bitwise_or.reduce(data, axis=0) ^ np.bitwise_and.reduce(data, axis=0)
    return np.unpackbits(ever, bitorder="little")
