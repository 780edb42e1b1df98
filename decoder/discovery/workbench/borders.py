"""Where a field begins and ends along its payload, and the same field with its ends moved or its byte order turned.

A place counts bits the way the field runs: a little-endian field runs along DBC bit numbers, a big-endian one as it is
sent, from bit 7 of byte 0 on. So *begin* is the end that stands first in the payload, whatever the byte order.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final, Literal

from decoder.bits import MAX_FIELD_BITS, ByteOrder, Field

Grip = Literal["begin", "end", "whole"]
GRIPS: Final[tuple[Grip, ...]] = ("begin", "end", "whole")


def span(field: Field) -> tuple[int, int]:
    """Give the places of the first and the last bit."""
    first = field.start if field.byte_order == "little" else field.wire_start
    return first, first + field.length - 1


def spanning(first: int, last: int, byte_order: ByteOrder = "little", *, signed: bool = False) -> Field:
    """Give the field between two places, both included."""
    start = first if byte_order == "little" else first // 8 * 8 + 7 - first % 8
    return Field(start, last - first + 1, byte_order, signed)


def moved(field: Field, grip: Grip, bits: int, payload_bytes: int) -> Field:
    """Move an end, or the whole, by `bits` (later in the payload where positive), as far as that can be."""
    first, last = span(field)
    top = 8 * payload_bytes - 1
    if grip == "begin":
        first = min(max(first + bits, 0, last - MAX_FIELD_BITS + 1), last)
    elif grip == "end":
        last = max(min(last + bits, top, first + MAX_FIELD_BITS - 1), first)
    else:
        by = max(min(bits, top - last), -first)
        first, last = first + by, last + by
    return spanning(first, last, field.byte_order, signed=field.signed)


def fits(field: Field, payload_bytes: int) -> bool:
    """Tell whether a payload has all bits of a field."""
    return field.last_byte < payload_bytes


def turned(field: Field) -> Field:
    """Give the field in the other byte order in the same bytes: whole bytes stay, the bytes change their turn.

    Done twice it is the field as it was.
    """
    first, last = span(field)
    low_byte, high_byte = first // 8, last // 8
    if field.byte_order == "little":
        # The least significant bit keeps its place in its byte, and that byte is now the last one.
        end = 8 * high_byte + 7 - first % 8
        return spanning(end - field.length + 1, end, "big", signed=field.signed)
    begin = 8 * low_byte + 7 - last % 8
    return spanning(begin, begin + field.length - 1, "little", signed=field.signed)


def with_sign(field: Field, *, signed: bool) -> Field:
    """Give the field read as two's complement, or not."""
    return replace(field, signed=signed)
