"""What a signal map already says of a stream, as meanings."""

from __future__ import annotations

from typing import TYPE_CHECKING

from decoder.bits import Field, field_of_frame
from decoder.channels.streams import messages_of
from decoder.discovery.field_at import FieldAt
from decoder.discovery.meaning import Meaning
from decoder.discovery.proposal import Selector
from decoder.frames import Key
from decoder.transport.j1939_id import pgn

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from decoder.discovery.field_at import StreamKey
    from decoder.maps.signal_map import Message, Signal, SignalMap


def meanings_in_map(key: StreamKey, signal_map: SignalMap) -> tuple[Meaning, ...]:
    """Give what a map says of the payloads of one stream, in the order of the map.

    Of the pages of a signal only the first value is told; quantity and place are not.
    """
    return tuple(one for message in _messages(key, signal_map) for one in _of_message(key, message))


def _messages(key: StreamKey, signal_map: SignalMap) -> Sequence[Message]:
    carrier = key.carrier
    if carrier is not None and carrier.kind == "j1939-tp":
        return [one for one in signal_map.messages if one.extended and pgn(one.can_id) == carrier.pgn]
    found = messages_of([Key(0, key.can_id, key.extended)], signal_map)
    messages = next(iter(found.values()), ())
    assembled = carrier is not None
    return [one for one in messages if (one.is_reassembled or one.exceeds_a_frame) == assembled]


def _of_message(key: StreamKey, message: Message) -> Iterator[Meaning]:
    by_name = {signal.name: signal for signal in message.signals if signal.is_multiplexor}
    for signal in message.signals:
        found = _selector(signal, by_name, _prefix(key), len(by_name))
        if found is not None:
            yield Meaning(
                FieldAt(key, signal.field, found[0]),
                name=signal.name,
                unit=signal.unit,
                scale=float(signal.scale),
                offset=float(signal.offset),
                labels=signal.labels,
                multiplexor=signal.is_multiplexor,
                comment=signal.comment,
            )


def _prefix(key: StreamKey) -> bytes:
    return b"" if key.carrier is None else key.carrier.prefix


def _selector(signal: Signal, by_name: dict[str, Signal], prefix: bytes, depth: int) -> tuple[Selector | None] | None:
    """Give what a signal stands under, in a tuple; ``None`` where no payload that begins with `prefix` has it."""
    if signal.page is None:
        return (None,)
    outer = by_name.get(signal.page.multiplexor)
    if outer is None or not depth:
        return None
    within = _selector(outer, by_name, prefix, depth - 1)
    if within is None:
        return None
    if outer.field.last_byte < len(prefix):
        # All payloads of the stream have the same value here.
        return within if field_of_frame(prefix, outer.field) in signal.page else None
    value = signal.page.values[0][0]
    field = Field(outer.field.start, outer.field.length, outer.field.byte_order)
    return (Selector(field, value, within[0]),)
