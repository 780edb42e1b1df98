"""ISO 15765-2 from the listener's side: frames -> whole messages, faults included, and who talks to whom.

A listener may hear one side only, may come late or lose frames, and nobody tells it which identifiers carry the
protocol. So first the tracks that could be of it are sought, then those that are believed are put together.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.frames import Key
from decoder.transport import evidence
from decoder.transport.openings import openings
from decoder.transport.pairs import FUNCTIONAL, find_talk
from decoder.transport.protocol_bytes import OVERFLOW, Role
from decoder.transport.segments import Segments, segments
from decoder.transport.tracks import NO_ADDRESS, Tracks, only, tracks
from decoder.transport.transfers import Fault, Path, Transfers

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from numpy.typing import NDArray

    from decoder.frames import Frames
    from decoder.transport.openings import Openings
    from decoder.transport.tracks import Shares

TESTER_PRESENT: Final = 0x3E


@dataclass(frozen=True, eq=False)
class Conversations:
    """The transfers of a capture and who takes part.

    side : of each path "asker", "answerer" or "unknown"
    askers : of each path that answers, the paths that ask it, the likeliest first
    """

    transfers: Transfers = field(default_factory=Transfers.empty)
    side: tuple[str, ...] = ()
    askers: Mapping[int, tuple[int, ...]] = field(default_factory=dict)


def conversations(
    frames: Frames,
    capture_ns: tuple[int, int] | None = None,
    known: Shares | None = None,
    named: frozenset[tuple[int, bool]] = frozenset(),
) -> Conversations:
    """Find the conversations of a capture.

    capture_ns : times of the first and last frame, where `frames` are only a part of the capture
    known : what `decoder.transport.tracks.shares` gave for the whole of it
    named : identifiers (number, 29 bits or not) that are known to carry the protocol, whatever their frames show
    """
    if not len(frames):
        return Conversations()
    ends = capture_ns or (int(frames.time_ns[0]), int(frames.time_ns.max()))
    possible = tracks(frames, known, named)
    if not len(possible):
        return Conversations()
    drafts = segments(possible, ends, _alive_by_any_ns(possible))
    talk = find_talk(possible, drafts, openings(possible, drafts), named)
    if not talk.sides:
        return Conversations()
    chosen = np.array(sorted(talk.sides), np.intp)
    number = {int(track): index for index, track in enumerate(chosen)}
    believed = only(possible, chosen)
    askers = {number[answerer]: tuple(number[one] for one in of_it) for answerer, of_it in talk.askers.items()}
    found = segments(believed, ends, _alive_ns(believed, askers))
    found = _refused(believed, found, askers)
    found = _interrupted(believed, found, askers)
    side = tuple(talk.sides[int(track)] for track in chosen)
    return Conversations(_transfers(believed, found), side, askers)


def _peers(askers: Mapping[int, tuple[int, ...]]) -> dict[int, set[int]]:
    """Give for each track the tracks that may send it flow control."""
    peers: dict[int, set[int]] = {}
    for answerer, of_it in askers.items():
        for asker in of_it:
            peers.setdefault(answerer, set()).add(asker)
            peers.setdefault(asker, set()).add(answerer)
    return peers


def _flow_of(believed: Tracks, senders: set[int]) -> NDArray[np.intp]:
    """Give the positions of flow control sent by these tracks, in capture order."""
    flow = np.flatnonzero((believed.protocol.role == Role.FLOW) & np.isin(believed.track, list(senders)))
    return flow[np.argsort(believed.row[flow], kind="stable")]


def _alive_by_any_ns(possible: Tracks) -> NDArray[np.int64]:
    """Give for each frame the time of the latest flow control on its bus: who talks to whom is not known yet."""
    flow = np.flatnonzero(possible.protocol.role == Role.FLOW)
    if not len(flow):
        return np.zeros(len(possible.row), np.int64)
    place = possible.bus[possible.track].astype(np.int64) << 48 | possible.row
    flow = flow[np.argsort(place[flow], kind="stable")]
    latest = np.searchsorted(place[flow], place) - 1
    at = flow[np.maximum(latest, 0)]
    same_bus = (latest >= 0) & (possible.bus[possible.track[at]] == possible.bus[possible.track])
    return np.where(same_bus, possible.time_ns[at], 0)


def _alive_ns(believed: Tracks, askers: Mapping[int, tuple[int, ...]]) -> NDArray[np.int64]:
    """Give for each frame the time of the latest flow control from the other side (0: none)."""
    alive = np.zeros(len(believed.row), np.int64)
    for track, senders in _peers(askers).items():
        flow = _flow_of(believed, senders)
        if len(flow):
            part = slice(believed.first[track], believed.first[track + 1])
            latest = np.searchsorted(believed.row[flow], believed.row[part]) - 1
            alive[part] = np.where(latest >= 0, believed.time_ns[flow[np.maximum(latest, 0)]], 0)
    return alive


def _refused(believed: Tracks, found: Segments, askers: Mapping[int, tuple[int, ...]]) -> Segments:
    """Mark transfers that the receiver ended with an overflow."""
    fault = found.fault.copy()
    for track, senders in _peers(askers).items():
        flow = _flow_of(believed, senders)
        mine = np.flatnonzero((found.track == track) & (found.fault != Fault.NONE) & (found.said >= 0))
        if not len(flow) or not len(mine):
            continue
        began = believed.row[found.at[found.begin[mine]]]
        last = np.minimum(found.end[mine], len(found.at) - 1)
        same = (found.end[mine] < len(found.at)) & (believed.track[found.at[last]] == track)
        until = np.where(same, believed.row[found.at[last]], np.iinfo(np.intp).max)
        at = np.searchsorted(believed.row[flow], began, side="right")
        answer = flow[np.minimum(at, len(flow) - 1)]
        refused = (at < len(flow)) & (believed.row[answer] < until) & (believed.protocol.number[answer] == OVERFLOW)
        fault[mine[refused]] = Fault.OVERFLOW
    return replace(found, fault=fault)


def _interrupted(believed: Tracks, found: Segments, askers: Mapping[int, tuple[int, ...]]) -> Segments:
    """End answers where a new question came and nothing else answers it: what follows belongs to another answer.

    Where the end of one answer and the beginning of the next are both lost, the numbers can fit all the same.
    """
    used, received, fault = found.used.copy(), found.received.copy(), found.fault.copy()
    opened = openings(believed, found)
    for answerer, of_it in askers.items():
        asked = _questions(believed, opened, of_it)
        mine = evidence.rows_of_track(opened, answerer)
        if not len(asked):
            continue
        for number, row in _questions_inside(opened, asked, mine):
            segment = opened.segment[number]
            inside = believed.row[found.at[found.begin[segment] : found.end[segment]]] < row
            kept = min(int(used[segment]), int(np.count_nonzero(inside)))
            if kept < used[segment]:
                used[segment] = kept
                taken = found.taken[found.begin[segment] : found.begin[segment] + kept]
                received[segment], fault[segment] = taken.sum(), Fault.MISSING
    return replace(found, used=used, received=received, fault=fault)


def _questions(believed: Tracks, opened: Openings, askers: tuple[int, ...]) -> NDArray[np.intp]:
    """Give the questions that these tracks ask one answerer alone, in capture order; the keep-alive call is none."""
    single = [a for a in askers if (int(believed.can_id[a]), bool(believed.extended[a])) not in FUNCTIONAL]
    asked = np.flatnonzero(np.isin(opened.track, single) & (opened.head[:, 0] != TESTER_PRESENT))
    return asked[np.argsort(opened.row[asked], kind="stable")]


def _questions_inside(opened: Openings, asked: NDArray[np.intp], mine: NDArray[np.intp]) -> Iterator[tuple[int, int]]:
    """Give each answer with the row of the first question inside it that neither it nor a later one answers."""
    rows, begins = opened.row[asked], opened.row[mine]
    first = np.searchsorted(rows, begins, side="right")
    behind = np.searchsorted(rows, opened.last_row[mine])
    for answer in np.flatnonzero(first < behind).tolist():
        own = None if _answers_before(opened, asked[: first[answer]], mine, answer) else opened.key[mine[answer]]
        for at in range(first[answer], behind[answer]):
            if opened.key[asked[at]] != own and not _is_answered(opened, asked, at, mine, answer):
                yield int(mine[answer]), int(rows[at])
                break


def _answers_before(opened: Openings, asked: NDArray[np.intp], mine: NDArray[np.intp], answer: int) -> bool:
    """Tell whether an answer is the first to fit the last of these questions, as it should be.

    Recorders now and then exchange frames, so that the question stands behind the beginning of its answer.
    """
    if not len(asked) or opened.key[asked[-1]] != opened.key[mine[answer]]:
        return False
    return not answer or bool(opened.row[mine[answer - 1]] < opened.row[asked[-1]])


def _is_answered(opened: Openings, asked: NDArray[np.intp], at: int, mine: NDArray[np.intp], answer: int) -> bool:
    """Tell whether an answer to a question begins behind another one, before the next question."""
    question = asked[at]
    until = opened.row[asked[at + 1]] if at + 1 < len(asked) else np.inf
    for reply in mine[answer + 1 :]:
        if opened.row[reply] > until:
            return False
        refused = opened.refuses[reply] and opened.head[reply, 1] == opened.head[question, 0]
        if refused or opened.key[reply] == opened.key[question]:
            return True
    return False


def _transfers(believed: Tracks, found: Segments) -> Transfers:
    """Give the segments as transfers, in the order of their last frames."""
    last = believed.row[found.last_at()]
    order = np.argsort(last, kind="stable")
    used = found.used[order]
    frames = found.at[_spread(found.begin[order], used)]
    taken = found.taken[_spread(found.begin[order], used)]
    cells = np.repeat(frames, taken)
    column = believed.protocol.begin[cells] + np.arange(len(cells)) - np.repeat(np.cumsum(taken) - taken, taken)
    return Transfers(
        paths=tuple(_path(believed, track) for track in range(len(believed))),
        path=found.track[order],
        length=found.said[order],
        fault=found.fault[order],
        rows=believed.row[frames],
        row_start=np.concatenate(([0], np.cumsum(used))),
        data=believed.data[cells, column],
        byte_start=np.concatenate(([0], np.cumsum(found.received[order]))),
    )


def _spread(begin: NDArray[np.intp], count: NDArray[np.intp]) -> NDArray[np.intp]:
    """Give begin[0], begin[0] + 1, ... count[0] of them, then those of begin[1], and so on."""
    within = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
    spread: NDArray[np.intp] = np.repeat(begin, count) + within
    return spread


def _path(believed: Tracks, track: int) -> Path:
    address = int(believed.address[track])
    plain, addressed = believed.share_plain[track], believed.share_addressed[track]
    where = f"protocol bytes at byte 0 in {plain:.0%} of the frames, at byte 1 in {addressed:.0%}"
    key = Key(int(believed.bus[track]), int(believed.can_id[track]), bool(believed.extended[track]))
    if address == NO_ADDRESS:
        return Path("iso-tp", key, reason=f"normal addressing: {where}")
    return Path("iso-tp", key, address, reason=f"extended addressing: byte 0 is an address; {where}")
