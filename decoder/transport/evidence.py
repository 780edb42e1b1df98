"""What speaks for a track, or for two tracks together, counted in bits: how unlikely it is among unrelated frames.

Broadcast frames are not random: they hold counters that run alike, bytes that never change, zeros. So the same thing
seen again adds little, and what such frames do and messages of ISO 15765-2 do not counts against a track.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.frames import CLASSIC_BYTES
from decoder.transport.openings import Openings, refusal_key
from decoder.transport.protocol_bytes import Role
from decoder.transport.segments import LONGEST_WAIT_NS
from decoder.transport.service_tables import echoes
from decoder.transport.services import PENDING, POSITIVE, REASONS, SERVICES
from decoder.transport.transfers import Fault

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from decoder.transport.segments import Segments
    from decoder.transport.tracks import Tracks

# P2*server is 5000 ms by default (ISO 14229-2, from memory): no answer is looked for after that.
LONGEST_ANSWER_NS: Final = 5_000_000_000
# A first frame: its type, and a length of 12 bits that fits the frames that follow, give or take seven. Each
# consecutive frame: its type and number. More than 40 bits add nothing.
_FIRST_BITS: Final = 4.0 + float(np.log2(4096 / 7))
_CONSECUTIVE_BITS: Final = 8.0
_MOST_BITS_A_TRANSFER: Final = 40.0
_MOST_BITS_A_TRACK: Final = 60.0
# Flow control just where one is due: its type, its status. Four of them say as much as more.
_FLOW_BITS: Final = 5.0
_MOST_FLOWS: Final = 4
# A service answered: it is one of so many, and each byte that is repeated. Another question of the same service adds
# little, for counters run alike in unrelated frames.
_SERVICE_BITS: Final = float(np.log2(len(SERVICES)))
_REASON_BITS: Final = float(np.log2(256 / len(REASONS)))
_BYTE_BITS: Final = 8.0
_FURTHER_BITS: Final = 4.0
_MOST_FURTHER: Final = 3
# Of the questions and answers of a pair so many must belong together.
_LEAST_MATCHED: Final = 0.5
# What broadcast frames do: bytes behind the payload that are no filling, first bytes that are no service.
_AGAINST_BITS: Final = 20.0
# Of the first frames so many must be followed by all that they announce, even where a recorder loses a lot.
_LEAST_WHOLE: Final = 0.1
_LEAST_LIKE_IT: Final = 0.8
_LEAST_ONE_VALUE: Final = 0.5


def own_bits(tracks: Tracks, segments: Segments, openings: Openings) -> NDArray[np.float64]:
    """Give for each track what its whole transfers of several frames say, less what speaks against it (bits)."""
    whole = segments.fault[openings.segment] == Fault.NONE
    several = np.flatnonzero(whole & (segments.used[openings.segment] > 1))
    head = openings.head[several].astype(np.int64) @ np.array([1 << 24, 1 << 16, 1 << 8, 1])
    alike = np.stack([openings.track[several].astype(np.int64), openings.length[several], head])
    several = several[np.unique(alike, axis=1, return_index=True)[1]]
    more = segments.used[openings.segment[several]] - 1
    bits = np.minimum(_FIRST_BITS + _CONSECUTIVE_BITS * more, _MOST_BITS_A_TRANSFER)
    own = np.bincount(openings.track[several], bits, minlength=len(tracks)).astype(np.float64)
    own[~_mostly_whole(tracks, openings, whole)] = 0.0
    against: NDArray[np.float64] = np.where(_filled_evenly(tracks), 0.0, _AGAINST_BITS)
    return np.minimum(own, _MOST_BITS_A_TRACK) - against


def _mostly_whole(tracks: Tracks, openings: Openings, whole: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Tell for each track whether what it announces in first frames does arrive, for a good part."""
    announced = tracks.protocol.role[openings.at] == Role.FIRST
    begun, done = (np.bincount(openings.track[rows], minlength=len(tracks)) for rows in (announced, announced & whole))
    mostly: NDArray[np.bool_] = done >= _LEAST_WHOLE * begun
    return mostly


