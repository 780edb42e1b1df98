"""Meanings as messages and signals of a DBC file.

A message is named by its identifier, `M_310`. A format without buses has one message an identifier: where two buses
carry it, the meanings of the one with more of them count. Whole answers of ISO 15765-2 are one message, of which a
multiplexor over the first bytes (service, and what it says of) tells the kinds apart. Long groups of SAE J1939 are
messages with the group's identifier.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from decoder.bits import Field
from decoder.discovery.drafts.channel_names import ChannelName, name_of
from decoder.frames import CLASSIC_BYTES
from decoder.maps.dbc_additions import NewMessage, NewPage, NewSignal
from decoder.maps.patterns import literal
from decoder.maps.quantities import quantity as quantity_row
from decoder.printable import printable
from decoder.transport.j1939_id import GLOBAL_ADDRESS, source

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from decoder.discovery.field_at import StreamKey
    from decoder.discovery.meaning import Meaning
    from decoder.discovery.proposal import Selector
    from decoder.maps.dbc_additions import Carriage
    from decoder.maps.signal_map import SignalMap

# The multiplexor over the first bytes of answers is a field, and tools list the pages that it has.
_MOST_TOPIC_BYTES: Final = 4
_MOST_PAGES: Final = 256
# What SAE J1939-21 sends where nothing else is said (clause 5.2.1, from memory).
_J1939_PRIORITY: Final = 6
_FIRST_PDU2_FORMAT: Final = 240


@dataclass(frozen=True, slots=True)
class Wanted:
    """Messages to be added, the meaning and the pattern of each signal, and what cannot be a signal, with why."""

    messages: tuple[NewMessage, ...]
    meanings: Mapping[int, tuple[Meaning, ChannelName]]  # by id() of the signal
    refused: tuple[tuple[Meaning, str], ...]


def messages_of(
    meanings: Sequence[Meaning],
    known: SignalMap,
    capture_name: str = "",
    lengths: Mapping[StreamKey, int] | None = None,
) -> Wanted:
    """Give the messages that meanings become.

    Parameters
    ----------
    known : the map that they go into
    capture_name : what the comments name
    lengths : payload bytes of each stream, where they are known
    """
    refused: list[tuple[Meaning, str]] = []
    taken, buses = _on_one_bus(meanings)
    for one in meanings:
        if not any(one is other for other in taken):
            bus = printable(buses[_number(one.at.stream)], 20)
            refused.append((one, f"the identifier has another meaning on bus {bus}; draft that bus alone with --bus"))
    by_message: dict[tuple[Carriage, int, bool], list[Meaning]] = defaultdict(list)
    for one in taken:
        by_message[_carriage(one.at.stream), *_number(one.at.stream)].append(one)
    by_id: dict[int, tuple[Meaning, ChannelName]] = {}
    messages = []
    for (carriage, can_id, extended), own in sorted(by_message.items(), key=lambda item: item[0][1:]):
        maker = _Maker(carriage, can_id, extended, own, known, capture_name)
        signals = []
        for one in sorted(own, key=_multiplexors_first):
            try:
                signal, name = maker.signal(one)
            except ValueError as error:
                refused.append((one, str(error)))
                continue
            signals.append(signal)
            by_id[id(signal)] = one, name
        length = max([(lengths or {}).get(one.at.stream, 0) for one in own] + [_least_bytes(carriage, lengths)])
        comment = f"Drafted from {printable(capture_name)}" if capture_name else ""
        messages.append(NewMessage(can_id, extended, maker.name, length, tuple(signals), carriage, comment))
    return Wanted(tuple(messages), by_id, tuple(refused))


def _least_bytes(carriage: Carriage, lengths: Mapping[StreamKey, int] | None) -> int:
    """Give the shortest length to state: a group that comes in packets is longer than a frame."""
    if carriage == "j1939":
        return CLASSIC_BYTES + 1
    return 0 if lengths else CLASSIC_BYTES


def _on_one_bus(meanings: Sequence[Meaning]) -> tuple[list[Meaning], dict[tuple[int, bool], str]]:
    """Give the meanings that count, and for each identifier the bus whose do."""
    counts: dict[tuple[int, bool], Counter[str]] = defaultdict(Counter)
    for one in meanings:
        counts[_number(one.at.stream)][one.at.stream.bus] += 1
    buses = {number: min(count, key=lambda bus: (-count[bus], bus)) for number, count in counts.items()}
    return [one for one in meanings if buses[_number(one.at.stream)] == one.at.stream.bus], buses


def _number(key: StreamKey) -> tuple[int, bool]:
    """Give the identifier that a map has for a stream."""
    if key.carrier is None or key.carrier.pgn is None:
        return key.can_id, key.extended
    group = key.carrier.pgn << 8
    if (group >> 16) & 0xFF < _FIRST_PDU2_FORMAT:
        group |= GLOBAL_ADDRESS << 8
    return _J1939_PRIORITY << 26 | group | source(key.can_id), True


def _carriage(key: StreamKey) -> Carriage:
    if key.carrier is None:
        return "frame"
    return "j1939" if key.carrier.kind == "j1939-tp" else "reassembled"


def _multiplexors_first(one: Meaning) -> tuple[bool, int]:
    """Order: multiplexors first, the outer one before the inner one; all others as they were given."""
    depth, selector = 0, one.at.multiplexor
    while selector is not None:
        depth, selector = depth + 1, selector.within
    return (False, depth) if one.multiplexor else (True, 0)


class _Maker:
    """Makes the signals of one message."""

    def __init__(
        self,
        carriage: Carriage,
        can_id: int,
        extended: bool,  # noqa: FBT001  (half of a key)
        meanings: Sequence[Meaning],
        known: SignalMap,
        capture_name: str,
    ) -> None:
        self.name = f"M_{can_id:0{8 if extended else 3}X}"
        self.capture_name = capture_name
        self.topic_bytes = _topic_bytes(carriage, can_id, extended, meanings, known)
        self.selectors = {(one.at.multiplexor, one.at.field.bit_numbers()): one for one in meanings if one.multiplexor}

    def signal(self, one: Meaning) -> tuple[NewSignal, ChannelName]:
        """Give a meaning as a signal. Raises `ValueError` where it cannot be one."""
        named = name_of(one.quantity, one.place, self.name, one.at.field.start)
        if one.multiplexor and one.quantity is None:
            named = ChannelName(f"{self.name}_Index", f"{self.name}_Index")
        if one.name:
            own = name_of(one.quantity, one.place, self.name, one.at.field.start, one.name.partition("_")[0])
            named = own if own.name == one.name else ChannelName(one.name, literal(one.name))
        low, high = _range(one)
        return (
            NewSignal(
                named.name,
                one.at.field,
                one.scale,
                one.offset,
                low,
                high,
                one.unit,
                one.labels,
                self._comment(one.comment),
                one.multiplexor,
                self._page(one.at.stream, one.at.multiplexor),
            ),
            named,
        )

    def _comment(self, comment: str) -> str:
        source_text = f"from {printable(self.capture_name)}" if self.capture_name else ""
        if not comment or not source_text or self.capture_name in comment:
            return comment or source_text
        return f"{comment.rstrip('. ')}; {source_text}"

    def _page(self, key: StreamKey, selector: Selector | None) -> NewPage | None:
        while selector is not None and selector.value is None:
            selector = selector.within  # under each of its values: no page
        if selector is None:
            return self._topic(key)
        assert selector.value is not None
        outer = self._page(key, selector.within)
        meaning = self.selectors.get((selector.within, selector.field.bit_numbers()))
        name = (meaning.name if meaning is not None else "") or f"{self.name}_Index"
        multiplexor = NewSignal(name, selector.field, is_multiplexor=True, page=outer)
        return NewPage(multiplexor, ((selector.value, selector.value),))

    def _topic(self, key: StreamKey) -> NewPage | None:
        """Give the page of one kind of answer, of a multiplexor over the first bytes."""
        if key.carrier is None or key.carrier.kind != "iso-tp" or not key.carrier.prefix:
            return None
        prefix, width = key.carrier.prefix, self.topic_bytes
        spare = 8 * (width - len(prefix))
        if spare < 0 or 1 << spare > _MOST_PAGES:
            shown = prefix.hex(" ").upper()
            raise ValueError(
                f"the answer begins {shown}, and the multiplexor of '{self.name}' has {8 * width} bits; "
                f"draft it into a map of its own"
            )
        first = int.from_bytes(prefix, "big") << spare
        multiplexor = NewSignal(f"{self.name}_Topic", Field(7, 8 * width, "big"), is_multiplexor=True)
        return NewPage(multiplexor, ((first, first + (1 << spare) - 1),))


def _topic_bytes(
    carriage: Carriage,
    can_id: int,
    extended: bool,  # noqa: FBT001  (half of a key)
    meanings: Iterable[Meaning],
    known: SignalMap,
) -> int:
    """Give how many bytes the multiplexor over kinds of answers has: the map's, else as many as the longest needs."""
    if carriage != "reassembled":
        return 0
    for message in known.messages:
        if (message.can_id, message.extended) == (can_id, extended):
            for one in message.signals:
                if one.is_multiplexor and one.field.byte_order == "big" and one.field.wire_start == 0:
                    return one.field.length // 8
    prefixes = [one.at.stream.carrier.prefix for one in meanings if one.at.stream.carrier is not None]
    return max((len(prefix) for prefix in prefixes if len(prefix) <= _MOST_TOPIC_BYTES), default=1)


def _range(one: Meaning) -> tuple[float | None, float | None]:
    """Give the range to state: the meaning's own, else what its quantity can be at all."""
    if one.low is not None or one.high is not None or one.quantity is None:
        return one.low, one.high
    row = quantity_row(one.quantity)
    return row.plausible if row.plausible is not None and row.unit == one.unit else (None, None)
