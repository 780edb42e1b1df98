"""What every possible field of a payload costs to describe, by the best model of its kind, in bits.

A description of a field has two parts. When it changes: coded against the changes of other, comparably rare bits of the
same frame, so that changing together is no evidence of being one field; bits from which a carry could come are left out
of that, so that a carry is. How it changes, by kind:

number   the difference to the value before, taken modulo the field's range: its size class, its sign, its bits
state    one of few values: each value once in full, then which of them
counter  forward by steps, modulo the range or modulo highest + 1; which steps, learned while telling
unknown  each new value in full

Big-endian fields are little-endian ones of the payload with its bytes reversed; so only those are looked at here.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.bits import Field
from decoder.discovery.carving.habits import LONGEST_BITS, change_surprise
from decoder.discovery.carving.moments import (
    SELDOM,
    SITUATIONS,
    changes_of,
    masks_of,
    often_bits,
    seldom_bits,
    situations,
    window_at,
)
from decoder.discovery.carving.value_codes import (
    busy_number_bits,
    counter_bits,
    level_bits,
    like_neighbour_bits,
    moved_number_bits,
    standing_bits,
    steps_evenly,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from decoder.discovery.carving.moves import Moves

KINDS: Final = ("number", "state", "counter", "unknown")
NUMBER, STATE, COUNTER, UNKNOWN = range(len(KINDS))

_ALIKE_BITS: Final = 6  # fields of so many bits may be like their neighbours
_STATE_BITS: Final = 12
_LEVEL_BITS: Final = 16  # numbers of so many bits may keep to a few levels,
_LEVEL_CHANGES: Final = 200  # if they do not change more often
_STATE_CHANGES: Final = 400
_STEP_TWO_BITS: Final = 1.0  # surprise at a counter whose lowest bit rests, for it counts by two
_LARGER_STEP_BITS: Final = 22.0
_COUNTER_SHARE: Final = 0.4  # a counter moves in at least this share of the moves


@dataclass(frozen=True, eq=False)
class Costs:
    """Bits to describe each field, little-endian in the bytes as given.

    bits : float64, kinds x positions x lengths: field from bit `position` up, ``length - 1`` last
    changing : bool, positions: bits that ever flip
    set_ : bool, positions: bits that never flip and are one
    """

    bits: NDArray[np.float64]
    changing: NDArray[np.bool_]
    set_: NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Told:
    """What fields from one bit up cost, of several lengths: kinds x lengths; how many values and changes each has."""

    bits: NDArray[np.float64]
    distinct: NDArray[np.int64]
    times: NDArray[np.int64]


# Fields inside one byte are the same in either byte order: by byte, counted from the payload's first, and lowest bit.
Inside = dict[tuple[int, int], Told]


def field_costs(
    moves: Moves, free: NDArray[np.bool_], differing: NDArray[np.bool_], inside: Inside, *, turned: bool
) -> Costs:
    """Give the cost of each field of 1 to 32 bits whose bits are all `free` (bool, by bit number); else infinite.

    differing : bits that count as changing although they never flip in these moves
    inside : is filled with the fields inside bytes, or has them already from the other byte order
    turned : whether the bytes of the payload are reversed here
    """
    width = moves.bits
    bits = np.full((len(KINDS), width, LONGEST_BITS), np.inf)
    changes = np.zeros((width, LONGEST_BITS), np.int64)
    changing = (moves.counts > 0) & free
    reach = _reach(free)
    at = np.flatnonzero(changing)
    for lowest in at:
        byte = width // 8 - 1 - lowest // 8 if turned else lowest // 8
        tops = at[(at >= lowest) & (at < lowest + reach[lowest])]
        told = _told_from(moves, int(lowest), tops - lowest + 1, inside, (int(byte), int(lowest) % 8))
        _fill(told, tops - lowest + 1, bits[:, lowest, : reach[lowest]], changes[lowest, : reach[lowest]])
    _fill_resting(at, reach, bits, changes)
    bits += np.where(changes > 0, change_surprise(changes), 0.0)
    ones = np.unpackbits(moves.before[:1], bitorder="little").astype(np.bool_) if len(moves) else np.zeros_like(free)
    return Costs(bits, changing | differing, ones & ~changing & ~differing)


def _reach(free: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Give how long a field from each bit up may be: up to the next bit that is not free."""
    taken = np.append(np.flatnonzero(~free), len(free))
    room = taken[np.searchsorted(taken, np.arange(len(free)))] - np.arange(len(free))
    return np.minimum(room, LONGEST_BITS)


def _told_from(moves: Moves, lowest: int, lengths: NDArray[np.int64], inside: Inside, place: tuple[int, int]) -> Told:
    """Work out the fields from the changing bit `lowest` up to another changing bit."""
    short = int(np.searchsorted(lengths, 8 - lowest % 8, side="right"))
    known = inside.get(place)
    if known is None:
        known = inside[place] = _worked_out(moves, lowest, lengths[:short])
    if short == len(lengths):
        return known
    longer = _worked_out(moves, lowest, lengths[short:])
    return Told(
        np.concatenate([known.bits, longer.bits], axis=1),
        np.concatenate([known.distinct, longer.distinct]),
        np.concatenate([known.times, longer.times]),
    )


