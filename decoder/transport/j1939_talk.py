"""Who said what to whom in the transport protocol of SAE J1939: its frames as columns, sorted by the two addresses.

Connection management (parameter group 0EC00, 8 bytes)       Data transfer (0EB00)
    10 size size packets limit pgn pgn pgn  request to send      packet number 1..255, then 7 bytes, padded with FF
    20 size size packets FF    pgn pgn pgn  broadcast (BAM)
    11 count next FF FF        pgn pgn pgn  clear to send, from the receiver; a count of 0 holds the sender
    13 size size packets FF    pgn pgn pgn  end of message, from the receiver
    FF reason FF FF FF         pgn pgn pgn  abort, from either; reason 2: no resources

Numbers are little-endian; size is 9 to 1785 bytes. Source: SAE J1939-21 clause 5.10, from memory; layouts, packet size
and the 1250 ms also stand in the Linux kernel's net/can/j1939/transport.c, the other times are from memory only.
Extended transfers above 1785 bytes (parameter groups 0C800 and 0C700) are not looked for.

What counts as an announcement: all 8 bytes are there, packets are size / 7 rounded up, the carried number has 18 bits,
a broadcast goes to 255 and a request does not. Fewer than 1 in 10^8 random payloads pass.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.frames import ERROR, EXTENDED, REMOTE
from decoder.transport.j1939_id import GLOBAL_ADDRESS, destination, source

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from decoder.frames import Frames

    Integers = NDArray[np.int64]
    Rows = NDArray[np.intp]

_GROUP_BITS: Final = np.uint32(0x03FF0000)  # EDP, DP and PDU format
_DATA_BITS: Final = np.uint32(0x00EB0000)
_CONTROL_BITS: Final = np.uint32(0x00EC0000)
_REQUEST, _CLEAR, _DONE, _BROADCAST, _ABORT = 0x10, 0x11, 0x13, 0x20, 0xFF
_CONTROL_BYTES: Final = 8
PACKET_BYTES: Final = 7
_SMALLEST, _LARGEST = 9, 1785

# Kinds of what was heard between two addresses, and the longest silence after each, in milliseconds.
OTHER, OPENING, PACKET, _GO, _HOLD, END, BREAK = range(7)
T1_MS: Final = 750  # between packets
_T2_MS = T3_MS = 1250  # T2: until a packet after clear to send. T3: until clear to send after a request or a packet
_T4_MS: Final = 1050  # until the next word of a receiver that holds the sender
_SILENCE_MS: Final = np.array([0, T3_MS, T3_MS, _T2_MS, _T4_MS, T3_MS, T3_MS], np.int64)
MS: Final = 1_000_000
_JUMP_NS: Final = 1_000_000_000

ADDRESS_BITS: Final = 0xFFFFFF  # bus, source and destination of a pair; the stretch of time stands above them


@dataclass(frozen=True, eq=False)
class Heard:
    """The frames of both parameter groups, in capture order.

    pair : stretch << 24 | bus << 16 | source << 8 | destination; a stretch lies between two backward jumps of time
    begin_ns, end_ns : time of the first and the last frame of any kind in the stretch
    """

    row: Rows
    time_ns: Integers
    can_id: NDArray[np.uint32]
    pair: Integers
    begin_ns: Integers
    end_ns: Integers
    length: Integers
    data: NDArray[np.uint8]
    is_control: NDArray[np.bool_]

    @property
    def size(self) -> Integers:
        """Announced bytes, of announcements."""
        return self.data[:, 1] | self.data[:, 2].astype(np.int64) << 8

    @property
    def pgn(self) -> Integers:
        """The group that a frame of connection management is about."""
        wide = self.data[:, 5:8].astype(np.int64)
        return wide[:, 0] | wide[:, 1] << 8 | wide[:, 2] << 16


def hear(frames: Frames) -> Heard:
    """Pick the data frames of both groups, of 29-bit identifiers; cheap where there are none."""
    group = (frames.can_id & _GROUP_BITS) - _DATA_BITS
    rows = np.flatnonzero(group <= _CONTROL_BITS - _DATA_BITS)  # no group lies between the two
    rows = rows[(frames.flags[rows] & (EXTENDED | REMOTE | ERROR)) == EXTENDED]
    can_id = frames.can_id[rows]
    jumps = np.flatnonzero(np.diff(frames.time_ns) < -_JUMP_NS) + 1 if len(rows) else np.empty(0, np.intp)
    stretch = np.searchsorted(jumps, rows, side="right")
    first, last = np.append(0, jumps)[stretch], np.append(jumps - 1, len(frames) - 1)[stretch]
    where = stretch.astype(np.int64) << 8 | frames.bus[rows]
    return Heard(
        row=rows,
        time_ns=frames.time_ns[rows],
        can_id=can_id,
        pair=where << 16 | source(can_id).astype(np.int64) << 8 | destination(can_id),
        begin_ns=frames.time_ns[first],
        end_ns=frames.time_ns[last],
        length=frames.length[rows].astype(np.int64),
        data=frames.data[rows, :8],
        is_control=(can_id & _GROUP_BITS) == _CONTROL_BITS,
    )


def _kinds(heard: Heard) -> Integers:
    """Say what each frame is."""
    word = heard.data[:, 0]
    packets = (heard.size + PACKET_BYTES - 1) // PACKET_BYTES
    fits = (heard.size >= _SMALLEST) & (heard.size <= _LARGEST) & (heard.data[:, 3] == packets)
    asked = np.where(is_broadcast(heard.pair), _BROADCAST, _REQUEST) == word
    control = np.select(
        [asked & fits & (heard.pgn < 1 << 18), word == _CLEAR, word == _DONE, word == _ABORT],
        [OPENING, np.where(heard.data[:, 1] > 0, _GO, _HOLD), END, BREAK],
        OTHER,
    )
    control[heard.length != _CONTROL_BYTES] = OTHER
    return np.where(heard.is_control, control, np.where(heard.length > 1, PACKET, OTHER))


def is_broadcast(pair: Integers) -> NDArray[np.bool_]:
    """Mark the pairs whose destination is all."""
    to_all: NDArray[np.bool_] = (pair & 0xFF) == GLOBAL_ADDRESS
    return to_all


@dataclass(frozen=True, eq=False)
class Talk:
    """What was said about the transfers of each pair, pair after pair, each in capture order.

    at : index into `Heard`
    pair : of the transfer: the receiver's answers stand under the pair that they answer
    part : number of the part: an announcement and what follows it, or what comes before the first one
    first, end : where each part begins and ends in these columns
    late : more time went by since the entry before, of the same part, than the rules allow
    """

    at: Rows
    kind: Integers
    pair: Integers
    part: Rows
    first: Rows
    end: Rows
    late: NDArray[np.bool_]


def talk_of(heard: Heard) -> Talk:
    """Sort what was heard by pair, and leave out answers that are not about the part's own group."""
    kind = _kinds(heard)
    onward = np.flatnonzero((kind == OPENING) | (kind == PACKET) | (kind == BREAK))
    back = np.flatnonzero((kind == _GO) | (kind == _HOLD) | (kind == END) | (kind == BREAK))
    turned = heard.pair & ~0xFFFF | (heard.pair & 0xFF) << 8 | heard.pair >> 8 & 0xFF
    at = np.concatenate([onward, back])
    pair = np.concatenate([heard.pair[onward], turned[back]])
    order = np.lexsort((at, pair))
    at, pair = at[order], pair[order]
    kind = kind[at]

    begins = (kind == OPENING) | changes(pair)
    opening = np.flatnonzero(begins)[np.cumsum(begins) - 1]
    about_it = (kind[opening] == OPENING) & (heard.pgn[at] == heard.pgn[at[opening]])
    keep = (kind == PACKET) | about_it
    at, pair, kind, begins = at[keep], pair[keep], kind[keep], changes(opening[keep])
    first = np.flatnonzero(begins)
    late = ~begins
    late[1:] &= np.diff(heard.time_ns[at]) > allowed_ns(pair, kind, kind[1:])
    return Talk(at, kind, pair, np.cumsum(begins) - 1, first, np.append(first[1:], len(at))[: len(first)], late)


def changes(column: NDArray[np.int64] | NDArray[np.intp]) -> NDArray[np.bool_]:
    """Mark the first of each run of equal numbers."""
    marks = np.ones(len(column), np.bool_)
    marks[1:] = column[1:] != column[:-1]
    return marks


def allowed_ns(pair: Integers, kind: Integers, following: Integers) -> Integers:
    """Give the longest silence between each entry and the following one."""
    before, pair = kind[: len(following)], pair[: len(following)]
    packets = (before == PACKET) & (following == PACKET)
    return np.where(is_broadcast(pair) | packets, T1_MS, _SILENCE_MS[before]) * MS
