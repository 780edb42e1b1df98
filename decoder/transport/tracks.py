"""Tracks: the streams of a capture whose frames could be of ISO 15765-2, with or without an address byte.

A quick look at all frames leaves the few streams that are worth a close one. A stream can be a track twice, once for
each form of addressing; with an address byte it is one track for each address.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.frames import CLASSIC_BYTES, EXTENDED
from decoder.transport.protocol_bytes import ProtocolBytes, plausible, protocol_bytes
from decoder.transport.service_tables import LONGEST_JUDGED, either

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from decoder.frames import Frames

# Nearly every frame of a track is of the protocol; recorders now and then pair an identifier with another's payload.
LEAST_SHARE: Final = 0.8
NO_ADDRESS: Final = -1
# Of a stream's short payloads so many must begin with a service of the standards.
LEAST_SPOKEN: Final = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class Tracks:
    """Frames of candidate streams, sorted by track and in capture order within each.

    Of tracks (k): first : intp, where each begins (k + 1); stream : intp, number in `Frames.by_stream`;
    bus : uint8; can_id : uint32; extended : bool; address : int16, `NO_ADDRESS` without one;
    share_plain, share_addressed : float64, part of the stream's frames that could be of the protocol in either form.
    Of frames (n): row : intp, in `Frames`; track : intp; time_ns : int64; data, length; protocol : protocol bytes.
    """

    first: NDArray[np.intp]
    stream: NDArray[np.intp]
    bus: NDArray[np.uint8]
    can_id: NDArray[np.uint32]
    extended: NDArray[np.bool_]
    address: NDArray[np.int16]
    share_plain: NDArray[np.float64]
    share_addressed: NDArray[np.float64]
    row: NDArray[np.intp]
    track: NDArray[np.intp]
    time_ns: NDArray[np.int64]
    data: NDArray[np.uint8]
    length: NDArray[np.uint8]
    protocol: ProtocolBytes

    def __len__(self) -> int:
        return len(self.stream)


@dataclass(frozen=True, slots=True, eq=False)
class Shares:
    """Of each stream of a capture: frames, and how many could be of the protocol without and with an address byte."""

    frames: NDArray[np.int64]
    plain: NDArray[np.int64]
    addressed: NDArray[np.int64]


def shares(frames: Frames) -> Shares:
    """Count for every stream of `Frames.by_stream` the frames that could be of the protocol."""
    rows, starts = frames.by_stream
    if not len(rows):
        none = np.empty(0, np.int64)
        return Shares(none, none, none)
    fits = [np.take(plausible(frames.data, frames.length, address_bytes), rows) for address_bytes in (0, 1)]
    counts = [np.add.reduceat(one, starts[:-1], dtype=np.int64) for one in fits]
    return Shares(np.diff(starts).astype(np.int64), *counts)


def tracks(frames: Frames, known: Shares | None = None, named: frozenset[tuple[int, bool]] = frozenset()) -> Tracks:
    """Give the frames of all streams that could be of the protocol; `named` ones need less to speak for them."""
    known = known or shares(frames)
    rows, starts = frames.by_stream
    total = np.maximum(known.frames, 1)
    share_plain, share_addressed = known.plain / total, known.addressed / total
    picked = []
    for form, share in enumerate((share_plain, share_addressed)):
        row, stream = _picked(rows, starts, np.flatnonzero(share >= LEAST_SHARE))
        picked.append(_worth_a_look(frames, row, stream, form, named))
    row = np.concatenate([part[0] for part in picked])
    stream = np.concatenate([part[1] for part in picked])
    address_bytes = np.repeat(np.array([0, 1], np.uint8), [len(part[0]) for part in picked])
    data = frames.data[row]
    address = np.where(address_bytes == 1, data[:, 0].astype(np.int16), np.int16(NO_ADDRESS))
    order = np.lexsort((row, address, stream))  # a stable order, whatever the frames' times say
    row, stream, address, data = row[order], stream[order], address[order], data[order]
    new = np.ones(len(row), bool)
    new[1:] = (stream[1:] != stream[:-1]) | (address[1:] != address[:-1])
    first = np.flatnonzero(new)
    length = frames.length[row]
    return Tracks(
        first=np.append(first, len(row)),
        stream=stream[first],
        bus=frames.bus[row[first]],
        can_id=frames.can_id[row[first]],
        extended=(frames.flags[row[first]] & EXTENDED).astype(bool),
        address=address[first],
        share_plain=share_plain[stream[first]],
        share_addressed=share_addressed[stream[first]],
        row=row,
        track=np.cumsum(new) - 1,
        time_ns=frames.time_ns[row],
        data=data,
        length=length,
        protocol=protocol_bytes(data, length, (address != NO_ADDRESS).astype(np.uint8)),
    )


def _worth_a_look(
    frames: Frames,
    row: NDArray[np.intp],
    stream: NDArray[np.intp],
    address_bytes: int,
    named: frozenset[tuple[int, bool]],
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Leave out streams of which nothing could come: neither questions or answers of the standards nor long payloads.

    Many broadcast frames begin with a small number or with 1, 2 or 3 in the high nibble.
    """
    if not len(row):
        return row, stream
    first, second = frames.data[row, address_bytes], frames.data[row, address_bytes + 1]
    count = int(stream.max()) + 1
    kinds = [np.bincount(stream, first >> 4 == kind, count) for kind in range(4)]
    service = (first >> 4 == 0) & either()[second, np.minimum(first & 0x0F, LONGEST_JUDGED)]
    service |= frames.length[row] > CLASSIC_BYTES  # the escape of CAN FD: its service stands one byte further on
    spoken = np.bincount(stream, service, count)
    worth = (spoken >= LEAST_SPOKEN * kinds[0]) & (kinds[0] > 0)
    worth |= (kinds[1] > 0) & (kinds[2] > 0)
    worth |= (kinds[0] > 0) & (kinds[3] > 0)
    if named:
        begins = np.flatnonzero(np.diff(stream, prepend=-1))
        keys = [frames.key_of(one) for one in row[begins].tolist()]
        worth[stream[begins]] |= [(key.can_id, key.extended) in named for key in keys]
    kept = worth[stream]
    return row[kept], stream[kept]


