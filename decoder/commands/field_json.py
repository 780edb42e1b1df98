"""How a field is named in JSON, the same for every verb, and values that JSON can hold.

FIELD: bus, id, extended, transport (null; kind iso-tp with prefix in hex; kind j1939-tp with pgn), multiplexor (null;
start, length, byte_order, value, within), start, length, byte_order, signed: see `decoder.discovery.field_at`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from decoder.bits import Field
    from decoder.discovery.proposal import Selector, Stream


def field_json(stream: Stream, field: Field, multiplexor: Selector | None) -> dict[str, Any]:
    """Name one field of a stream."""
    from decoder.discovery.field_at import FieldAt, key_of, to_record

    return to_record(FieldAt(key_of(stream), field, multiplexor))


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
