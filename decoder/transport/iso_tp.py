"""ISO 15765-2 from the listener's side: frames -> whole messages, faults included, and who talks to whom.

A listener may hear one side only, may come late or lose frames, and nobody tells it which identifiers carry the
protocol. So first the tracks that could be of it are sought, then those that are believed are put together.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from decoder.frames import Key
from decoder.transport.interruptions import flow_of, interrupted, peers, refused
from decoder.transport.openings import openings
from decoder.transport.pairs import find_believed
from decoder.transport.protocol_bytes import Role
from decoder.transport.segments import Segments, segments
from decoder.transport.tracks import NO_ADDRESS, Tracks, only, spread, tracks
from decoder.transport.transfers import Path, Transfers

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from decoder.frames import Frames
    from decoder.transport.tracks import Shares


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
    talk = find_believed(possible, drafts, openings(possible, drafts), named)
    if not talk.sides:
        return Conversations()
    chosen = np.array(sorted(talk.sides), np.intp)
    number = {int(track): index for index, track in enumerate(chosen)}
    believed = only(possible, chosen)
    askers = {number[answerer]: tuple(number[one] for one in of_it) for answerer, of_it in talk.askers.items()}
    found = segments(believed, ends, _alive_ns(believed, askers))
    found = refused(believed, found, askers)
    found = interrupted(believed, found, askers)
    side = tuple(talk.sides[int(track)] for track in chosen)
    return Conversations(_transfers(believed, found), side, askers)


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
    for track, senders in peers(askers).items():
        flow = flow_of(believed, senders)
        if len(flow):
            part = slice(believed.first[track], believed.first[track + 1])
            latest = np.searchsorted(believed.row[flow], believed.row[part]) - 1
            alive[part] = np.where(latest >= 0, believed.time_ns[flow[np.maximum(latest, 0)]], 0)
    return alive


def _transfers(believed: Tracks, found: Segments) -> Transfers:
    """Give the segments as transfers, in the order of their last frames."""
    last = believed.row[found.last_at()]
    order = np.argsort(last, kind="stable")
    used = found.used[order]
    frames = found.at[spread(found.begin[order], used)]
    taken = found.taken[spread(found.begin[order], used)]
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


def _path(believed: Tracks, track: int) -> Path:
    address = int(believed.address[track])
    plain, addressed = believed.share_plain[track], believed.share_addressed[track]
    where = f"protocol bytes at byte 0 in {plain:.0%} of the frames, at byte 1 in {addressed:.0%}"
    key = Key(int(believed.bus[track]), int(believed.can_id[track]), bool(believed.extended[track]))
    if address == NO_ADDRESS:
        return Path("iso-tp", key, reason=f"normal addressing: {where}")
    return Path("iso-tp", key, address, reason=f"extended addressing: byte 0 is an address; {where}")
