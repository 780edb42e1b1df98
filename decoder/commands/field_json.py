"""How a field is named in JSON, the same for every verb, and values that JSON can hold.

FIELD: bus, id, extended, transport (null; kind iso-tp with prefix in hex; kind j1939-tp with pgn), multiplexor (null;
start, length, byte_order, value, within), start, length, byte_order, signed.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from decoder.bits import Field
    from decoder.discovery.proposal import Carrier, Selector, Stream


def field_json(stream: Stream, field: Field, multiplexor: Selector | None) -> dict[str, Any]:
    """Name one field of a stream."""
    return {
        "bus": stream.bus,
        "id": int(stream.can_id),
        "extended": bool(stream.extended),
        "transport": _transport(stream.carrier),
        "multiplexor": _multiplexor(multiplexor),
        "start": int(field.start),
        "length": int(field.length),
        "byte_order": field.byte_order,
        "signed": bool(field.signed),
    }


def _transport(carrier: Carrier | None) -> dict[str, Any] | None:
    if carrier is None:
        return None
    if carrier.kind == "iso-tp":
        return {"kind": carrier.kind, "prefix": carrier.prefix.hex().upper()}
    return {"kind": carrier.kind, "pgn": carrier.pgn}


def _multiplexor(selector: Selector | None) -> dict[str, Any] | None:
    if selector is None:
        return None
    return {
        "start": int(selector.field.start),
        "length": int(selector.field.length),
        "byte_order": selector.field.byte_order,
        "value": None if selector.value is None else int(selector.value),
        "within": _multiplexor(selector.within),
    }


def plain(value: object) -> Any:  # noqa: ANN401  # JSON is of many types
    """Give a value as JSON can hold it: numbers of numpy as of Python, bytes in hex, null for what is not finite."""
    if value is None or isinstance(value, str | bool):
        return value
    if isinstance(value, bytes | bytearray):
        return value.hex().upper()
    if isinstance(value, Mapping):
        return {str(key): plain(some) for key, some in value.items()}
    if hasattr(value, "tolist"):  # numpy: scalars and arrays
        value = value.tolist()
        return value if isinstance(value, str | bool) else plain(value)
    if isinstance(value, int):
        return int(value)
    if isinstance(value, float):
        return float(value) if math.isfinite(value) else None
    if isinstance(value, Iterable):
        return [plain(some) for some in value]
    return str(value)