def _filled_evenly(tracks: Tracks) -> NDArray[np.bool_]:
    """Tell for each track whether the bytes behind its short payloads look like filling.

    That is one value, the same most of the time, up to 8 bytes or a size of CAN FD (ISO 15765-2, 10.4.2: a frame is
    either as long as it must be, or filled up; from memory).
    """
    single = np.flatnonzero(tracks.protocol.role == Role.SINGLE)
    begin = tracks.protocol.begin[single].astype(np.int64) + tracks.protocol.said[single]
    size = tracks.length[single].astype(np.int64)
    some = size > begin
    single, begin, size = single[some], begin[some], size[some]
    data, track = tracks.data[single], tracks.track[single]
    columns = np.arange(data.shape[1])
    behind = (columns >= begin[:, None]) & (columns < size[:, None])
    value = data[np.arange(len(data)), begin]
    even = ((data == value[:, None]) | ~behind).all(axis=1) & (size >= CLASSIC_BYTES)
    seen = np.bincount(track, minlength=len(tracks))
    evenly: NDArray[np.bool_] = np.bincount(track, even, minlength=len(tracks)) >= _LEAST_LIKE_IT * seen
    return evenly & (_commonest(track, value, len(tracks)) >= _LEAST_ONE_VALUE * seen)


def _commonest(track: NDArray[np.intp], value: NDArray[np.uint8], count: int) -> NDArray[np.int64]:
    """Give for each of `count` tracks how often its commonest value comes."""
    both = np.sort(track.astype(np.int64) << 8 | value)
    begins = np.flatnonzero(np.diff(both, prepend=-1))
    most = np.zeros(count, np.int64)
    np.maximum.at(most, both[begins] >> 8, np.diff(begins, append=len(both)))
    return most


def filling_seen(tracks: Tracks, track: int) -> bool:
    """Tell whether any single frame of a track has filling behind its payload."""
    part = slice(tracks.first[track], tracks.first[track + 1])
    protocol = tracks.protocol
    room, said = protocol.room[part], protocol.said[part]
    return bool(((protocol.role[part] == Role.SINGLE) & (room >= said + 2)).any())


def like(openings: Openings, plausible: NDArray[np.bool_], count: int) -> NDArray[np.bool_]:
    """Tell for each of `count` tracks whether nearly all that it says is `plausible`."""
    said = np.bincount(openings.track, minlength=count)
    fits = np.bincount(openings.track[plausible], minlength=count)
    return (said > 0) & (fits >= _LEAST_LIKE_IT * said)


def chance_bits(openings: Openings) -> float:
    """Give in how many places a question could meet a like answer by chance, in bits."""

    def distinct(rows: NDArray[np.bool_]) -> int:
        return max(len(_distinct_keys(openings, np.flatnonzero(rows), openings.key[rows])), 1)

    return float(np.log2(distinct(openings.asks)) + np.log2(distinct(openings.answers)))


def possible_pairs(openings: Openings) -> dict[tuple[int, int], float]:
    """Give the pairs of tracks (asker, answerer) on one bus that share keys, and at most how much these say (bits)."""
    asks, answers = np.flatnonzero(openings.asks), np.flatnonzero(openings.answers)
    asked = _distinct_keys(
        openings,
        np.concatenate([asks, asks]),
        np.concatenate([openings.key[asks], refusal_key(openings.head[asks, 0])]),
    )
    askers: dict[tuple[int, int], list[int]] = {}
    for bus, key, track in asked:
        askers.setdefault((bus, key), []).append(track)
    pairs: dict[tuple[int, int], float] = {}
    for bus, key, track in _distinct_keys(openings, answers, openings.key[answers]):
        for asker in askers.get((bus, key), ()):
            if asker != track:
                pairs[asker, track] = pairs.get((asker, track), 0.0) + _key_bits(key)
    return pairs


def _distinct_keys(openings: Openings, rows: NDArray[np.intp], key: NDArray[np.int64]) -> list[list[int]]:
    """Give the distinct (bus, key, track)."""
    order = np.lexsort((openings.track[rows], key, openings.bus[rows]))
    table = np.stack([openings.bus[rows].astype(np.int64), key, openings.track[rows]], axis=1)[order]
    new = np.ones(len(table), bool)
    new[1:] = (table[1:] != table[:-1]).any(axis=1)
    distinct: list[list[int]] = table[new].tolist()
    return distinct


def _key_bits(key: int) -> float:
    """Give how much a positive or negative answer with this key says."""
    return _SERVICE_BITS + (_REASON_BITS if key >> 32 else _BYTE_BITS * int(echoes()[(key >> 24) - POSITIVE]))


@dataclass(frozen=True, slots=True)
class Echo:
    """What questions of one track and answers of another have in common."""

    bits: float
    answers: frozenset[int]  # rows of `Openings` that are explained


