"""Long parameter groups of SAE J1939, cut into packets of seven bytes: put together again.

Layouts, times, what counts as an announcement, and their source: see `j1939_talk`. Transfers above 1785 bytes (the
extended protocol, parameter groups 0C800 and 0C700) are not looked for.

An announcement is reported even when no packet follows: a request without answer, or a broadcast without data, is an
event, and chance does not make one.

Packets are put in place by their numbers. The same packet may come again with the same bytes, even after the last
(the receiver asked again); with other bytes, or under a number that was not announced, the transfer is out of sequence.
A packet that is too short for what it must hold counts as not there.

Packets outside an announced transfer are gathered into runs, each a transfer of unknown length: a run ends at a gap, or
where the number falls or 1 comes. A run is reported where its two addresses announced something elsewhere in the
capture, or where three packets in it are numbered one after the other; other data would be read into noise.

A backward jump of time of more than 1 s (captures joined into one) ends everything, as the capture's end does.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.frames import Key
from decoder.transport.j1939_id import GLOBAL_ADDRESS, source
from decoder.transport.j1939_talk import (
    ADDRESS_BITS,
    BREAK,
    END,
    MS,
    OPENING,
    OTHER,
    PACKET,
    PACKET_BYTES,
    T1_MS,
    T3_MS,
    allowed_ns,
    changes,
    hear,
    is_broadcast,
    talk_of,
)
from decoder.transport.transfers import Fault, Path, Transfers

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from decoder.frames import Frames
    from decoder.transport.j1939_talk import Heard, Integers, Rows, Talk

_NO_RESOURCES: Final = 2  # reason of an abort


def j1939_transfers(frames: Frames) -> Transfers:
    """Find the broadcast and the requested transfers on every bus, in the order of their last frames.

    Path: kind "j1939-tp"; `key` the stream of the first announcement heard from the source to the destination,
    `address` the source, `pgn` the carried group, `reason` "broadcast announcement" or "request to send".
    Rows: the announcement, then the packets in capture order, repeated ones too. `data` ends before the first packet
    that is missing or came with two contents.
    Transfers of unknown length (-1): no data, `pgn` ``None``, `reason` "packets without announcement"; `key` is
    the stream of the packets where the pair announced nothing.
    """
    heard = hear(frames)
    talk = talk_of(heard)
    if not len(talk.at):
        return Transfers.empty()
    opened = _opened(heard, talk)
    stray = _stray(heard, talk, opened)
    return _joined(heard, opened, stray)


@dataclass(frozen=True, eq=False)
class _Group:
    """Transfers, n of them, with their rows and bytes in whatever order.

    head : index into `Heard` of the announcement, or of the first packet
    member, of : index into `Heard` and transfer of each frame
    byte, byte_of : payload bytes in order, and their transfer
    """

    head: Rows
    length: Integers
    fault: Integers
    member: Rows
    of: Rows
    byte: NDArray[np.uint8]
    byte_of: Rows
    taken: NDArray[np.bool_]  # entries of `Talk` that belong to a transfer of the group


def _opened(heard: Heard, talk: Talk) -> _Group:
    """Put the announced transfers together: the parts of the talk that open with an announcement."""
    number = np.arange(len(talk.at))
    is_open = talk.kind[talk.first] == OPENING
    size = np.where(is_open, heard.size[talk.at[talk.first]], 0)
    over = talk.late.copy()
    over[1:] |= ~changes(talk.part)[1:] & ((talk.kind[:-1] == END) | (talk.kind[:-1] == BREAK))
    stop = _first_of(over, talk)
    packet = np.flatnonzero((talk.kind == PACKET) & is_open[talk.part] & (number < stop[talk.part]))
    places = _places(heard, talk, packet, size)
    stop = np.where(places.whole, np.minimum(stop, places.contradicted), stop)
    ending = _ending(heard, talk, stop, last_came=places.last_came)
    fault = np.select([places.whole, places.contradicted < stop], [Fault.NONE, Fault.SEQUENCE], ending)

    taken = is_open[talk.part] & (number < stop[talk.part]) & ((talk.kind == PACKET) | (talk.kind == OPENING))
    given = np.arange(PACKET_BYTES) < np.where(_in_order(places), places.needed, 0)[:, None]
    renumber = np.cumsum(is_open) - 1
    return _Group(
        head=talk.at[talk.first][is_open],
        length=size[is_open],
        fault=fault[is_open],
        member=talk.at[taken],
        of=renumber[talk.part[taken]],
        byte=heard.data[talk.at[places.entry], 1:][given],
        byte_of=renumber[np.repeat(places.part, given.sum(axis=1))],
        taken=taken,
    )


@dataclass(frozen=True, eq=False)
class _Places:
    """The first packet with each number that was announced, by part and number; and what this makes of each part.

    part, number, entry : of each packet; `entry` counts in `Talk`
    needed : payload bytes that the packet must hold
    twofold : another packet with this number had other bytes, before the part was complete
    contradicted : of each part, the first entry with a number not announced or with other bytes; else the part's end
    whole : every number of the part is there, and nothing contradicted it until then
    last_came : the part's last number is there
    """

    part: Integers
    number: Integers
    entry: Rows
    needed: Integers
    twofold: NDArray[np.bool_]
    contradicted: Rows
    whole: NDArray[np.bool_]
    last_came: NDArray[np.bool_]


def _places(heard: Heard, talk: Talk, packet: Rows, size: Integers) -> _Places:
    """Put packets (entries of the talk, of announced parts) in place; `size` is announced bytes of each part."""
    part, number = talk.part[packet], heard.data[talk.at[packet], 0].astype(np.int64)
    needed = np.clip(size[part] - (number - 1) * PACKET_BYTES, 0, PACKET_BYTES)
    announced = (number > 0) & (needed > 0)
    fits = announced & (heard.length[talk.at[packet]] > needed)
    placed = packet[fits]
    slot, first, which = np.unique((part << 8 | number)[fits], return_index=True, return_inverse=True)
    entry, needed, slot_part = placed[first], needed[fits][first], slot >> 8

    content = heard.data[talk.at, 1 : 1 + PACKET_BYTES]
    used = np.arange(PACKET_BYTES) < needed[which][:, None]
    differs = ((content[placed] != content[entry[which]]) & used).any(axis=1)
    wrong = np.zeros(len(talk.at), np.bool_)
    wrong[packet[~announced]] = True
    wrong[placed[differs]] = True
    contradicted = _first_of(wrong, talk)

    packets = -(-size // PACKET_BYTES)
    done = np.full(len(size), -1)
    np.maximum.at(done, slot_part, entry)
    whole = (packets > 0) & (np.bincount(slot_part, minlength=len(size)) == packets) & (contradicted > done)
    twofold = np.zeros(len(slot), np.bool_)
    twofold[which[differs]] = True
    return _Places(
        part=slot_part,
        number=slot & 0xFF,
        entry=entry,
        needed=needed,
        twofold=twofold & ~whole[slot_part],
        contradicted=contradicted,
        whole=whole,
        last_came=np.isin(np.arange(len(size)) << 8 | packets, slot),
    )


def _in_order(places: _Places) -> NDArray[np.bool_]:
    """Mark the packets that come before the first number of their part that is missing or twofold."""
    first = np.searchsorted(places.part, places.part)
    bad = (places.number != np.arange(len(first)) - first + 1) | places.twofold
    so_far = np.cumsum(bad)
    none_yet: NDArray[np.bool_] = so_far == np.append(0, so_far)[first]
    return none_yet


def _first_of(mark: NDArray[np.bool_], talk: Talk) -> Rows:
    """Give the first marked entry of each part, or the part's end."""
    return np.minimum.reduceat(np.where(mark, np.arange(len(mark)), talk.end[talk.part]), talk.first)


