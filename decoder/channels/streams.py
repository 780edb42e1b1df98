"""Streams: which frames or assembled payloads each message of a map describes, sender by sender.

Most messages describe the frames of one identifier. One that says so (VFrameFormat J1939PG) describes a parameter group
of SAE J1939, whatever the priority, one stream for each source address. One that is longer than a frame, or says so
(CellgleanPayload), describes payloads put together from frames.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from decoder.channels.assembled import AllAssembled, Assembled, Sender
from decoder.frames import CLASSIC_BYTES
from decoder.transport.j1939_id import GLOBAL_ADDRESS, is_transport, pgn, source

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from numpy.typing import NDArray

    from decoder.frames import Frames, Key
    from decoder.maps.signal_map import Message, SignalMap

# Source addresses that stand for any in a map: null and global (SAE J1939-81; in maps common practice).
_ANY_ADDRESS: Final = (GLOBAL_ADDRESS - 1, GLOBAL_ADDRESS)


@dataclass(frozen=True, slots=True)
class Stream:
    """What one message describes on one bus: the frames of `keys`, the payloads of `sender`, or both.

    `address`: the source address, where the map describes a parameter group.
    """

    message: Message
    bus: str
    keys: tuple[Key, ...] = ()
    sender: Sender | None = None
    address: int | None = None

    @property
    def can_id(self) -> int:
        """The identifier as heard; of a parameter group the first one, or the map's with the source put in."""
        if self.keys:
            return self.keys[0].can_id
        return self.message.can_id if self.address is None else self.message.can_id & ~0xFF | self.address


@dataclass(frozen=True, slots=True, eq=False)
class Carried:
    """The payloads of a stream: rows of the capture, times, bytes (n x width), lengths.

    `number`: which of `assembled` each is, -1 for a frame.
    """

    rows: NDArray[np.intp]
    time_ns: NDArray[np.int64]
    data: NDArray[np.uint8]
    length: NDArray[np.integer[Any]]
    number: NDArray[np.intp] | None = None
    assembled: Assembled | None = None


def streams_of(
    keys: Iterable[Key], bus_names: Sequence[str], signal_map: SignalMap, found: AllAssembled
) -> list[Stream]:
    """Pair each message of the map with what it describes, in the order of the map."""
    wanted = _addresses_of_groups(signal_map)
    streams = []
    for message, own in _keys_by_message(keys, signal_map):
        if message.is_j1939 and message.extended:
            streams += _group_streams(message, own, bus_names, found, wanted[pgn(message.can_id)])
        else:
            for key in own:
                streams += _plain_stream(message, key, bus_names[key.bus], found)
    return streams


def messages_of(keys: Iterable[Key], signal_map: SignalMap) -> dict[Key, tuple[Message, ...]]:
    """Give for each stream of frames the messages of the map that describe it, in the order of the map; most have one.

    A message about payloads put together from frames describes the frames that carry them; where these are packets of
    SAE J1939, any parameter group may be in them, and no message describes them.
    """
    found: dict[Key, tuple[Message, ...]] = dict.fromkeys(keys, ())
    for message, own in _keys_by_message(found, signal_map):
        for key in own:
            found[key] += (message,)
    return found


def _keys_by_message(keys: Iterable[Key], signal_map: SignalMap) -> Iterator[tuple[Message, list[Key]]]:
    """Give each message of the map with the streams of its identifier or, by any priority, of its parameter group."""
    by_identifier: dict[tuple[int, bool], list[Key]] = defaultdict(list)
    by_group: dict[int, list[Key]] = defaultdict(list)
    for key in sorted(keys):
        by_identifier[key.can_id, key.extended].append(key)
        if key.extended:
            by_group[pgn(key.can_id)].append(key)
    wanted = _addresses_of_groups(signal_map)
    for message in signal_map.messages:
        if message.is_j1939 and message.extended:
            group = pgn(message.can_id)
            yield (
                message,
                [key for key in by_group.get(group, ()) if _takes(message, source(key.can_id), wanted[group])],
            )
        else:
            yield message, by_identifier.get((message.can_id, message.extended), [])


def _plain_stream(message: Message, key: Key, bus: str, found: AllAssembled) -> list[Stream]:
    sender = Sender(key.bus, key.can_id, key.extended)
    if message.is_reassembled or (message.exceeds_a_frame and sender in found):
        return [Stream(message, bus, sender=sender)] if sender in found else []
    return [Stream(message, bus, (key,))]