def _worked_out(moves: Moves, lowest: int, lengths: NDArray[np.int64]) -> Told:
    window = window_at(moves, lowest)
    times = changes_of(window, masks_of(window, lowest, lengths))
    seldom = int(np.searchsorted(times, SELDOM * len(moves), side="right"))
    told = np.full((len(KINDS), len(lengths)), np.inf)
    distinct = np.zeros(len(lengths), np.int64)
    for here, tell in ((slice(seldom), _seldom), (slice(seldom, None), _busy)):
        if len(lengths[here]):
            distinct[here] = tell(moves, lowest, lengths[here], times[here], told[:, here])
    return Told(told, distinct, times)


def _fill(told: Told, lengths: NDArray[np.int64], bits: NDArray[np.float64], changes: NDArray[np.int64]) -> None:
    """Fill in all lengths: where further bits never change, a value costs nothing more, unless it is told in full."""
    stretch = np.arange(1, len(changes) + 1)
    step = np.searchsorted(lengths, stretch, side="right") - 1
    more = stretch - lengths[step]
    bits[:] = told.bits[:, step]
    bits[STATE] += more * (told.distinct[step] - 1)
    bits[UNKNOWN] += more * told.times[step]
    changes[:] = told.times[step]


def _values(moves: Moves, lowest: int, lengths: NDArray[np.int64]) -> tuple[NDArray[np.int64], ...]:
    """Give the values before and after each move by length (lengths x moves), and the masks that they keep to."""
    field = Field(lowest, int(lengths[-1]))
    masks = (np.int64(1) << lengths) - 1
    return moves.was.field(field) & masks[:, None], moves.became.field(field) & masks[:, None], masks


def _seldom(
    moves: Moves, lowest: int, lengths: NDArray[np.int64], times: NDArray[np.int64], told: NDArray[np.float64]
) -> NDArray[np.int64]:
    """Tell fields that change seldom: when, and then how. Fills `told` and gives how many values each field has."""
    old, new, masks = _values(moves, lowest, lengths)
    moved = old[-1] != new[-1]
    old, new, waking = old[:, moved], new[:, moved], moves.waking[moved]
    told[NUMBER] = moved_number_bits(old, new, masks, waking, by_mean=False)
    told[STATE], levels, distinct = level_bits(old, new, lengths, waking)
    told[NUMBER] = np.minimum(told[NUMBER], levels)
    told[STATE, lengths > _STATE_BITS] = np.inf
    for at in np.flatnonzero((lengths >= _ALIKE_BITS) & (lengths <= lowest)):
        here = old[at] != new[at]
        neighbour = moves.became.field(Field(lowest - int(lengths[at]), int(lengths[at])))[moved][here]
        told[NUMBER, at] = min(told[NUMBER, at], like_neighbour_bits(new[at, here], neighbour, int(lengths[at])))
    told[UNKNOWN] = lengths * times
    told += seldom_bits(window_at(moves, lowest), lowest, lengths, times)
    return distinct


def _busy(
    moves: Moves, lowest: int, lengths: NDArray[np.int64], times: NDArray[np.int64], told: NDArray[np.float64]
) -> NDArray[np.int64]:
    """Tell fields that change often: numbers move by move, the others when and then how; as `_seldom`."""
    old, new, masks = _values(moves, lowest, lengths)
    situation = situations(window_at(moves, lowest), lowest, lengths, times)
    when = often_bits(old, new, situation)
    changed = old[-1] != new[-1]
    held = when + moved_number_bits(old[:, changed], new[:, changed], masks, moves.waking[changed], by_mean=True)
    flowing = busy_number_bits(old, new, masks, situation, SITUATIONS, moves.waking)
    flowing = np.minimum(flowing, standing_bits(new, lengths))
    told[NUMBER] = np.where(lengths > 1, np.minimum(held, flowing), when)
    told[UNKNOWN] = np.minimum(when + lengths * times, lengths * len(moves))
    distinct = np.full(len(lengths), 2)
    few = np.flatnonzero(
        (lengths <= np.where(times <= _LEVEL_CHANGES, _LEVEL_BITS, _STATE_BITS)) & (times <= _STATE_CHANGES)
    )
    if len(few):
        states, levels, distinct[few] = level_bits(old[few], new[few], lengths[few], moves.waking)
        told[STATE, few] = np.where(lengths[few] <= _STATE_BITS, when[few] + states, np.inf)
        told[NUMBER, few] = np.minimum(told[NUMBER, few], when[few] + levels)
    for at in np.flatnonzero((lengths > 1) & (times >= _COUNTER_SHARE * len(moves)) & steps_evenly(old, new, masks)):
        here = old[at] != new[at]
        told[COUNTER, at] = when[at] + counter_bits(old[at, here], new[at, here], int(lengths[at]))
    return distinct


def _fill_resting(
    at: NDArray[np.intp], reach: NDArray[np.int64], bits: NDArray[np.float64], changes: NDArray[np.int64]
) -> None:
    """Fields whose lowest bits never change: from those that begin at the next changing bit above."""
    for position in range(bits.shape[1] - 1, -1, -1):
        room = int(reach[position])
        if room == 0 or np.isfinite(bits[UNKNOWN, position, 0]):
            continue
        following = np.searchsorted(at, position)
        gap = int(at[following]) - position if following < len(at) else LONGEST_BITS
        resting = min(gap, room)
        bits[:, position, :resting] = 0.0
        if gap < room:
            above = bits[:, at[following], : room - gap].copy()
            times = changes[at[following], : room - gap]
            above[NUMBER] += gap * times  # differences are that much larger
            above[UNKNOWN] += gap * times
            above[STATE] += gap
            above[COUNTER] += _STEP_TWO_BITS if gap == 1 else _LARGER_STEP_BITS
            bits[:, position, gap:room] = above
            changes[position, gap:room] = times