def _ending(heard: Heard, talk: Talk, stop: Rows, *, last_came: NDArray[np.bool_]) -> Integers:
    """Say why each part ended at `stop`, taking it for incomplete."""
    last, kind = stop - 1, talk.kind[stop - 1]
    following = np.minimum(stop, len(talk.at) - 1)
    goes_on = (stop < len(talk.at)) & (talk.pair[following] == talk.pair[last])
    until = np.where(goes_on, heard.time_ns[talk.at[following]], heard.end_ns[talk.at[last]])
    quiet = until - heard.time_ns[talk.at[last]] > allowed_ns(talk.pair[last], kind, np.full(len(last), OTHER))
    refused = (kind == BREAK) & (heard.data[talk.at[last], 1] == _NO_RESOURCES)
    # After the last number nothing more comes of a broadcast; a request's receiver may ask again.
    nothing_more = last_came & (is_broadcast(talk.pair[last]) | quiet | (stop < talk.end))
    return np.select(
        [refused, (kind == BREAK) | (kind == END) | nothing_more, quiet | (stop < talk.end), goes_on],
        [Fault.OVERFLOW, Fault.MISSING, Fault.TIME_OUT, Fault.MISSING],
        Fault.CUT_OFF,
    ).astype(np.int64)


def _stray(heard: Heard, talk: Talk, opened: _Group) -> _Group:
    """Gather the packets outside announced transfers into runs."""
    left = np.flatnonzero((talk.kind == PACKET) & ~opened.taken)
    at, part, pair = talk.at[left], talk.part[left], talk.pair[left]
    place = heard.data[at, 0].astype(np.int64)
    step, starts_part = np.diff(place, prepend=0), changes(part)
    gap_ns = np.diff(heard.time_ns[at], prepend=0)
    longest = np.where(is_broadcast(pair), T1_MS, T3_MS) * MS
    starts = starts_part | (gap_ns > longest) | (step < 0) | (place == 1)
    run = np.cumsum(starts) - 1
    head = at[starts]

    rises = ~starts & (step == 1)
    three = np.zeros(len(left), np.bool_)
    three[1:] = rises[1:] & rises[:-1]
    announced = np.isin(heard.pair[head] & ADDRESS_BITS, heard.pair[opened.head] & ADDRESS_BITS)
    reported = announced | np.isin(np.arange(len(head)), run[three])
    before_all = starts_part[starts] & (talk.kind[talk.first[part[starts]]] == PACKET)
    at_the_begin = heard.time_ns[head] - heard.begin_ns[head] <= T3_MS * MS
    taken = np.zeros(len(talk.at), np.bool_)
    taken[left[reported[run]]] = True
    return _Group(
        head=head[reported],
        length=np.full(reported.sum(), -1, np.int64),
        fault=np.where(before_all & at_the_begin, Fault.CUT_OFF, Fault.MISSING)[reported],
        member=at[reported[run]],
        of=(np.cumsum(reported) - 1)[run[reported[run]]],
        byte=np.empty(0, np.uint8),
        byte_of=np.empty(0, np.intp),
        taken=taken,
    )