def _picked(
    rows: NDArray[np.intp], starts: NDArray[np.intp], streams: NDArray[np.intp]
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Give the rows of these streams, and the stream of each."""
    counts = starts[streams + 1] - starts[streams]
    return rows[spread(starts[streams], counts)], np.repeat(streams, counts)


def spread(begin: NDArray[np.intp], count: NDArray[np.intp]) -> NDArray[np.intp]:
    """Give begin[0], begin[0] + 1, ... count[0] of them, then those of begin[1], and so on."""
    within = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
    spread: NDArray[np.intp] = np.repeat(begin, count) + within
    return spread


def only(tracks: Tracks, chosen: NDArray[np.intp]) -> Tracks:
    """Give the tracks with these numbers (ascending), renumbered from 0."""
    kept = np.isin(tracks.track, chosen)
    counts = np.diff(tracks.first)[chosen]
    protocol = ProtocolBytes(
        **{name: getattr(tracks.protocol, name)[kept] for name in ("role", "said", "number", "begin", "room")}
    )
    return Tracks(
        first=np.concatenate(([0], np.cumsum(counts))),
        stream=tracks.stream[chosen],
        bus=tracks.bus[chosen],
        can_id=tracks.can_id[chosen],
        extended=tracks.extended[chosen],
        address=tracks.address[chosen],
        share_plain=tracks.share_plain[chosen],
        share_addressed=tracks.share_addressed[chosen],
        row=tracks.row[kept],
        track=np.repeat(np.arange(len(chosen)), counts),
        time_ns=tracks.time_ns[kept],
        data=tracks.data[kept],
        length=tracks.length[kept],
        protocol=protocol,
    )
