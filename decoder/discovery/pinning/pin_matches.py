"""Weighed candidates of one label -> the matches that are told, the likeliest first."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.bits import Field, Payloads, field_of_word
from decoder.discovery.field_at import FieldAt
from decoder.discovery.pinned import Match, Pinned
from decoder.discovery.pinning.field_priors import usual_lengths
from decoder.discovery.pinning.number_evidence import carry_log_odds, rest_log_odds
from decoder.discovery.pinning.pin_next import next_reading

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from decoder.bits import ByteOrder
    from decoder.discovery.field_at import Sampled
    from decoder.discovery.pinning.byte_rows import ByteRows
    from decoder.discovery.pinning.field_search import Candidates
    from decoder.discovery.pinning.reading_clock import ClockOdds, Weighed
    from decoder.discovery.pinning.reading_errors import LabelReadings
    from decoder.discovery.pinning.reading_scales import Scale
    from decoder.discovery.quick_parts import Part

MOST_LISTED: Final = 50
_HOPELESS: Final = 12.0  # log odds below the best beyond which nothing else is looked at
_TIED: Final = 1 / 3  # of the best likelihood, from which on a match fits as well
_MOST_COMPARED: Final = 500  # candidates whose whole series is looked at
_CHANCE: Final = 2.0  # log odds that carries show by chance
_STRANGE_BIT: Final = -2.0  # log odds of a field whose lowest bit seems to be another's
_CONSTANT: Final = -0.4  # log odds of a field that never changed: measured ones mostly do
_CUT: Final = 3.0  # ... and against one that seems to go on below its lowest bit
_MOST_ROWS: Final = 2000  # of a series


@dataclass(frozen=True, eq=False, slots=True)
class Capture:
    """What a capture is searched as: its parts, their bytes, byte order, series, and how long it is (s)."""

    parts: Sequence[Part]
    rows: Sequence[ByteRows]
    big_odds: float
    sampled: Sampled
    first_ns: int
    last_s: float


def pinned_of(
    capture: Capture,
    label: LabelReadings,
    scales: Sequence[Scale],
    own: Weighed,
    clock: ClockOdds,
    others: NDArray[np.float64],
    drift_ppm: float | None,
    most: int,
) -> Pinned:
    """Give what is told of one label.

    others : what the other labels say of the clock offsets at which it was weighed, log weights
    """
    matches = _matches(capture, scales, own, clock, others) if len(own.candidates) else []
    times_s = label.every_s - clock.offset_s
    return Pinned(
        label=label.label,
        unit=label.unit,
        used=int(((times_s >= 0) & (times_s <= capture.last_s)).sum()),
        clock_offset_s=clock.offset_s,
        drift_ppm=drift_ppm,
        matches=tuple(matches[:most]),
        next_reading=next_reading(capture.sampled, label, matches, capture.first_ns, capture.last_s),
        clock_unsure_s=clock.unsure_s,
        tied=sum(one.likelihood >= matches[0].likelihood * _TIED for one in matches),
    )


def _matches(
    capture: Capture, scales: Sequence[Scale], own: Weighed, clock: ClockOdds, by_others: NDArray[np.float64]
) -> list[Match]:
    """Give the matches of one label, the likeliest first."""
    parts, rows, big_odds = capture.parts, capture.rows, capture.big_odds
    log_post = np.logaddexp.reduce(own.log_joint + by_others, axis=1)
    none = own.none + np.logaddexp.reduce(by_others)
    best = np.argsort(-log_post, kind="stable")[:_MOST_COMPARED]
    best = best[log_post[best] >= log_post[best[0]] - _HOPELESS]
    candidates, log_post = own.candidates.take(best), log_post[best]
    lengths = usual_lengths(candidates, scales)
    series = [_series(parts, rows, candidates, at) for at in range(len(best))]
    log_post = log_post + np.array([one.log_odds for one in series]) + _order_odds(candidates, lengths, big_odds)
    chance = np.exp(log_post - np.logaddexp.reduce(np.append(log_post, none)))
    at_offset = int(np.argmin(np.abs(clock.offsets_s - clock.offset_s)))
    groups: dict[tuple[int, bytes, float, float], list[int]] = {}
    for at, one in enumerate(series):
        scale = float(candidates.scale[at]), float(candidates.offset[at])
        groups.setdefault((one.part, one.values, *scale), []).append(at)
    found: dict[tuple[FieldAt, float, float], Match] = {}
    for members in groups.values():
        ordered = sorted(members, key=lambda at: -chance[at])
        match, first = _match(parts, rows, candidates, ordered, lengths, chance, big_odds), ordered[0]
        match = replace(
            match,
            residual=float(own.residual[best[first], at_offset]),
            quantity=scales[candidates.which[first]].quantity if not scales[candidates.which[first]].fitted else None,
        )
        key = match.at, match.scale, match.offset
        if key not in found or found[key].likelihood < match.likelihood:
            found[key] = match
    return sorted(found.values(), key=lambda one: -one.likelihood)


def _match(
    parts: Sequence[Part],
    rows: Sequence[ByteRows],
    candidates: Candidates,
    members: Sequence[int],
    lengths: NDArray[np.int64],
    chance: NDArray[np.float64],
    big_odds: float,
) -> Match:
    """Give candidates with the same values, the likeliest first, as one match."""
    first = members[0]
    fields = [_field_at(parts, rows, candidates, first, int(lengths[first]), big_odds)]
    for at in members:
        for length in (int(lengths[at]), *range(int(candidates.length[at]), int(candidates.room[at]) + 1)):
            field = _field_at(parts, rows, candidates, at, length, big_odds)
            if field not in fields:
                fields.append(field)
    return Match(
        fields[0],
        float(candidates.scale[first]),
        float(candidates.offset[first]),
        0.0,
        float(chance[list(members)].sum()),
        tuple(fields[1:]),
    )


@dataclass(frozen=True, eq=False, slots=True)
class _Series:
    """A candidate's series.

    part, values : which part, its values as bytes
    log_odds : that its bits are those of one number of its quantity
    """

    part: int
    values: bytes
    log_odds: float


def _series(parts: Sequence[Part], rows: Sequence[ByteRows], candidates: Candidates, at: int) -> _Series:
    order, row = int(candidates.order[at]), int(candidates.row[at])
    number = int(rows[order].part[row])
    part, byte, shift = parts[number], int(rows[order].byte[row]), int(candidates.shift[at])
    length = int(candidates.length[at])
    data = part.data[:: max(1, len(part.data) // _MOST_ROWS)]
    field = field_of_word(byte, shift, length, rows[order].byte_order, signed=bool(candidates.signed[at]))
    raw = Payloads(data).field(field).astype(np.int64)
    odds = float(np.clip(carry_log_odds(raw >> 1, raw & 1) + _CHANCE, _STRANGE_BIT, 0.0))
    below = _bit_below(byte, shift, rows[order].byte_order)
    if 0 <= below < len(part.allowed) and part.allowed[below]:
        bit = Payloads(data).field(Field(below, 1)).astype(np.int64)
        odds -= float(np.clip(carry_log_odds(raw, bit) - _CHANCE, 0.0, _CUT))
    awake = raw[len(raw) // 8 :]
    odds += rest_log_odds(awake)
    value = candidates.scale[at] * awake + candidates.offset[at]
    if bool((awake == awake[-1]).all()):
        odds += _CONSTANT
    return _Series(number, np.round(value, 9).tobytes(), odds)


def _bit_below(byte: int, shift: int, byte_order: ByteOrder) -> int:
    """Give the number of the bit that would be the next lower one of a field."""
    if shift:
        return 8 * byte + shift - 1
    return 8 * byte - 1 if byte_order == "little" else 8 * (byte + 1) + 7


def _order_odds(candidates: Candidates, lengths: NDArray[np.int64], big_odds: float) -> NDArray[np.float64]:
    """Give the log chance of each candidate's byte order; inside one byte there is none."""
    inside = candidates.shift + lengths <= 8
    big, little = -np.logaddexp(0, -big_odds), -np.logaddexp(0, big_odds)
    return np.where(inside, 0.0, np.where(candidates.order == 1, big, little) + np.log(2))


def _field_at(
    parts: Sequence[Part], rows: Sequence[ByteRows], candidates: Candidates, at: int, length: int, big_odds: float
) -> FieldAt:
    """Give a candidate as a field; inside one byte in the byte order of the capture."""
    some = rows[int(candidates.order[at])]
    row, shift = int(candidates.row[at]), int(candidates.shift[at])
    part = parts[int(some.part[row])]
    order: ByteOrder = some.byte_order
    if shift + length <= 8:
        order = "big" if big_odds > 0 else "little"  # inside one byte both orders are one
    field = field_of_word(int(some.byte[row]), shift, length, order, signed=bool(candidates.signed[at]))
    return FieldAt(part.stream, field, part.selector)