def _joined(heard: Heard, opened: _Group, stray: _Group) -> Transfers:
    """Put both groups in the order of their last frames."""
    count = len(opened.head) + len(stray.head)
    of = np.concatenate([opened.of, stray.of + len(opened.head)])
    rows = heard.row[np.concatenate([opened.member, stray.member])]
    last = np.zeros(count, np.intp)
    np.maximum.at(last, of, rows)
    order = np.argsort(last)
    rank = np.empty(count, np.intp)
    rank[order] = np.arange(count)
    paths, path = _paths(heard, opened.head, stray.head)
    byte_of = rank[opened.byte_of]  # strays give no bytes
    return Transfers(
        paths=paths,
        path=path[order],
        length=np.concatenate([opened.length, stray.length])[order],
        fault=np.concatenate([opened.fault, stray.fault])[order].astype(np.uint8),
        rows=rows[np.lexsort((rows, rank[of]))],
        row_start=_starts(rank[of], count).astype(np.intp),
        data=opened.byte[np.argsort(byte_of, kind="stable")],
        byte_start=_starts(byte_of, count),
    )


def _starts(of: Rows, count: int) -> Integers:
    """Give where each transfer begins among entries sorted by transfer, and the end of the last."""
    return np.append(0, np.cumsum(np.bincount(of, minlength=count))).astype(np.int64)


def _paths(heard: Heard, opened: Rows, stray: Rows) -> tuple[tuple[Path, ...], Rows]:
    """Give the paths, and each transfer's index into them: first the opened transfers, then the strays."""
    head = np.concatenate([opened, stray])
    pair = heard.pair[head] & ADDRESS_BITS
    pgn = np.concatenate([heard.pgn[opened], np.full(len(stray), -1, np.int64)])
    # The earliest announcement of each pair stands for it; a pair without one, its earliest packet.
    earliest = np.lexsort((head, pgn < 0, pair))
    shown = earliest[np.searchsorted(pair[earliest], pair)]
    _, first, path = np.unique(pair << 19 | pgn + 1, return_index=True, return_inverse=True)
    paths = []
    for index in first.tolist():
        can_id = int(heard.can_id[head[shown[index]]])
        reason = "broadcast announcement" if int(pair[index]) & 0xFF == GLOBAL_ADDRESS else "request to send"
        known = int(pgn[index]) >= 0
        paths.append(
            Path(
                kind="j1939-tp",
                key=Key(int(pair[index]) >> 16, can_id, extended=True),
                address=source(can_id),
                pgn=int(pgn[index]) if known else None,
                reason=reason if known else "packets without announcement",
            )
        )
    return tuple(paths), path
