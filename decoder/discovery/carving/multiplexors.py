"""Multiplexors: values that decide what the other bits of a payload mean.

Told from description length: sorted by the multiplexor's value, the other bits change far less from one payload to
the next with the same value than they do in order of time. Bits that keep changing as in order of time are common to
all values. Counters in step with the multiplexor would look like that too, so bits that count say nothing.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.bits import Field, Payloads
from decoder.discovery.carving.code_lengths import bits_of_choice, bits_of_symbols, bits_of_yes_no
from decoder.discovery.carving.moves import flip_counts

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

_FEWEST_ROWS: Final = 12
_FEWEST_EACH: Final = 2.5  # payloads a value, on average
_OFTEN: Final = 0.08  # a multiplexor changes in at least this share of the moves
_MARGIN_BITS: Final = 3.0  # by which a bit must be cheaper to count as one that depends on the multiplexor
# Surprise at a multiplexor that is not in the first byte, or does not begin at a byte or nibble. Common practice, no
# source.
_NOT_FIRST_BITS: Final = 4.0
_NO_BORDER_BITS: Final = 5.0
_REGULAR_BITS: Final = 0.7  # a payload, that tell which value comes next where they come in a turn
_CALMER_USUAL: Final = 0.95  # of the flips in order of time, so many at most are left under each value
_CALMER: Final = 0.6  # and so many where a multiplexor does not usually stand
# Values that come in no turn and by small steps; a number that another one follows has more.
_MOST_IRREGULAR: Final = 12
_SMALL_STEP: Final = 0.15  # of the span of the values, on average; values in no order make steps of a third of it
_MOST_USUAL: Final = 2  # that are tried in the usual places
_USUAL_BITS: Final = 16  # the first ones after checks and counters. Common practice, no source.
# Share of the whole description, reckoned bit by bit, that a multiplexor saves: at least, where it stands in a usual
# place and comes in no turn; at least elsewhere; and from which on nothing else is tried. Counted on made captures,
# seeds 30 to 60.
_SHARE: Final = 0.25
_SHARE_ELSEWHERE: Final = 0.6
_CLEAR_SHARE: Final = 0.75
_MOST_MODULES: Final = 32  # values of a selector that another one follows
_IN_TURN_BITS: Final = 0.5  # a payload, that tell which pair comes next, where they come in a turn
_CALMER_TOGETHER: Final = 0.75  # of the flips that are left under either of two selectors, so many at most under both
_REGULAR: Final = 0.9  # of the steps of bits that only count
_SELDOM: Final = 0.05  # of the payloads, up to which a bit's flips under all values tell that it is common,
_COMMON: Final = 1.5  # where they are more than so many times those in order of time
_DETERMINED: Final = 8  # so few bits, always the same under each value, are a function of a counter, not multiplexed


@dataclass(frozen=True, eq=False)
class Multiplexor:
    """A field that selects.

    dependent : bool, by bit number: bits that mean something else under each value
    saved : bits of description that it saves, reckoned bit by bit; share : of those of all bits
    sequence : bits that tell its values
    values : how many there are
    near : whether it stands in the first two bytes that hold more than checks and counters
    """

    field: Field
    dependent: NDArray[np.bool_]
    saved: float
    share: float
    sequence: float
    values: int
    near: bool

    @property
    def is_usual(self) -> bool:
        """Whether it stands where multiplexors usually do: near, from a byte's or a nibble's border on."""
        return self.near and self.field.start % 4 == 0

    @property
    def is_clear(self) -> bool:
        """Whether it saves so much, where multiplexors usually stand, that no other explanation need be looked at."""
        return self.is_usual and self.share >= _CLEAR_SHARE

    @property
    def cost(self) -> float:
        """Bits that tell its values, and the first payload under each."""
        return self.sequence + self.values * int(self.dependent.sum())


def possible_multiplexors(data: NDArray[np.uint8], free: NDArray[np.bool_]) -> list[Multiplexor]:
    """Give what could be the multiplexor of payloads (n x width, in order of time), the most saving first.

    Only `free` bits (bool, by bit number) are looked at. Whether the best of them is one is seen when the payloads are
    cut with and without it.
    """
    if len(data) < _FEWEST_ROWS:
        return []
    flips = data[1:] ^ data[:-1]
    counts = flip_counts(flips)
    usable = free & (counts > 0)
    telling = usable & ~_counting_bits(data, usable)
    in_time = bits_of_yes_no(counts, len(flips) - counts)
    first = _leading_bytes(free, usable, telling)
    outer = _outer_of_two(data, usable, first)
    if outer is not None:
        others, values = usable & ~field_bits(outer, len(usable)), _values(data, outer)
        sequence, kinds = sequence_bits(values), len(np.unique(values))
        return [Multiplexor(outer, others, float(in_time.sum()), 1.0, sequence, kinds, near=True)]
    fields = _candidates(counts, usable, len(flips))
    found = [_judged(data, field, in_time, counts, telling, 8 * first) for field in fields]
    tried = sorted((one for one in found if one is not None), key=lambda one: -one.saved)
    usual = [one for one in tried if one.is_usual]
    chosen = [*_first_of_bytes(usual)[:_MOST_USUAL], *_first_of_bytes([one for one in tried if one not in usual])[:1]]
    longer = [one for one in usual if chosen and _is_longer(one.field, chosen[0].field)]
    return chosen + longer[:1]


def _outer_of_two(data: NDArray[np.uint8], usable: NDArray[np.bool_], first: int) -> Field | None:
    """Give the first of two selectors in neighbouring bytes that walk through a table together, as module and page do.

    Neither alone makes the rest calm; both together do.
    """
    outer = _from_border(usable, first) if first < len(usable) // 8 - 2 else None
    if outer is None:
        return None
    one = _values(data, outer)
    if len(np.unique(one)) > _MOST_MODULES:
        return None
    rest = np.delete(data, np.s_[: first + 2], axis=1)
    before = [one, *(_values(data, Field(8 * byte, 8)) for byte in range(first))]
    calm = min(_flips_under(rest, values) for values in before)
    for most in (8, 4):
        inner = _from_border(usable, first + 1, most)
        if inner is None:
            continue
        other = _values(data, inner)
        both = np.unique(one << inner.length | other, return_inverse=True)[1]
        if len(data) < _FEWEST_EACH * both.max() or sequence_bits(both) > _IN_TURN_BITS * len(data):
            continue
        if _flips_under(rest, both) < _CALMER_TOGETHER * min(calm, _flips_under(rest, other)):
            return outer
    return None


def _from_border(usable: NDArray[np.bool_], byte: int, most: int = 8) -> Field | None:
    """Give the changing bits of a byte, from its first on, as a field."""
    changing = np.flatnonzero(usable[8 * byte : 8 * byte + most])
    return Field(8 * byte, int(changing[-1]) + 1) if len(changing) and changing[0] < 4 else None


def _values(data: NDArray[np.uint8], field: Field) -> NDArray[np.int64]:
    return Payloads(data).field(field).astype(np.int64)


def _flips_under(data: NDArray[np.uint8], values: NDArray[np.int64]) -> float:
    """Give how many bits flip from one payload to the next with the same value, on average."""
    pairs = len(values) - len(np.unique(values))
    return float(_counts_under(data, values).sum()) / max(pairs, 1)


def field_bits(field: Field, bits: int) -> NDArray[np.bool_]:
    """Tell which of a payload's `bits` belong to a field, by DBC bit number."""
    own = np.zeros(bits, np.bool_)
    own[list(field.bit_numbers())] = True
    return own


