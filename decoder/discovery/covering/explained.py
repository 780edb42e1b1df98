"""Which of the bits that change in a capture a signal map explains, and what is left, sorted by how much it moves.

A bit counts where it changes between payloads of one identifier, or of one kind of whole answer or parameter group.
What a message has on all its pages counts once; all other bits count for each value of the multiplexor on their own,
for under each value they are other bits. Questions and refusals are not counted: they say nothing of the pack.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.bits import Payloads
from decoder.channels.streams import messages_of
from decoder.discovery.field_at import StreamKey, key_of
from decoder.frames import Key
from decoder.transport.j1939_id import GLOBAL_ADDRESS, pgn, source
from decoder.transport.services import NEGATIVE

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from numpy.typing import NDArray

    from decoder.discovery.proposal import Stream
    from decoder.frames import Frames
    from decoder.maps.signal_map import Message, Signal, SignalMap

# A positive answer's service has this bit, its question's has not (ISO 14229-1, clause 8).
_ANSWER: Final = 0x40


@dataclass(frozen=True, slots=True)
class PartCoverage:
    """The bits of a stream that stand under the same values of multiplexors, or under none.

    page : the multiplexors' names with their values, the outer one first; empty for what stands on all pages
    changing_bits, explained_bits : how many change, and how many of these a signal covers
    left : DBC numbers of the changing bits that none does
    moves : how many of those flip from one payload to the next, on the average
    """

    page: tuple[tuple[str, int], ...]
    payloads: int
    changing_bits: int
    explained_bits: int
    left: tuple[int, ...]
    moves: float


@dataclass(frozen=True, slots=True)
class StreamCoverage:
    """One identifier, or one kind of whole message: see `PartCoverage` for what is counted."""

    key: StreamKey
    messages: tuple[str, ...]
    payloads: int
    changing_bits: int
    explained_bits: int
    moves: float
    parts: tuple[PartCoverage, ...]


@dataclass(frozen=True, slots=True)
class Explained:
    """All streams; those whose unexplained bits move most come first."""

    changing_bits: int
    explained_bits: int
    streams: tuple[StreamCoverage, ...]


def explained(frames: Frames, found: Sequence[Stream], signal_map: SignalMap) -> Explained:
    """Count changing and explained bits.

    Parameters
    ----------
    frames : the capture
    found : its streams, as `decoder.discovery.streams.streams` gives them
    """
    plain = messages_of(frames.rows_of, signal_map)
    rows = [
        _of_stream(one, messages_for(one, frames, plain, signal_map)) for one in found if tells_of_pack(key_of(one))
    ]
    rows.sort(key=lambda one: (-one.moves, one.key.bus, one.key.can_id, one.key.carrier is not None))
    return Explained(sum(one.changing_bits for one in rows), sum(one.explained_bits for one in rows), tuple(rows))


def tells_of_pack(key: StreamKey) -> bool:
    """Whether a stream may tell of the pack: frames and answers do, questions and refusals do not."""
    carrier = key.carrier
    if carrier is None or carrier.kind != "iso-tp" or not carrier.prefix:
        return True
    return bool(carrier.prefix[0] & _ANSWER) and carrier.prefix[0] != NEGATIVE


def messages_for(
    one: Stream, frames: Frames, plain: Mapping[Key, tuple[Message, ...]], signal_map: SignalMap
) -> tuple[Message, ...]:
    """Give the messages of a map that describe a stream."""
    if one.carrier is None:
        key = Key(frames.bus_names.index(one.bus), one.can_id, one.extended)
        return tuple(message for message in plain.get(key, ()) if not message.is_reassembled)
    if one.carrier.pgn is not None:
        return tuple(m for m in signal_map.messages if m.is_j1939 and _of_group(m.can_id, one))
    return tuple(
        message
        for message in signal_map.messages
        if (message.can_id, message.extended) == (one.can_id, one.extended)
        and (message.is_reassembled or message.exceeds_a_frame)
    )


def _of_group(can_id: int, one: Stream) -> bool:
    assert one.carrier is not None
    own = source(can_id)
    return own in (source(one.can_id), GLOBAL_ADDRESS - 1, GLOBAL_ADDRESS) and int(pgn(can_id)) == one.carrier.pgn


def _of_stream(one: Stream, messages: tuple[Message, ...]) -> StreamCoverage:
    payloads = Payloads(one.data)
    signals = [signal for message in messages for signal in message.signals if _fits(signal, one)]
    every_bit = np.full(one.data.shape[1], 0xFF, np.uint8)
    parts = tuple(_parts(one, payloads, signals, np.arange(len(one.data)), every_bit, ()))
    return StreamCoverage(
        key_of(one),
        tuple(message.name for message in messages),
        len(one.data),
        sum(part.changing_bits for part in parts),
        sum(part.explained_bits for part in parts),
        sum(part.moves * part.payloads for part in parts) / max(len(one.data), 1),
        parts,
    )


def _fits(signal: Signal, one: Stream) -> bool:
    return bool(signal.field.last_byte < one.data.shape[1])


def _parts(
    one: Stream,
    payloads: Payloads,
    signals: Sequence[Signal],
    rows: NDArray[np.intp],
    mask: NDArray[np.uint8],
    page: tuple[tuple[str, int], ...],
) -> Iterator[PartCoverage]:
    """Count what stands on these rows within `mask`, and page by page what stands under multiplexors."""
    outer = dict(page)
    here = [signal for signal in signals if _stands(signal, outer)]
    selectors = [signal for signal in here if signal.is_multiplexor and signal.name not in outer]
    covered = _covered(here, len(mask)) & mask
    if not selectors:
        yield _counted(one, rows, mask, covered, page)
        return
    yield _counted(one, rows, covered, covered, page)
    values = np.stack([payloads.field(signal.field)[rows] for signal in selectors], axis=1)
    kinds, which = np.unique(values, axis=0, return_inverse=True)
    for number, kind in enumerate(kinds.tolist()):
        names = tuple((signal.name, value) for signal, value in zip(selectors, kind, strict=True))
        own = rows[which.reshape(-1) == number]
        yield from _parts(one, payloads, _not(here, signals), own, mask & ~covered, (*page, *names))


def _stands(signal: Signal, outer: Mapping[str, int]) -> bool:
    """Whether a frame with these values of multiplexors carries a signal."""
    if signal.page is None:
        return True
    value = outer.get(signal.page.multiplexor)
    return value is not None and value in signal.page


def _not(some: Sequence[Signal], signals: Sequence[Signal]) -> list[Signal]:
    """Give the signals that were not counted yet."""
    counted = {id(signal) for signal in some}
    return [signal for signal in signals if id(signal) not in counted]


def _covered(signals: Sequence[Signal], width: int) -> NDArray[np.uint8]:
    """Give the bits that signals cover, as bytes."""
    covered = np.zeros(width * 8, np.bool_)
    for signal in signals:
        covered[list(signal.field.bit_numbers())] = True
    return np.packbits(covered, bitorder="little")


def _counted(
    one: Stream,
    rows: NDArray[np.intp],
    mask: NDArray[np.uint8],
    covered: NDArray[np.uint8],
    page: tuple[tuple[str, int], ...],
) -> PartCoverage:
    data = one.data[rows]
    flips = (data[1:] ^ data[:-1]) & mask
    changing = np.bitwise_or.reduce(flips, axis=0) if len(flips) else np.zeros(len(mask), np.uint8)
    left = np.unpackbits(changing & ~covered, bitorder="little")
    moving = int(np.bitwise_count(flips & ~covered).sum()) if left.any() else 0
    return PartCoverage(
        page,
        len(rows),
        int(np.bitwise_count(changing).sum()),
        int(np.bitwise_count(changing & covered).sum()),
        tuple(np.flatnonzero(left).tolist()),
        moving / max(len(flips), 1),
    )
