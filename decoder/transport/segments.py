"""Segments: runs of frames of one track that belong to one transfer, and what keeps each from being whole.

A single or first frame begins a segment; consecutive frames follow with the numbers 1, 2, ... 15, 0, 1, ... One that
comes twice in a row, byte for byte, counts once. ISO 15765-2 ends a reception at a wrong number, at a new single or
first frame, and when the next frame does not come within N_Cr, 1000 ms (clauses 9.6.4, 9.7, 9.8, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.transport.protocol_bytes import Role
from decoder.transport.tracks import NO_ADDRESS
from decoder.transport.transfers import Fault

if TYPE_CHECKING:
    from typing import Any

    from numpy.typing import NDArray

    from decoder.transport.tracks import Tracks

# N_Cr, and N_As, N_Ar, N_Bs: all at most 1000 ms.
LONGEST_WAIT_NS: Final = 1_000_000_000
# A first frame that comes again is the recorder's doing only at once; later the sender began anew. Common practice, no
# source.
_FIRST_AGAIN_NS: Final = 5_000_000


@dataclass(frozen=True, slots=True, eq=False)
class Segments:
    """Columns, one row a segment, in the order of tracks.

    track : intp
    begin, end : intp, positions in `at` of its frames
    said : int64, payload bytes as announced, -1 where a consecutive frame comes first
    used : intp, frames from the first one on that arrived in order
    received : int64, payload bytes of these
    fault : uint8, see `Fault`
    at : intp, positions of all frames of segments in the columns of `Tracks`
    taken : int64, payload bytes taken from each of these frames
    """

    track: NDArray[np.intp]
    begin: NDArray[np.intp]
    end: NDArray[np.intp]
    said: NDArray[np.int64]
    used: NDArray[np.intp]
    received: NDArray[np.int64]
    fault: NDArray[np.uint8]
    at: NDArray[np.intp]
    taken: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.track)

    def first_at(self) -> NDArray[np.intp]:
        """Give the position in the columns of `Tracks` of each segment's first frame."""
        return self.at[self.begin]

    def last_at(self) -> NDArray[np.intp]:
        """Give the position of the last frame that arrived in order."""
        last: NDArray[np.intp] = self.at[self.begin + self.used - 1]
        return last


def segments(tracks: Tracks, capture_ns: tuple[int, int], alive_ns: NDArray[np.int64] | None = None) -> Segments:
    """Cut the frames of all tracks into segments.

    capture_ns : times of the capture's first and last frame
    alive_ns : int64, one for each frame of the tracks: the latest flow control from the other side before it (0: none);
        a wait that the receiver asked for is no time-out
    """
    at = _data_frames(tracks)
    protocol = tracks.protocol
    role, room = protocol.role[at], protocol.room[at]
    behind_one = tracks.length[at] - (tracks.address[tracks.track[at]] != NO_ADDRESS) - 1  # room behind one such byte
    track, time_ns = tracks.track[at], tracks.time_ns[at]
    if not len(at):
        none = np.empty(0, np.intp)
        empty = np.empty(0, np.int64)
        return Segments(none, none, none, empty, none, empty, np.empty(0, np.uint8), at, empty)
    starts = _starts(role, track)
    begin, said, needed, head, capacity = _announced(starts, role, protocol.said[at], room, behind_one)
    # Frames beyond the announced count belong to a transfer whose first frame is not there.
    index = np.arange(len(at)) - np.repeat(begin, np.diff(np.append(begin, len(at))))
    segment = np.cumsum(starts) - 1
    starts |= (role == Role.CONSECUTIVE) & (said[segment] >= 0) & (index == needed[segment] + 1)
    begin, said, needed, head, capacity = _announced(starts, role, protocol.said[at], room, behind_one)
    end = np.append(begin[1:], len(at))
    segment = np.cumsum(starts) - 1
    index = np.arange(len(at)) - begin[segment]

    waited = _waited(time_ns, starts, None if alive_ns is None else alive_ns[at])
    left = said[segment] - head[segment] - (index - 1) * capacity[segment]  # bytes that were to come from here on
    in_order = (protocol.number[at] == index % 16) & (room <= capacity[segment])
    in_order &= room >= np.minimum(capacity[segment], left)
    in_time = (waited <= LONGEST_WAIT_NS) & (waited >= -LONGEST_WAIT_NS)
    orphan = said[segment] < 0
    good = starts | (in_time & (in_order | orphan))
    bad_at = _first_false(good, begin, end)
    used = bad_at - begin
    taken = np.where(starts, head[segment], np.minimum(capacity[segment], left))
    taken = np.where(orphan | (index >= used[segment]), 0, taken)
    received = np.add.reduceat(taken, begin)
    fault = _faults(_Ends(begin, end, bad_at, said, needed, used), time_ns, track, waited, in_time, capture_ns)
    return Segments(track[begin], begin, end, said, used, received, fault, at, taken)


