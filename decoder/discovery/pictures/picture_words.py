"""What stands beside the picture of a payload: headings, names of bits, labels of brackets."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from decoder.discovery.survey import rhythm
from decoder.printable import printable

if TYPE_CHECKING:
    from collections.abc import Iterable

    from decoder.bits import Field
    from decoder.discovery.pictures.payload_picture import Group, Line, Section
    from decoder.discovery.proposal import Carrier, Proposal, Selector, Stream

_MOST_PREFIX: Final = 8  # bytes
_MOST_NAME: Final = 20  # characters
NOTATION: Final = "Fields are start|length as in a DBC file, @1 little-endian, @0 big-endian, + unsigned, - signed."


def heading(stream: Stream, *, several_buses: bool, damaged: int = 0) -> str:
    """Name a stream: bus if there are several, identifier, transport, how many payloads, how often."""
    period_ms, _, _ = rhythm(stream.time_ns)
    what = "frame" if stream.carrier is None else "message"
    parts = [
        " ".join(
            [
                *([printable(stream.bus, _MOST_NAME)] if several_buses else []),
                identifier_text(stream),
                *([carrier_text(stream.carrier)] if stream.carrier is not None else []),
            ]
        ),
        _counted(len(stream.time_ns), what),
        _counted(stream.data.shape[1], "byte"),
        *([f"period {period_text(period_ms)}"] if period_ms is not None else []),
        *([f"{damaged:,} with a wrong check"] if damaged else []),
    ]
    return ", ".join(parts)


def identifier_text(stream: Stream) -> str:
    """Write the identifier in hex."""
    return f"{stream.can_id:0{8 if stream.extended else 3}X}"


def carrier_text(carrier: Carrier) -> str:
    """Write the transport, and what its messages have in common."""
    if carrier.kind == "j1939-tp":
        return carrier.kind if carrier.pgn is None else f"{carrier.kind} {carrier.pgn:05X}"
    more = " ..." if len(carrier.prefix) > _MOST_PREFIX else ""
    return f"{carrier.kind} {carrier.prefix[:_MOST_PREFIX].hex(' ').upper()}{more}".rstrip()


def period_text(period_ms: float) -> str:
    """Write a period in ms or s."""
    return f"{period_ms:.1f} ms" if period_ms < 10_000 else f"{period_ms / 1000:.1f} s"


def section_text(section: Section, stream: Stream) -> str:
    """Name what a section shows; empty for what all payloads have."""
    if section.selector is None:
        return ""
    shown = f", drawn for {section.shown}" if section.shown is not None else ""
    what = "frame" if stream.carrier is None else "message"
    return f"under {selector_text(section.selector)}{shown}: {_counted(len(section.time_ns), what)}"


def field_text(field: Field) -> str:
    """Write a field as a DBC file does."""
    order = "1" if field.byte_order == "little" else "0"
    return f"{field.start}|{field.length}@{order}{'-' if field.signed else '+'}"


def selector_text(selector: Selector | None) -> str:
    """Write what a field stands under, the outermost first; empty for nothing."""
    levels = []
    while selector is not None:
        name = field_text(selector.field)
        levels.append(f"each value of {name}" if selector.value is None else f"{name} = {selector.value}")
        selector = selector.within
    return ", ".join(reversed(levels))


def bits_text(line: Line) -> str:
    """Name the bits of a line: byte.bit, a run as 2.7-4, whole bytes as 3-5."""
    first, last = line.bits[0], line.bits[-1]
    whole = len(line.bits) % 8 == 0 and {first % 8, last % 8} == {0, 7}
    if whole:
        return str(first // 8) if first // 8 == last // 8 else f"{first // 8}-{last // 8}"
    if first == last:
        return f"{first // 8}.{first % 8}"
    if first // 8 == last // 8:
        return f"{first // 8}.{first % 8}-{last % 8}"
    return f"{first // 8}.{first % 8}-{last // 8}.{last % 8}"


def label(group: Group) -> str:
    """Name what a bracket holds: kind, place, how sure; empty for bits at rest that nothing is said about."""
    if group.kind == "free":
        return "not carved"
    if group.kind == "under":
        return _counted(len(group.proposals), "multiplexed field")
    if not group.proposals:
        return ""
    first = group.proposals[0]
    if group.piece:
        return f"more of {field_text(first.field)}"
    if len(group.proposals) > 1:
        return f"{len(group.proposals)} {first.kind}s, {confidence_text(group.proposals)}"
    return f"{first.kind} {field_text(first.field)}  {confidence_text(group.proposals)}"


def confidence_text(proposals: Iterable[Proposal]) -> str:
    """Write how sure the fields are in percent, as a range where they differ."""
    percents = sorted({_percent(one.confidence) for one in proposals})
    return f"{percents[0]} %" if len(percents) == 1 else f"{percents[0]} to {percents[-1]} %"


def _percent(confidence: float) -> int:
    """Round, but to 100 only what is certain."""
    return round(100 * confidence) if confidence >= 1 else min(round(100 * confidence), 99)


def left_out_text(left_out: Iterable[Proposal]) -> str:
    """Say what a picture leaves out."""
    fields = [one.field for one in left_out]
    first, last = min(field.first_byte for field in fields), max(field.last_byte for field in fields)
    where = f"byte {first}" if first == last else f"bytes {first} to {last}"
    return f"not drawn: {_counted(len(fields), 'field')} in {where}"


def _counted(count: int, what: str) -> str:
    return f"{count:,} {what}{'' if count == 1 else 's'}"