def _addresses_of_groups(signal_map: SignalMap) -> dict[int, set[int]]:
    """Give for each parameter group of the map the source addresses that a message names."""
    named: dict[int, set[int]] = defaultdict(set)
    for message in signal_map.messages:
        if message.is_j1939 and message.extended:
            named[pgn(message.can_id)].add(source(message.can_id))
    return named


def _takes(message: Message, address: int, named: set[int]) -> bool:
    """Tell whether a message describes what `address` sends.

    The messages of its group that name it do; if none does, those that are for any address; if there are none, all.
    """
    own = source(message.can_id)
    if address in named:
        return own == address
    return own in _ANY_ADDRESS or not named.intersection(_ANY_ADDRESS)


def _group_streams(
    message: Message, keys: list[Key], bus_names: Sequence[str], found: AllAssembled, named: set[int]
) -> list[Stream]:
    """Give one stream for each bus and source address."""
    by_source: dict[tuple[int, int], list[Key]] = defaultdict(list)
    for key in keys:
        by_source[key.bus, source(key.can_id)].append(key)
    group = pgn(message.can_id)
    senders = {
        (sender.bus, sender.source_address): sender
        for sender in found
        if sender.pgn == group
        and sender.source_address is not None
        and message.length > CLASSIC_BYTES
        and _takes(message, sender.source_address, named)
    }
    return [
        Stream(message, bus_names[bus], tuple(by_source.get((bus, address), ())), senders.get((bus, address)), address)
        for bus, address in sorted({*by_source, *senders})
    ]


def keys_of(stream: Stream, keys: Iterable[Key]) -> tuple[Key, ...]:
    """Give the streams of frames that a stream of the map covers, those that carry its payloads in parts included."""
    sender = stream.sender
    if sender is None:
        return stream.keys
    if sender.pgn is not None:
        return (*stream.keys, *(key for key in keys if _carries_packets(key, sender)))
    return (*stream.keys, *(k for k in keys if k == (sender.bus, sender.can_id, sender.extended)))


def _carries_packets(key: Key, sender: Sender) -> bool:
    """Tell whether a stream carries the packets of a source's long parameter groups."""
    own = key.bus == sender.bus and key.extended and source(key.can_id) == sender.source_address
    return own and bool(is_transport(key.can_id))


def carried(frames: Frames, stream: Stream, found: Mapping[Sender, Assembled]) -> Carried:
    """Give the payloads of a stream, in the order of the capture."""
    parts = [_frames_of(frames, stream)] if stream.keys else []
    if stream.sender is not None:
        parts.append(_assembled_of(found[stream.sender], stream.message))
    if len(parts) == 1:
        return parts[0]
    return _joined(parts)


def _frames_of(frames: Frames, stream: Stream) -> Carried:
    here = [frames.rows_of[key] for key in stream.keys if key in frames.rows_of]
    rows = here[0] if len(here) == 1 else np.sort(np.concatenate([np.empty(0, np.intp), *here]))
    return Carried(rows, frames.time_ns[rows], np.take(frames.data, rows, axis=0), frames.length[rows])


def _assembled_of(one: Assembled, message: Message) -> Carried:
    """Give the payloads as far as the message describes them; its signals may leave the length that it states."""
    width = max([message.length, *(signal.field.last_byte + 1 for signal in message.signals)])
    width = min(width, int(one.length.max(initial=0)))
    length = np.minimum(one.length, width)
    return Carried(one.rows, one.time_ns, one.matrix(width), length, np.arange(len(one.rows)), one)


def _joined(parts: Sequence[Carried]) -> Carried:
    """Join frames and assembled payloads of one parameter group."""
    width = max(part.data.shape[1] for part in parts)
    rows = np.concatenate([part.rows for part in parts])
    order = np.argsort(rows, kind="stable")
    number = [np.full(len(part.rows), -1) if part.number is None else part.number for part in parts]
    data = [np.pad(part.data, ((0, 0), (0, width - part.data.shape[1]))) for part in parts]
    return Carried(
        rows[order],
        np.concatenate([part.time_ns for part in parts])[order],
        np.concatenate(data)[order],
        np.concatenate([part.length for part in parts])[order],
        np.concatenate(number)[order],
        parts[-1].assembled,
    )
