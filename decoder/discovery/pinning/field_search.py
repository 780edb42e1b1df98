"""The search over every field of a capture: which could carry what was read, at one of the scales that may be.

A field passes where, around each reading, within what the clocks may be apart, it comes as near to the reading as
meter, sensor and quantisation allow. A field is looked at once, at the shortest length at which its upper bits that
were never set are left out; longer ones carry the same values.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from decoder.discovery.pinning.byte_rows import ByteRows
    from decoder.discovery.pinning.reading_errors import LabelReadings
    from decoder.discovery.pinning.reading_scales import Scale

_SHORTEST: Final = 5  # bits; a reading is no state
_LONGEST: Final = 32
_NARROW: Final = 16  # bits that are searched in 16-bit numbers
_MISSES: Final = 0.17  # readings that may be wrong altogether, of all: one of six
_RESTLESS: Final = 0.12  # mean step from one payload to the next, of the range, above which a field is no number
_STEPS: Final = 12.0  # ... but for steps of so many tolerances
_STEPS_OF_RANGE: Final = 0.3  # ... and of so much of the range of the readings
_SLACK: Final = 3.0  # steps from one payload to the next
_BLOCK: Final = 4  # moments that are looked at together
_MOST_LOOKED_AT: Final = 8  # readings that decide whether a field is looked at closer
_MOST_BYTES: Final = 5


@dataclass(frozen=True, eq=False, slots=True)
class Candidates:
    """Fields with scales, for one label; columns of one length.

    order : 0 little, 1 big; row : number in `ByteRows`; shift, length, signed : see `decoder.bits.field_of_word`
    room : up to how many bits the field may have with the same values
    which : number of the scale; scale, offset : float64
    """

    order: NDArray[np.int64]
    row: NDArray[np.int64]
    shift: NDArray[np.int64]
    length: NDArray[np.int64]
    signed: NDArray[np.bool_]
    room: NDArray[np.int64]
    which: NDArray[np.int64]
    scale: NDArray[np.float64]
    offset: NDArray[np.float64]

    def __len__(self) -> int:
        return len(self.row)

    def joined(self, other: Candidates) -> Candidates:
        """Give these and others."""
        pairs = ((getattr(self, name), getattr(other, name)) for name in self.__slots__)
        return Candidates(*(np.concatenate(pair) for pair in pairs))

    def take(self, rows: NDArray[np.intp] | NDArray[np.bool_]) -> Candidates:
        """Give some of them."""
        return Candidates(*(getattr(self, name)[rows] for name in self.__slots__))


@dataclass(frozen=True, eq=False, slots=True)
class Target:
    """One label with its scales, and where the readings that are looked at lie on the grid of moments.

    begin, end : blocks of `_BLOCK` moments that each may belong to, end is one behind
    down, up, calm : per scale, the raw values that the field must reach down and up to, and how calm it must be
    low, high : scales x readings, the raw values that are near enough
    bits, signed, half : of the scales
    """

    label: LabelReadings
    scales: Sequence[Scale]
    edges: NDArray[np.intp]
    down: NDArray[np.float64]
    up: NDArray[np.float64]
    calm: NDArray[np.float64]
    low: NDArray[np.float64]
    high: NDArray[np.float64]
    bits: NDArray[np.int64]
    signed: NDArray[np.bool_]
    half: NDArray[np.bool_]


def target(label: LabelReadings, scales: Sequence[Scale], moments_s: NDArray[np.float64], reach_s: float) -> Target:
    """Place the readings of a label on the grid of moments; they may be off by `reach_s` either way."""
    looked = _looked_at(label.value)
    time_s, value = label.time_s[looked], label.value[looked]
    blocks = -(-len(moments_s) // _BLOCK)
    begin = (np.searchsorted(moments_s, time_s - reach_s, side="right") - 1) // _BLOCK
    end = np.searchsorted(moments_s, time_s + reach_s, side="left") // _BLOCK + 1
    begin, end = np.clip(begin, 0, blocks - 1), np.clip(end, 1, blocks)
    ends = [_ends(value, label.tolerance(s.quantity)[looked], s) for s in scales]
    low = np.array([np.minimum(*some) for some in ends]).reshape(len(scales), len(looked)) - 1
    high = np.array([np.maximum(*some) for some in ends]).reshape(len(scales), len(looked)) + 1
    inner = np.argsort(value)[_misses(len(looked)) : len(looked) - _misses(len(looked))]
    down, up = high[:, inner].min(axis=1), low[:, inner].max(axis=1)
    moved = low[:, inner].max(axis=1) - high[:, inner].min(axis=1)
    return Target(
        label,
        scales,
        np.stack([begin, end], axis=1).ravel(),
        down,
        up,
        np.maximum(_STEPS * (high - low).mean(axis=1) / 2, _STEPS_OF_RANGE * moved),
        low,
        high,
        np.array([s.bits for s in scales], np.int64).reshape(-1, 2),
        np.array([s.signed for s in scales], np.bool_),
        np.array([s.half_range for s in scales], np.bool_),
    )


def _looked_at(value: NDArray[np.float64]) -> NDArray[np.intp]:
    """Give the readings that decide here: the lowest, the highest, and others evenly in time."""
    spread = np.linspace(0, len(value) - 1, min(_MOST_LOOKED_AT, len(value))).round().astype(np.intp)
    return np.union1d(spread, [np.argmin(value), np.argmax(value)]).astype(np.intp)


def _misses(readings: int) -> int:
    """Give how many of some readings may be wrong altogether."""
    return int(_MISSES * readings)


def _ends(
    value: NDArray[np.float64], tolerance: NDArray[np.float64], scale: Scale
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    return (value - tolerance - scale.offset) / scale.scale, (value + tolerance - scale.offset) / scale.scale


def search(rows: Sequence[ByteRows], targets: Sequence[Target]) -> list[Candidates]:
    """Give the fields that could carry each target."""
    found: list[list[NDArray[np.int64]]] = [[] for _ in targets]
    lengths = sorted(
        {
            (length, scale.signed)
            for one in targets
            for scale in one.scales
            for length in range(_lowest(scale), scale.bits[1] + 1)
        }
    )
    for number, some in enumerate(rows):
        for shift in range(8):
            words: dict[int, NDArray[np.unsignedinteger]] = {}
            for length, signed in lengths:
                columns = _whole(some, shift, length)
                if not len(columns):
                    continue
                sampled, step = _cut(some, words, columns, shift, length, signed=signed)
                for at, one in enumerate(targets):
                    near = _near(one, sampled, step, length, signed=signed)
                    if near is not None:
                        which, index = near
                        row = columns[index]
                        known = [np.full(len(row), value, np.int64) for value in (number, shift, length, int(signed))]
                        found[at].append(np.stack([*known, which, row]))
    return [_joined(rows, one, some) for one, some in zip(targets, found, strict=True)]


def _lowest(scale: Scale) -> int:
    """Give the shortest length to look at; an unsigned field may have upper bits that were never set."""
    return scale.bits[0] if scale.signed or scale.half_range else _SHORTEST


def _whole(rows: ByteRows, shift: int, length: int) -> NDArray[np.intp]:
    """Give the rows with room for a field, and with its highest bit set at some time."""
    wanted = rows.room[shift] >= length
    if length > _SHORTEST:
        wanted &= (rows.ever >> np.uint64(shift + length - 1)) & np.uint64(1) != 0
    return np.flatnonzero(wanted)


def _cut(
    rows: ByteRows,
    words: dict[int, NDArray[np.unsignedinteger]],
    columns: NDArray[np.intp],
    shift: int,
    length: int,
    *,
    signed: bool,
) -> tuple[NDArray[np.integer], NDArray[np.float64]]:
    """Give raw values, columns x moments, and the usual step from one payload to the next.

    `words` keeps what is the same for all lengths.
    """
    width = _NARROW if length <= _NARROW else _LONGEST
    kind = np.uint16 if width == _NARROW else np.uint32
    if width not in words:
        words[width] = (rows.words >> np.uint64(shift)).astype(kind)
        words[-width] = (np.stack([rows.earlier, rows.later]) >> np.uint64(shift)).astype(kind)
    taken, pairs = words[width][columns], words[-width][:, columns]
    if signed:
        own, up = (np.int16 if width == _NARROW else np.int32), width - length
        taken, pairs = (np.right_shift((one << kind(up)).view(own), own(up)) for one in (taken, pairs))
    else:
        taken, pairs = taken & kind((1 << length) - 1), pairs & kind((1 << length) - 1)
    step = pairs.max(axis=0).astype(np.int64) - pairs.min(axis=0)
    return taken, np.sort(step, axis=1)[:, : step.shape[1] // 2 + 2].mean(axis=1)  # one may be 'not available'


def _near(
    one: Target, sampled: NDArray[np.integer], step: NDArray[np.float64], length: int, *, signed: bool
) -> tuple[NDArray[np.intp], NDArray[np.intp]] | None:
    """Give pairs of scale and column that come near to nearly all readings, each within its moments."""
    exact = one.half | one.signed
    scales = np.flatnonzero((one.bits[:, 1] >= length) & (one.signed == signed) & (~exact | (one.bits[:, 0] <= length)))
    if not len(scales):
        return None
    lowest, highest = sampled.min(axis=1).astype(np.float64), sampled.max(axis=1).astype(np.float64)
    zero = np.where(one.half[scales], 1 << length - 1, 0)[:, None]
    slack = _SLACK * step  # between two payloads it may have been farther up or down
    near = (lowest - slack <= one.down[scales, None] + zero) & (highest + slack >= one.up[scales, None] + zero)
    near &= step <= np.maximum(one.calm[scales, None], _RESTLESS * (highest - lowest))
    columns = np.flatnonzero(near.any(axis=0))
    if not len(columns):
        return None
    starts = np.arange(0, sampled.shape[1], _BLOCK)
    some = sampled[columns]
    lowest = _within(np.minimum, np.minimum.reduceat(some, starts, axis=1), one.edges)
    highest = _within(np.maximum, np.maximum.reduceat(some, starts, axis=1), one.edges)
    which, index = np.nonzero(near[:, columns])
    slack = slack[columns[index]][:, None]
    off = lowest[index] - slack > one.high[scales[which]] + zero[which]
    off |= highest[index] + slack < one.low[scales[which]] + zero[which]
    kept = off.sum(axis=1) <= _misses(off.shape[1])
    return scales[which[kept]], columns[index[kept]]


def _within(best: np.ufunc, blocks: NDArray[np.integer], edges: NDArray[np.intp]) -> NDArray[np.float64]:
    """Give the best of the blocks from each even edge up to the odd one behind it, columns x readings."""
    padded = np.concatenate([blocks, blocks[:, -1:]], axis=1)
    found: NDArray[np.float64] = best.reduceat(padded, edges, axis=1)[:, ::2].astype(np.float64)
    return found


def _joined(rows: Sequence[ByteRows], one: Target, found: list[NDArray[np.int64]]) -> Candidates:
    """Put the parts together, without fields whose length, with all upper bits that may belong to it, is unusual."""
    order, shift, length, signed, which, row = np.concatenate(found, axis=1) if found else np.empty((6, 0), np.int64)
    room = np.empty(len(row), np.int64)
    for number, some in enumerate(rows):
        mine = order == number
        room[mine] = _room_above(some, row[mine], shift[mine], length[mine])
    room = np.where((signed > 0) | one.half[which], length, room)
    kept = room >= one.bits[which, 0]
    order, shift, length, signed, which, row, room = (
        column[kept] for column in (order, shift, length, signed, which, row, room)
    )
    scale = np.array([s.scale for s in one.scales])[which]
    offsets = np.array([[s.offset_of(n) for n in range(1, _LONGEST + 1)] for s in one.scales]).reshape(-1, _LONGEST)
    offset = offsets[which, length - 1]
    return Candidates(order, row, shift, length, signed > 0, room, which, scale, offset)


def _room_above(
    rows: ByteRows, row: NDArray[np.int64], shift: NDArray[np.int64], length: NDArray[np.int64]
) -> NDArray[np.int64]:
    """Give up to how many bits fields have the same values: as long as the bits above were never set."""
    above = rows.often[row] >> (shift + length).astype(np.uint64)
    lowest = above & (~above + np.uint64(1))
    clear = np.where(above == 0, 64, np.log2(np.maximum(lowest, np.uint64(1)).astype(np.float64)).astype(np.int64))
    return np.minimum(np.minimum(length + clear, rows.room[shift, row]), 8 * _MOST_BYTES - shift)
