"""What is known about one channel at a moment: its limits, its frame and bits, its raw value."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from decoder.channels import State
from decoder.frames import EXTENDED, FD
from decoder.printable import printable
from decoder.screens.plot import in_quantity_unit
from decoder.screens.rows import Moment, moment_of, value_words
from decoder.screens.symbols import age_words, digits_of, number_words, state_words, time_words
from decoder.transport.j1939_id import pgn
from decoder.transport.meaning import answer_hex, group_hex

if TYPE_CHECKING:
    from decoder.channels import Channels, Series
    from decoder.channels.series import Limit

_SHOWN_BYTES: Final = 8
OTHER_BIT: Final = "·"
_HIDDEN_BITS: Final = "********"
_HIDDEN_VALUE: Final = "hidden: part of a vehicle identification number (--show-vin shows it)"


@dataclass(frozen=True, slots=True)
class Fact:
    """One line: a word and what is known under it."""

    word: str
    text: str


def facts_of(
    channels: Channels, name: str, time_ns: int, extremes: tuple[float, float], *, show_vin: bool = False
) -> tuple[Fact, ...]:
    """List what is known about the channel called `name` at `time_ns`; text from files is made safe.

    Bytes of a vehicle identification number are hidden unless `show_vin`.
    """
    series = channels[name]
    moment = moment_of(series, time_ns)
    number: tuple[Fact, ...] = (
        Fact("value", _value(series, moment)),
        Fact("so far", _so_far(series, moment, extremes)),
        Fact("raw", _raw(series, moment)),
    )
    if _is_hidden(channels, series, moment, show_vin=show_vin):
        number = (Fact("value", _HIDDEN_VALUE),)
    return (
        *number,
        Fact("limits", f"low {_limit(series, series.channel.low)} · high {_limit(series, series.channel.high)}"),
        Fact("frame", _frame(channels, series, moment)),
        *_payload(channels, series, moment, show_vin=show_vin),
        Fact("field", _field(series)),
        Fact("taken as", f"{series.channel.quantity or 'nothing known'}: {printable(series.channel.role.rule, 300)}"),
        *([Fact("comment", printable(series.channel.signal.comment, 300))] if series.channel.signal.comment else []),
    )


def _value(series: Series, moment: Moment) -> str:
    shown = value_words(series, moment, digits_of(series.channel))
    state = moment.state.word if moment.state is State.OK else state_words(moment.state)
    unit = printable(series.channel.quantity_unit, 8)
    age = "no sample yet" if moment.age_s is None else f"{age_words(moment.age_s)} old"
    how = "one" if series.unanswered_ns is None else "asked for"
    cycle = f" · {how} every {age_words(series.cycle_s)}" if series.cycle_s else ""
    return f"{shown} {unit}".rstrip() + f" · {state} · {age}{cycle}"


def _so_far(series: Series, moment: Moment, extremes: tuple[float, float]) -> str:
    digits = digits_of(series.channel)
    count = 0 if moment.index is None else moment.index + 1
    return (
        f"lowest {number_words(extremes[0], digits)} · highest {number_words(extremes[1], digits)}"
        f" · sample {count} of {len(series)}"
    )


def _limit(series: Series, limit: Limit | None) -> str:
    if limit is None:
        return "not given"
    return f"{number_words(in_quantity_unit(series, limit.value), digits_of(series.channel))} ({limit.source})"


def _raw(series: Series, moment: Moment) -> str:
    if moment.index is None:
        return "no sample yet"
    raw = int(series.raw[moment.index])
    field = series.channel.signal.field
    bits = raw & ((1 << field.length) - 1)
    words = f"{raw} = {bits:0{(field.length + 3) // 4}X} hex"
    label = series.label(moment.index)
    if label is not None:
        words += f" · means '{printable(label, 60)}'"
    if series.absent is not None and series.absent[moment.index]:
        words += " · means 'not available', so there is no value"
    return words


def _frame(channels: Channels, series: Series, moment: Moment) -> str:
    channel = series.channel
    wide = 8 if channel.message.extended else 3
    who = f"{printable(channel.message.name, 40)} · identifier {channel.can_id:0{wide}X} · {printable(channel.bus, 20)}"
    if moment.index is None:
        return who
    frames, row = channels.frames, int(series.rows[moment.index])
    kinds = " extended" * bool(frames.flags[row] & EXTENDED) + " FD" * bool(frames.flags[row] & FD)
    at = time_words((int(frames.time_ns[row]) - channels.first_ns) / 1e9)
    length = len(channels.payload_of(series, moment.index))
    size = f"{length} bytes" if length <= int(frames.length[row]) else f"completes a payload of {length} bytes"
    return f"{who}{kinds} · line {int(frames.line[row])} · {at} · {size}"


def _payload(channels: Channels, series: Series, moment: Moment, *, show_vin: bool) -> tuple[Fact, ...]:
    """Show the payload in hex, and below it the field's own bits; other bits are dots."""
    if moment.index is None:
        return ()
    payload = channels.payload_of(series, moment.index)
    field = series.channel.signal.field
    first = max(0, min(field.first_byte, len(payload) - _SHOWN_BYTES))
    last = min(len(payload), max(first + _SHOWN_BYTES, field.last_byte + 1))
    own = set(field.bit_numbers())
    shown = _bytes_shown(series, payload, show_vin=show_vin)
    numbers, hexes, bits = [], [], []
    for byte in range(first, last):
        numbers.append(f"byte {byte}".ljust(8))
        mine = any(byte * 8 + bit in own for bit in range(8))
        hexes.append((f"[{shown[byte]}]" if mine else f" {shown[byte]} ").ljust(8))
        bits.append(_HIDDEN_BITS if shown[byte] == "**" else _bits_of(payload[byte], byte, own))
    return Fact("", " ".join(numbers)), Fact("payload", " ".join(hexes)), Fact("bits", " ".join(bits))


def _bytes_shown(series: Series, payload: bytes, *, show_vin: bool) -> list[str]:
    """Write each byte in hex, those of a vehicle identification number as ``**``."""
    channel = series.channel
    if not channel.is_assembled or not payload:
        return [f"{byte:02X}" for byte in payload]
    if channel.message.is_j1939:
        return group_hex(pgn(channel.can_id), payload, show_vin=show_vin).split(" ")
    return answer_hex(None, payload, show_vin=show_vin).split(" ")


def _is_hidden(channels: Channels, series: Series, moment: Moment, *, show_vin: bool) -> bool:
    """Tell whether a channel is cut from bytes of a vehicle identification number, which are not to be shown."""
    if moment.index is None or show_vin or not series.channel.is_assembled:
        return False
    shown = _bytes_shown(series, channels.payload_of(series, moment.index), show_vin=False)
    return any(shown[bit // 8] == "**" for bit in series.channel.signal.field.bit_numbers())


def _bits_of(value: int, byte: int, own: set[int]) -> str:
    """Write the bits of one byte that are the field's own, others as dots."""
    return "".join(str(value >> bit & 1) if byte * 8 + bit in own else OTHER_BIT for bit in range(7, -1, -1))


def _field(series: Series) -> str:
    signal = series.channel.signal
    field = signal.field
    kind = "IEEE 754 number" if signal.is_float else ("signed" if field.signed else "unsigned")
    unit = f" {printable(signal.unit, 8)}" if signal.unit else ""
    words = (
        f"start bit {field.start}, {field.length} bits, {field.byte_order}-endian, {kind}"
        f" · raw × {signal.scale:g} + {signal.offset:g}{unit}"
    )
    if signal.page is not None:
        words += f" · when {printable(signal.page.multiplexor, 40)} is {signal.page}"
    return words
