"""Rows that were picked, joined where one goes on as another; and freed at both ends of what is no member."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.bits import Field
from decoder.discovery.physics.levels import LENGTHS
from decoder.discovery.physics.series import Table, table_of, track_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from decoder.discovery.field_at import FieldAt, Sampled
    from decoder.discovery.physics.picking import Picked

_SAME_LEVEL: Final = 0.1  # share by which two parts of one array may differ
_FEWEST_FREED: Final = 12  # members
_FEWEST_WITH_SUMMARIES: Final = 24
_MOST_ODD: Final = 8  # members at either end that may be none
_ODD_SPREADS: Final = 8.0  # times the usual distance from the others
_FAR_SPREADS: Final = 30.0
_FAR_SHARE: Final = 0.05
_OWN_MOVEMENT: Final = 0.5  # of the common movement, so much is left of a member that does not follow it
_MOVES_STEPS: Final = 3.0  # raw steps of common movement, from which on following it can be told
_EQUAL_STEPS: Final = 0.6
_NEARLY_ALWAYS: Final = 0.85
_MOST_SUMMARIES: Final = 3  # members at an end that may be highest, lowest, mean, or odd
_TELLING_NOISE: Final = 5.0  # times the noise lie the highest and the lowest apart, where they can be told
_TELLING_STEPS: Final = 3.0  # between highest and lowest member, from which on both of them can be told,
_TELLING_ALONE: Final = 12.0  # and from which on one of them: of few steps, many members have the last
_SEVERAL_PAGES: Final = 2
_ODD: Final = "does not go with the others"
_ODD_BEHIND: Final = 3  # members behind one that is far off, at an end, that go with it


@dataclass(frozen=True, eq=False)
class LikeFields:
    """Fields that are alike, in order.

    fields : as long as their values fill; lengths : the lengths in which they were found close to one another
    room : bits from one to the next
    parts : how many rows were joined; dropped : what was left out at the ends, with why
    """

    fields: tuple[FieldAt, ...]
    lengths: tuple[int, ...]
    room: int
    score: float
    sampled: Sampled
    parts: int = 1
    dropped: tuple[tuple[FieldAt, str], ...] = ()

    def __len__(self) -> int:
        return len(self.fields)

    @cached_property
    def table(self) -> Table | None:
        """Their raw values at common instants."""
        return table_of([track_of(self.sampled, at) for at in self.fields])

    def usual(self, length: int) -> NDArray[np.float64] | None:
        """Give the median raw value of each field with so many bits; ``None`` where payloads do not reach so far."""
        try:
            tracks = [track_of(self.sampled, with_length(at, length)) for at in self.fields]
        except ValueError:
            return None
        return np.array([np.median(one.raw) for one in tracks]) if all(len(one) for one in tracks) else None

    def leaps(self, length: int) -> float:
        """Give the share of values with so many bits that lie a quarter of the range or more from the usual one."""
        raw = np.concatenate([track_of(self.sampled, with_length(at, length)).raw for at in self.fields])
        return float((np.abs(raw - np.median(raw)) > (1 << length) / 4).mean())

    def cut_to(self, length: int) -> LikeFields:
        """Give the same fields with so many bits, freed at the ends; the lowest bit stays."""
        return freed(replace(self, fields=tuple(with_length(at, length) for at in self.fields), lengths=(length,)))


def with_length(at: FieldAt, length: int) -> FieldAt:
    """Give a field with more or fewer upper bits. Raises `ValueError` where the payload does not reach so far."""
    field = at.field
    if field.byte_order == "little":
        return replace(at, field=replace(field, length=length))
    wire = field.wire_start + field.length - length
    if wire < 0:
        raise ValueError("the field would begin before the payload")
    return replace(at, field=Field(wire // 8 * 8 + 7 - wire % 8, length, "big", field.signed))


def like_fields(chosen: Sequence[Picked], sampled: Sampled) -> list[LikeFields]:
    """Give what was picked, joined."""
    return _joined([fields_of(one, sampled) for one in chosen])


def fields_of(one: Picked, sampled: Sampled) -> LikeFields:
    """Give the fields of a row."""
    # The longest is the one whose values fill it: constant ones above would change the values, zeros do not.
    lengths = tuple(grid.length for grid in one.row.grids)
    base = max(one.row.grids, key=lambda grid: (grid.gain, -grid.length))
    fields = tuple(base.fields[which] for which in one.kept)
    alone = all(slot == 0 for _, slot in one.row.cells)  # one in each payload: the stride says nothing
    return LikeFields(fields, lengths, LENGTHS[-1] if alone else base.stride, one.score, sampled)


def _joined(found: Sequence[LikeFields]) -> list[LikeFields]:
    """Join the parts of an array that comes in several messages of one sender."""
    waiting = sorted(found, key=lambda one: _place(one.fields[0]))
    result: list[LikeFields] = []
    for one in waiting:
        before = result[-1] if result else None
        if before is not None and _goes_on(before, one):
            fields = (*before.fields, *(with_length(at, before.fields[0].field.length) for at in one.fields))
            lengths = tuple(length for length in before.lengths if length in one.lengths)
            score = before.score + one.score
            result[-1] = LikeFields(fields, lengths, before.room, score, one.sampled, before.parts + 1)
        else:
            result.append(one)
    return sorted(result, key=lambda one: -one.score)


def _place(at: FieldAt) -> tuple[str, int, bytes, int, int]:
    carrier = at.stream.carrier
    prefix, group = (b"", 0) if carrier is None else (carrier.prefix, carrier.pgn or 0)
    return at.stream.bus, at.stream.can_id, prefix, group, min(at.field.bit_numbers())


def _goes_on(before: LikeFields, after: LikeFields) -> bool:
    first, last = after.fields[0], before.fields[-1]
    one, other = last.stream.carrier, first.stream.carrier
    if one is None or other is None or one.kind != other.kind or one.pgn != other.pgn:
        return False
    if (last.stream.bus, last.stream.can_id) != (first.stream.bus, first.stream.can_id) or last.stream == first.stream:
        return False
    if int.from_bytes(other.prefix, "big") - int.from_bytes(one.prefix, "big") not in {1, 2}:
        return False
    if before.room != after.room or first.field.byte_order != last.field.byte_order:
        return False
    if not set(before.lengths) & set(after.lengths):
        return False
    length = last.field.length
    levels = [
        _level(before.fields, before.sampled),
        _level([with_length(at, length) for at in after.fields], after.sampled),
    ]
    return min(levels) > (1 - _SAME_LEVEL) * max(levels)


def _level(fields: Sequence[FieldAt], sampled: Sampled) -> float:
    return float(np.median([np.median(track_of(sampled, at).raw) for at in fields]))


def freed(one: LikeFields) -> LikeFields:
    """Leave out members at the ends that do not go with the others, or are the highest, lowest or mean of them."""
    if one.table is None or len(one) < _FEWEST_FREED:
        return one
    words = _why_not(one)
    begin, end = 0, len(one)
    most = min(_MOST_ODD, len(one) // 3)
    lone = _alone(one.fields)
    words[:lone] = ["stands on the only page of its module"] * lone
    far = np.flatnonzero(_far(one.table)).tolist()
    for which in far:
        if which < min(_ODD_BEHIND, most):
            words[: which + 1] = [word or _ODD for word in words[: which + 1]]
        if which >= len(one) - min(_ODD_BEHIND, most):
            words[which:] = [word or _ODD for word in words[which:]]
    while begin < most and words[begin]:
        begin += 1
    while len(one) - end < most and words[end - 1]:
        end -= 1
    if (begin, end) == (0, len(one)):
        return one
    dropped = tuple((one.fields[which], words[which]) for which in (*range(begin), *range(end, len(one))))
    return replace(one, fields=one.fields[begin:end], dropped=dropped)


def _alone(fields: Sequence[FieldAt]) -> int:
    """Count the members at the start on the only page of an outer number, where others have several: summaries."""
    pages: dict[int, set[int]] = {}
    for at in fields:
        outer = None if at.multiplexor is None else at.multiplexor.within
        if at.multiplexor is None or outer is None or outer.value is None or at.multiplexor.value is None:
            return 0
        pages.setdefault(outer.value, set()).add(at.multiplexor.value)
    first, *others = pages.values()
    if len(first) > 1 or not others or np.median([len(some) for some in others]) < _SEVERAL_PAGES:
        return 0
    number = next(iter(pages))
    return sum(at.multiplexor.within.value == number for at in fields)  # type: ignore[union-attr]


def _why_not(one: LikeFields) -> list[str]:
    """Say of each member why it is none; empty text for the rest."""
    assert one.table is not None
    words = [_ODD if odd else "" for odd in _odd(one.table).tolist()]
    if len(one) < _FEWEST_WITH_SUMMARIES:
        return words
    summaries = _summaries(one.table)
    for which, word in _exact_extremes(one.table).items():
        words[which] = word
    # Highest and lowest stand together: both near one end, and nothing but odd fields and means between them and it.
    for end in (1, -1):
        near = range(_MOST_SUMMARIES) if end == 1 else range(len(one) - 1, len(one) - 1 - _MOST_SUMMARIES, -1)
        said = {summaries.get(which) for which in near}
        if {"highest", "lowest"} <= said:
            last = max(which * end for which in near if which in summaries or words[which]) * end
            for which in near:
                if which * end <= last * end:
                    words[which] = words[which] or f"is the {summaries.get(which, 'summary')} of the others"
    return words


def _far(table: Table) -> NDArray[np.bool_]:
    """Tell which members are far off."""
    usual = table.usual
    off = np.abs(usual - np.median(usual))
    spread = max(float(np.median(off)), 0.5)
    return np.asarray((off > _FAR_SPREADS * spread) & (off > _FAR_SHARE * np.median(usual)))


def _odd(table: Table) -> NDArray[np.bool_]:
    """Tell which members are far off, or off and do not follow the common movement."""
    off = np.abs(table.usual - np.median(table.usual))
    spread = max(float(np.median(off)), 0.5)
    far = _far(table)
    common = table.common - table.common.mean()
    moved = float(common.std())
    own = table.rest.std(axis=0)
    if moved >= _MOVES_STEPS:
        apart = own > _OWN_MOVEMENT * moved
        still = table.raw.std(axis=0) == 0
        return np.asarray(far | apart & (off > 2 * spread) | still & (off > spread))
    noise = float(np.median(table.raw.std(axis=0)))
    still = (table.raw.std(axis=0) == 0) & (noise > 0)
    wild = own > 6 * max(float(np.median(own)), 0.5)
    return np.asarray(far | (still | wild) & (off > _ODD_SPREADS * spread))


def _exact_extremes(table: Table) -> dict[int, str]:
    """Name members at the ends that equal the highest or lowest of all others at nearly every instant."""
    found: dict[int, str] = {}
    count = table.raw.shape[1]
    if np.median(np.ptp(table.raw, axis=1)) < _TELLING_STEPS:
        return found
    for which in {*range(min(_MOST_SUMMARIES, count)), *range(max(count - _MOST_SUMMARIES, 0), count)}:
        others = np.delete(table.raw, which, axis=1)
        for name, value in (("highest", others.max(axis=1)), ("lowest", others.min(axis=1))):
            if (np.abs(table.raw[:, which] - value) <= _EQUAL_STEPS).mean() >= _NEARLY_ALWAYS:
                found[which] = f"is always the {name} of the others"
    if len(set(found.values())) < 2 and np.median(np.ptp(table.raw, axis=1)) < _TELLING_ALONE:
        return {}
    return found


def _summaries(table: Table) -> dict[int, str]:
    """Name members at the ends that are usually about the highest, lowest or mean of all others."""
    count = table.raw.shape[1]
    found: dict[int, str] = {}
    for end in (range(_MOST_SUMMARIES), range(count - _MOST_SUMMARIES, count)):
        others = np.delete(table.raw, list(end), axis=1)
        sound = np.delete(table.usual, list(end))
        noise = 1 + float(np.median(table.rest.std(axis=0)))
        highest, lowest = float(np.median(others.max(axis=1))), float(np.median(others.min(axis=1)))
        if highest - lowest < _TELLING_NOISE * noise:
            continue
        for which in end:
            usual = float(table.usual[which])
            if abs(usual - highest) <= 1.5 * noise and usual >= sound.max() - 0.5:
                found[which] = "highest"
            elif abs(usual - lowest) <= 1.5 * noise and usual <= sound.min() + 0.5:
                found[which] = "lowest"
            elif abs(usual - float(np.median(others.mean(axis=1)))) <= noise:
                found[which] = "mean"
    return found
