"""Whether what a signal map says fits a capture: ranges, borders of fields, counters, checks.

A misfit is a hint and no proof: a range may be stated too narrow, and a carved border is a proposal.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

import numpy as np

from decoder.bits import Field
from decoder.channels.absent import map_range
from decoder.channels.streams import messages_of
from decoder.discovery.carving.details import counter_detail
from decoder.discovery.covering.explained import messages_for
from decoder.discovery.field_at import Sampled, key_of
from decoder.printable import printable

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from decoder.channels import Channels
    from decoder.channels.series import Series
    from decoder.discovery.field_at import StreamKey
    from decoder.discovery.proposal import Carving, Proposal, Selector
    from decoder.maps.signal_map import Message, Signal

# Carved fields that are sure enough to hold a map against. Common practice, no source.
SURE: Final = 0.8
# The share of samples outside the stated range from which on it is told, where the first one lies within.
# Common practice, no source.
_OUTSIDE: Final = 0.01
# A counter that goes on otherwise more often than this does not count: loggers lose fewer frames than that.
# Common practice, no source.
_NO_COUNTER: Final = 0.2
_FEWEST: Final = 10
# Carved kinds that are whole or nothing, and those that never share a field with another one.
_CUT_KINDS: Final = ("number", "counter", "check", "multiplexor")
_ALONE: Final = {"counter": "alive counter", "check": "check"}

MisfitKind = Literal["range", "border", "counter", "check"]


@dataclass(frozen=True, slots=True)
class Misfit:
    """Something that a map says and the capture does not bear out.

    channel, message : as the map calls them
    share : of the samples that do not fit, ``None`` where it is not about samples
    time_ns : the first of these, on the capture's clock
    """

    kind: MisfitKind
    key: StreamKey
    message: str
    channel: str
    text: str
    share: float | None = None
    time_ns: int | None = None


def misfits(channels: Channels, sampled: Sampled, carvings: Sequence[Carving] = ()) -> tuple[Misfit, ...]:
    """Hold a map against a capture.

    Parameters
    ----------
    channels : the capture decoded with the map, and the sheet that says what counts and checks
    sampled : its streams
    carvings : its carved fields; without them only ranges and counters are held against it
    """
    streams_of = _streams_of(channels, sampled)
    carved = {key_of(one.stream): one.proposals for one in carvings}
    found: list[Misfit] = []
    for series in channels.values():
        channel = series.channel
        for key in streams_of.get((channel.bus, id(channel.message)), ()):
            is_carried, selector = _page_in(channel.signal, channel.message, key)
            if not is_carried:
                continue
            found += _range(series, key)
            if channel.quantity == "alive counter":
                found += _counter(series, key)
            found += _against_carved(series, key, selector, carved.get(key, ()))
            if key in carved:
                found += _check(series, key, carved[key])
    order = ("range", "border", "counter", "check")
    # What is said of a channel is said once, though several kinds of answers may carry it.
    unique = {(one.kind, one.message, one.channel, one.text): one for one in reversed(found)}
    return tuple(
        sorted(unique.values(), key=lambda one: (order.index(one.kind), one.key.bus, one.key.can_id, one.channel))
    )


def _streams_of(channels: Channels, sampled: Sampled) -> dict[tuple[str, int], list[StreamKey]]:
    """Give for each message on each bus, by id(), the streams that it describes."""
    frames, signal_map = channels.frames, channels.signal_map
    plain = messages_of(frames.rows_of, signal_map)
    found: dict[tuple[str, int], list[StreamKey]] = {}
    for key, stream in sampled.streams.items():
        for message in messages_for(stream, frames, plain, signal_map):
            found.setdefault((stream.bus, id(message)), []).append(key)
    return found


def _range(series: Series, key: StreamKey) -> Iterator[Misfit]:
    """Tell of a range that is left at once, or often."""
    given = map_range(series.channel)
    if given is None or not series.present:
        return
    value = series.number
    slack = abs(series.channel.signal.scale) / 2
    outside = (value < given[0] - slack) | (value > given[1] + slack)  # NaN, where absent, is neither
    if not outside.any():
        return
    share = float(np.count_nonzero(outside)) / series.present
    at = int(np.argmax(outside))
    at_once = at == int(np.argmax(np.isfinite(value)))
    if not at_once and share < _OUTSIDE:
        return
    unit = f" {printable(series.channel.unit, 8)}" if series.channel.unit else ""
    what = "from the first value on" if at_once else "at times"
    yield Misfit(
        "range",
        key,
        series.channel.message.name,
        series.channel.name,
        f"leaves its range {given[0]:g} to {given[1]:g}{unit} {what}: {value[at]:g}{unit}, {share:.0%} of its values",
        share,
        int(series.time_ns[at]),
    )


def _page_in(signal: Signal, message: Message, key: StreamKey) -> tuple[bool, Signal | None]:
    """Tell whether a stream carries a signal, and the multiplexor that pages it there, if there is one.

    The first bytes that whole answers of one kind have in common are no page within that kind.
    """
    if signal.page is None:
        return True, None
    selector = next((one for one in message.signals if one.name == signal.page.multiplexor), None)
    carrier = key.carrier
    if selector is None or carrier is None or carrier.pgn is not None:
        return selector is not None, selector
    spare = selector.field.length - 8 * len(carrier.prefix)
    if selector.field.byte_order != "big" or selector.field.wire_start:
        return True, selector
    prefix = int.from_bytes(carrier.prefix, "big")
    if spare >= 0:
        first, last = prefix << spare, (prefix + 1 << spare) - 1
    else:
        first = last = prefix >> -spare
    return any(low <= last and first <= high for low, high in signal.page.values), None if spare <= 0 else selector


def _counter(series: Series, key: StreamKey) -> Iterator[Misfit]:
    """Tell of a counter that does not count."""
    if len(series) < _FEWEST:
        return
    raw = np.asarray(series.raw, np.int64)
    if not np.any(raw[1:] != raw[:-1]):
        yield Misfit(
            "counter", key, series.channel.message.name, series.channel.name, "does not count: it stands still"
        )
        return
    detail = counter_detail(raw, series.channel.signal.field.length)
    modulus = series.channel.role.modulus
    exceptions = detail["exceptions"] if modulus is None else _exceptions(raw, modulus)
    assert isinstance(exceptions, int)
    share = exceptions / (len(raw) - 1)
    if share > _NO_COUNTER:
        text = f"does not count: {share:.0%} of its values do not follow the one before"
        yield Misfit("counter", key, series.channel.message.name, series.channel.name, text, share)


def _exceptions(raw: NDArray[np.int64], modulus: int) -> int:
    """Count how often a counter does not go on by its usual step."""
    every = (raw[1:] - raw[:-1]) % modulus
    steps, counts = np.unique(every[every > 0], return_counts=True)
    return int(len(every) - counts.max(initial=0) - np.count_nonzero(every == 0)) if len(steps) else len(every)


def _check(series: Series, key: StreamKey, proposals: Sequence[Proposal]) -> Iterator[Misfit]:
    """Tell of a check that no known form holds for, of one that fails in some payloads, and of one by another name."""
    signal = series.channel.signal
    if len(series) < _FEWEST:
        return
    bits = set(signal.field.bit_numbers())
    found = next((p for p in proposals if p.kind in _ALONE and bits == set(p.field.bit_numbers())), None)
    name, message, quantity = series.channel.name, series.channel.message.name, series.channel.quantity
    if quantity == "check" and (found is None or found.kind != "check"):
        yield Misfit("check", key, message, name, "no checksum or CRC that is known holds there")
        return
    if found is None or found.confidence < SURE:
        return
    if quantity != _ALONE[found.kind] and (quantity is not None or signal.unit):
        said = quantity or f"something in {printable(signal.unit, 8)}"
        yield Misfit("check", key, message, name, f"is {said} by the map, and is carved as a {found.kind}")
    holds, payloads = found.detail.get("holds"), found.detail.get("frames")
    if isinstance(holds, int) and isinstance(payloads, int) and holds < payloads:
        share = (payloads - holds) / payloads
        form = printable(str(found.detail.get("form", "its form is not known")), 60)
        text = f"fails in {payloads - holds:,} of {payloads:,} payloads: {form}"
        yield Misfit("check", key, message, name, text, share)


def _against_carved(
    series: Series, key: StreamKey, selector: Signal | None, proposals: Sequence[Proposal]
) -> Iterator[Misfit]:
    """Tell of carved fields that a signal cuts through, takes in, joins, or reads in another byte order."""
    signal = series.channel.signal
    bits = set(signal.field.bit_numbers())
    here = [
        one
        for one in proposals
        if one.confidence >= SURE
        and _same_page(signal, selector, one.multiplexor)
        and not bits.isdisjoint(_certain(one).bit_numbers())
    ]
    for text in _border_words(signal.field, bits, here):
        yield Misfit("border", key, series.channel.message.name, series.channel.name, text)


def _border_words(field: Field, bits: set[int], here: Sequence[Proposal]) -> Iterator[str]:
    whole = [one for one in here if bits.issuperset(_certain(one).bit_numbers())]
    for one in here:
        shown = f"{one.kind} {_bits(one.field)} ({one.confidence:.0%})"
        if one not in whole and one.kind in _CUT_KINDS:
            yield f"{_bits(field)} cuts through the carved {shown}"
        elif one in whole and one.kind in _ALONE and len(here) > 1:
            yield f"{_bits(field)} takes in the carved {shown}"
    numbers = [one for one in whole if one.kind == "number"]
    if len(numbers) > 1:
        shown = " and ".join(_bits(one.field) for one in numbers[:3])
        yield f"{_bits(field)} joins the carved numbers {shown}"
    elif numbers and _spans_bytes(_certain(numbers[0])) and numbers[0].field.byte_order != field.byte_order:
        yield f"{_bits(field)} is carved as {numbers[0].field.byte_order}-endian ({numbers[0].confidence:.0%})"


def _spans_bytes(field: Field) -> bool:
    return field.first_byte != field.last_byte


def _certain(one: Proposal) -> Field:
    """Give the bits of a proposal that did change."""
    place = one.detail.get("certain")
    if isinstance(place, dict) and isinstance(place.get("start"), int) and isinstance(place.get("length"), int):
        return Field(place["start"], place["length"], one.field.byte_order)
    return one.field


def _same_page(signal: Signal, own: Signal | None, selector: Selector | None) -> bool:
    """Whether signal and proposal stand under the same value of the same multiplexor, or both under none."""
    if selector is None or selector.value is None or own is None:
        return own is None and (selector is None or selector.value is None)
    if set(own.field.bit_numbers()) != set(selector.field.bit_numbers()):
        return False
    return signal.page is not None and selector.value in signal.page


def _bits(field: Field) -> str:
    order = "1" if field.byte_order == "little" else "0"
    return f"{field.start}|{field.length}@{order}{'-' if field.signed else '+'}"