def echo(openings: Openings, asker: int, answerer: int) -> Echo:
    """Compare each answer with the question before it; only its first answer counts, unless that asks for time."""
    questions, replies = rows_of_track(openings, asker), rows_of_track(openings, answerer)
    questions = questions[openings.asks[questions] & ~openings.waived[questions]]
    pending = openings.refuses[replies] & (openings.head[replies, 2] == PENDING)
    replies = replies[~pending]
    at = np.searchsorted(openings.row[questions], openings.row[replies]) - 1
    replies, at = replies[at >= 0], at[at >= 0]
    question = questions[at]
    in_time = openings.time_ns[replies] - openings.time_ns[question] <= LONGEST_ANSWER_NS
    replies, question = replies[in_time], question[in_time]
    first = np.ones(len(question), bool)
    first[1:] = question[1:] != question[:-1]
    refused = openings.refuses[replies] & (openings.head[replies, 1] == openings.head[question, 0])
    same = (openings.answers[replies] & (openings.key[replies] == openings.key[question])) | refused
    matched = same & first
    if np.count_nonzero(matched) < max(_LEAST_MATCHED * min(len(questions), len(replies)), 1):
        return Echo(0.0, frozenset())
    explained = frozenset(replies[matched].tolist())
    return Echo(_echo_bits(openings, replies[matched & ~refused]) + _refusal_bits(refused[matched]), explained)


def rows_of_track(openings: Openings, track: int) -> NDArray[np.intp]:
    """Give the rows of what one track says; openings stand in the order of tracks."""
    return np.arange(*np.searchsorted(openings.track, [track, track + 1]))


def _echo_bits(openings: Openings, replies: NDArray[np.intp]) -> float:
    bits = 0.0
    service = openings.head[replies, 0]
    for one in np.unique(service).tolist():
        further = len(np.unique(openings.key[replies[service == one]])) - 1
        bits += _SERVICE_BITS + _BYTE_BITS * int(echoes()[one - POSITIVE]) + _FURTHER_BITS * min(further, _MOST_FURTHER)
    return bits


def _refusal_bits(refused: NDArray[np.bool_]) -> float:
    return _SERVICE_BITS + _REASON_BITS if refused.any() else 0.0


def flow_votes(tracks: Tracks, segments: Segments, openings: Openings) -> dict[tuple[int, int], int]:
    """Count for each pair (asker, answerer) the flow control that came just where one was due, one way or the other."""
    flow_at = np.flatnonzero(tracks.protocol.role == Role.FLOW)
    several = np.flatnonzero(segments.used[openings.segment] > 1)
    if not len(flow_at) or not len(several):
        return {}
    flow_at = flow_at[np.lexsort((tracks.row[flow_at], tracks.bus[tracks.track[flow_at]]))]
    bus_row = _bus_row(tracks.bus[tracks.track[flow_at]], tracks.row[flow_at])
    segment = openings.segment[several]
    next_at = segments.at[segments.begin[segment] + 1]
    found = np.searchsorted(bus_row, _bus_row(openings.bus[several], openings.row[several]), side="right")
    at = flow_at[np.minimum(found, len(flow_at) - 1)]
    due = (found < len(flow_at)) & (tracks.bus[tracks.track[at]] == openings.bus[several])
    due &= (tracks.row[at] < tracks.row[next_at]) & (tracks.track[at] != openings.track[several])
    due &= tracks.time_ns[at] - openings.time_ns[several] <= LONGEST_WAIT_NS
    votes: dict[tuple[int, int], int] = {}
    senders = openings.track[several[due]].tolist()
    for sender, receiver, asks in zip(
        senders, tracks.track[at[due]].tolist(), openings.asks[several[due]].tolist(), strict=True
    ):
        pair = (sender, receiver) if asks else (receiver, sender)
        votes[pair] = votes.get(pair, 0) + 1
    return votes


def flow_bits(votes: int) -> float:
    """Give what so many frames of flow control say (bits)."""
    return _FLOW_BITS * min(votes, _MOST_FLOWS)


def against_bits(*, fits: bool) -> float:
    """Give what counts against a track whose first bytes are mostly no service."""
    return 0.0 if fits else _AGAINST_BITS


def _bus_row(bus: NDArray[np.uint8], row: NDArray[np.intp]) -> NDArray[np.int64]:
    return (bus.astype(np.int64) << 48) | row