def _leading_bytes(free: NDArray[np.bool_], usable: NDArray[np.bool_], telling: NDArray[np.bool_]) -> int:
    """Give how many bytes at the beginning hold nothing but checks and counters; a multiplexor follows those."""
    taken = ~free.reshape(-1, 8).all(axis=1)
    counting = usable.reshape(-1, 8).any(axis=1) & ~telling.reshape(-1, 8).any(axis=1)
    return int(np.argmin(np.append(taken | counting, False)))


def _first_of_bytes(found: list[Multiplexor]) -> list[Multiplexor]:
    """Give the first one of each byte."""
    best: dict[int, Multiplexor] = {}
    for one in found:
        best.setdefault(one.field.first_byte, one)
    return list(best.values())


def _is_longer(one: Field, other: Field) -> bool:
    return one.start == other.start and one.length > other.length


def _candidates(counts: NDArray[np.int64], usable: NDArray[np.bool_], moves: int) -> Iterator[Field]:
    """Give runs of bits inside a byte, from changing bit to changing bit, that change often enough."""
    for byte in range(len(counts) // 8):
        bits = [bit for bit in range(8) if usable[8 * byte + bit]]
        for low in bits:
            often = 0
            for high in range(low, 8):
                at = 8 * byte + high
                if counts[at] and not usable[at]:
                    break
                if not usable[at]:
                    continue
                often = max(often, int(counts[at]))
                if often >= _OFTEN * moves:
                    yield Field(8 * byte + low, high - low + 1)


def _judged(
    data: NDArray[np.uint8],
    field: Field,
    in_time: NDArray[np.float64],
    counted_flips: NDArray[np.int64],
    telling: NDArray[np.bool_],
    begin: int,
) -> Multiplexor | None:
    """Weigh one field as the multiplexor.

    `telling` bits could show it, `counted_flips` is of each in time; before bit `begin` are checks and counters only.
    """
    values = _values(data, field)
    counted = np.bincount(values, minlength=1 << field.length)
    distinct = int((counted > 0).sum())
    if distinct < 2 or len(data) < _FEWEST_EACH * distinct:
        return None
    counts, pairs = _counts_under(data, values), len(values) - distinct
    own = field_bits(field, len(telling))
    others = telling & ~own
    under = bits_of_yes_no(counts, pairs - counts) + distinct
    saving = np.where(others, in_time - under, 0.0)
    sequence = sequence_bits(values)
    regular = sequence <= _REGULAR_BITS * len(values)
    near = field.start < begin + _USUAL_BITS
    usual = near and field.start % 4 == 0
    if regular:  # bits may change with each value in turn, so that they seem to be told easily in order of time
        calm = _CALMER_USUAL if usual else _CALMER
        dependent = others & (counts * len(data) < _CALMER_USUAL * counted_flips * pairs)
        if (counts[others].sum() * len(data)) > calm * counted_flips[others].sum() * pairs:
            return None
    else:
        dependent = saving > _MARGIN_BITS
        if distinct > _MOST_IRREGULAR and _is_smooth(values):
            return None
    if not dependent.any() or (dependent.sum() <= _DETERMINED and not counts[dependent].any()):
        return None
    sequence += _surprise(field, np.flatnonzero(counted), begin)
    saved = float(saving[dependent].sum() + in_time[own].sum()) - sequence
    share = saved / float(in_time.sum())
    if share < (-np.inf if regular else _SHARE) if usual else share < _SHARE_ELSEWHERE:
        return None
    return Multiplexor(field, dependent, saved, share, sequence, distinct, near)


def with_all(one: Multiplexor, data: NDArray[np.uint8], free: NDArray[np.bool_]) -> Multiplexor:
    """Give a multiplexor that all bits depend on but those that only count, or are common: the usual case.

    Bits that are alike under all values seem common, though they are the upper ones of fields that are not. But what
    is common and seldom flips does so under each value in its turn.
    """
    counts = flip_counts(data[1:] ^ data[:-1])
    usable = free & (counts > 0)
    usable &= ~_counting_bits(data, usable)
    usable &= ~((counts <= _SELDOM * len(data)) & (_counts_under(data, _values(data, one.field)) > _COMMON * counts))
    usable[list(one.field.bit_numbers())] = False
    return replace(one, dependent=usable)


def _counts_under(data: NDArray[np.uint8], values: NDArray[np.int64]) -> NDArray[np.int64]:
    """Count the flips of each bit from one payload to the next with the same value."""
    order = np.argsort(values, kind="stable")
    ordered = data[order]
    return flip_counts((ordered[1:] ^ ordered[:-1])[values[order][1:] == values[order][:-1]])


def settled(
    one: Multiplexor, looked_at: NDArray[np.uint8], data: NDArray[np.uint8], free: NDArray[np.bool_]
) -> Multiplexor:
    """Give a multiplexor with the bits that depend on it in all payloads, not only in those it was found in.

    A bit that never flipped in those counts as dependent.
    """
    rested = flip_counts(looked_at[1:] ^ looked_at[:-1]) == 0
    later = with_all(one, data, free).dependent & rested
    return replace(one, dependent=one.dependent | later)


def _is_smooth(values: NDArray[np.int64]) -> bool:
    """Tell whether values move by small steps: a number that another one follows, not an index in no order."""
    return bool(np.abs(np.diff(values)).mean() < _SMALL_STEP * (values.max() - values.min()))


def _surprise(field: Field, values: NDArray[np.intp], begin: int) -> float:
    """Give the surprise at a multiplexor in this place with these values."""
    in_a_row = int(values[-1] - values[0]) == len(values) - 1 and values[0] <= 1
    chosen = 0.0 if in_a_row else float(bits_of_choice(np.array(len(values)), np.array(1 << field.length)))
    place = (0.0 if field.start < begin + 8 else _NOT_FIRST_BITS) + (0.0 if field.start % 4 == 0 else _NO_BORDER_BITS)
    return chosen + field.length + place


def sequence_bits(values: NDArray[np.int64]) -> float:
    """Give the bits that tell a sequence of values: which follows which, or by what step, learned while telling."""
    kinds, number = np.unique(values, return_inverse=True)
    pairs = number[:-1] * len(kinds) + number[1:]
    followed = np.bincount(pairs, minlength=len(kinds) ** 2).reshape(len(kinds), len(kinds))
    by_value = float(bits_of_symbols(followed).sum())
    span = int(values.max() - values.min()) + 1
    steps = np.unique((values[1:] - values[:-1]) % span, return_counts=True)[1]
    by_step = float(bits_of_symbols(np.append(steps, 0))) + len(steps) * np.log2(span)
    return min(by_value, float(by_step))


def _counting_bits(data: NDArray[np.uint8], usable: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Tell the bits of bytes and nibbles that only count: forward by one and the same step nearly always."""
    counting = np.zeros(len(usable), np.bool_)
    payloads = Payloads(data)
    for start in range(0, len(usable), 4):
        for length in (4, 8) if start % 8 == 0 else (4,):
            if not usable[start : start + length].any():
                continue
            field = Field(start, length)
            values = payloads.field(field).astype(np.int64)
            if _counts(values):
                counting[start : start + length] |= usable[start : start + length]
    return counting


def _counts(values: NDArray[np.int64]) -> bool:
    """Tell whether values go forward by one step, modulo the span that they cover, nearly always."""
    span = int(values.max() - values.min()) + 1
    steps = (values[1:] - values[:-1]) % span
    seen = np.bincount(steps)
    usual = int(seen.argmax())
    return span > 2 and usual != 0 and seen[usual] >= _REGULAR * len(steps)