def _data_frames(tracks: Tracks) -> NDArray[np.intp]:
    """Give the positions of single, first and consecutive frames, without those that only repeat the one before.

    A first frame counts anew where it comes later.
    """
    role = tracks.protocol.role
    at = np.flatnonzero((role != Role.NONE) & (role != Role.FLOW))
    if len(at) < 2:
        return at
    again = (tracks.track[at[1:]] == tracks.track[at[:-1]]) & (role[at[1:]] == role[at[:-1]])
    again &= (role[at[1:]] != Role.SINGLE) & (tracks.length[at[1:]] == tracks.length[at[:-1]])
    pairs = np.flatnonzero(again)
    again[pairs] = (tracks.data[at[pairs + 1]] == tracks.data[at[pairs]]).all(axis=1)
    again &= (role[at[1:]] != Role.FIRST) | (np.diff(tracks.time_ns[at]) <= _FIRST_AGAIN_NS)
    return at[np.concatenate(([True], ~again))]


def _starts(role: NDArray[np.uint8], track: NDArray[np.intp]) -> NDArray[np.bool_]:
    """Tell which frames begin a segment; a consecutive frame does behind a single one, and first in its track."""
    starts: NDArray[np.bool_] = role != Role.CONSECUTIVE
    starts[0] = True
    starts[1:] |= (track[1:] != track[:-1]) | (role[:-1] == Role.SINGLE)
    return starts


def _announced(
    starts: NDArray[np.bool_],
    role: NDArray[np.uint8],
    said_by_frame: NDArray[np.int64],
    room: NDArray[np.int64],
    behind_one: NDArray[np.int64],
) -> tuple[NDArray[np.intp], NDArray[np.int64], NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
    """Give of each segment: where it begins, its length, consecutive frames needed, bytes in the first frame, room.

    Consecutive frames are as long as the first frame, but for the last one.
    """
    begin = np.flatnonzero(starts)
    kind = role[begin]
    said = np.where(kind == Role.CONSECUTIVE, -1, said_by_frame[begin])
    head = np.where(kind == Role.FIRST, room[begin], np.maximum(said, 0))
    capacity = np.where(kind == Role.FIRST, behind_one[begin], 1)
    return begin, said, np.maximum(-(-(said - head) // capacity), 0), head, capacity


def _waited(
    time_ns: NDArray[np.int64], starts: NDArray[np.bool_], alive_ns: NDArray[np.int64] | None
) -> NDArray[np.int64]:
    """Give how long each frame let the receiver wait: since the frame before it, or the last flow control if later."""
    before = np.concatenate((time_ns[:1], time_ns[:-1]))
    waited = time_ns - (before if alive_ns is None else np.where(alive_ns > before, alive_ns, before))
    waited[starts] = 0
    return waited


def _first_false(good: NDArray[np.bool_], begin: NDArray[np.intp], end: NDArray[np.intp]) -> NDArray[np.intp]:
    """Give the first position of each segment that is not good, its end if all are."""
    positions = np.where(good, len(good), np.arange(len(good)))
    return np.minimum(np.minimum.reduceat(positions, begin), end)


@dataclass(frozen=True, slots=True, eq=False)
class _Ends:
    """Of each segment: where it begins and ends, its first bad frame, what was announced, needed, and used."""

    begin: NDArray[np.intp]
    end: NDArray[np.intp]
    bad_at: NDArray[np.intp]
    said: NDArray[np.int64]
    needed: NDArray[np.int64]
    used: NDArray[np.intp]


def _faults(
    ends: _Ends,
    time_ns: NDArray[np.int64],
    track: NDArray[np.intp],
    waited: NDArray[np.int64],
    in_time: NDArray[np.bool_],
    capture_ns: tuple[int, int],
) -> NDArray[np.uint8]:
    """Say what is wrong with each segment."""
    first_in_track = np.concatenate(([True], track[ends.begin[1:]] != track[ends.begin[1:] - 1]))
    followed = np.concatenate((~first_in_track[1:], [False]))
    last = np.minimum(ends.bad_at, ends.end) - 1
    following = np.minimum(ends.end, len(time_ns) - 1)
    pause_ns = np.where(followed, time_ns[following], capture_ns[1]) - time_ns[last]
    late = pause_ns > LONGEST_WAIT_NS
    cut = np.where(followed & ~late, Fault.MISSING, np.where(late, Fault.TIME_OUT, Fault.CUT_OFF))
    bad = np.minimum(ends.bad_at, len(time_ns) - 1)
    broken = np.where(
        ~in_time[bad],
        np.where(waited[bad] > 0, Fault.TIME_OUT, Fault.CUT_OFF),
        np.where(ends.end - ends.begin - 1 >= ends.needed, Fault.SEQUENCE, Fault.MISSING),
    )
    fault: NDArray[Any] = np.where(ends.bad_at < ends.end, broken, cut)
    fault[(ends.said >= 0) & (ends.used > ends.needed)] = Fault.NONE
    began_inside = first_in_track & (time_ns[ends.begin] - capture_ns[0] <= LONGEST_WAIT_NS)
    fault[ends.said < 0] = np.where(began_inside, Fault.CUT_OFF, Fault.MISSING)[ends.said < 0]
    return fault.astype(np.uint8)
