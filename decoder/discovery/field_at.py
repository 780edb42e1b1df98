"""A field with all that says where it is found: bus, identifier, transport, multiplexor, bits. And its samples.

As a record (plain mappings, as JSON holds them) it has the keys bus, id, extended, transport (null; kind iso-tp with
prefix in hex; kind j1939-tp with pgn), multiplexor (null; start, length, byte_order, value, within), start, length,
byte_order, signed.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np

from decoder.bits import Field, Payloads
from decoder.discovery.proposal import Carrier, Selector

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from decoder.discovery.proposal import Stream


@dataclass(frozen=True, slots=True)
class StreamKey:
    """What tells one stream from another."""

    bus: str
    can_id: int
    extended: bool
    carrier: Carrier | None = None


@dataclass(frozen=True, slots=True)
class FieldAt:
    """A field of one stream, under one value of a multiplexor if the stream has one.

    multiplexor : with a value of ``None`` the field stands under each value
    """

    stream: StreamKey
    field: Field
    multiplexor: Selector | None = None


def key_of(stream: Stream) -> StreamKey:
    """Give the key of a stream."""
    return StreamKey(stream.bus, stream.can_id, stream.extended, stream.carrier)


class Sampled:
    """Streams by key, whose fields are taken as columns; what was cut once is kept as `Payloads` keeps it."""

    def __init__(self, found: Sequence[Stream]) -> None:
        """Take streams, as `decoder.discovery.streams.streams` gives them."""
        self.streams = {key_of(one): one for one in found}
        self._payloads: dict[StreamKey, Payloads] = {}
        self._rows: dict[tuple[StreamKey, Selector], NDArray[np.intp]] = {}

    def raw(self, at: FieldAt) -> tuple[NDArray[np.int64], NDArray[np.int64] | NDArray[np.uint64]]:
        """Give times (int64, ns) and raw values of a field, in the order of its payloads; both empty where it has none.

        Raises `KeyError` for a stream that is not there.
        """
        stream = self.streams[at.stream]
        if at.field.last_byte >= stream.data.shape[1]:
            return np.empty(0, np.int64), np.empty(0, np.int64)
        values = self._of(at.stream).field(at.field)
        if at.multiplexor is None:
            return stream.time_ns, values
        rows = self.rows_under(at.stream, at.multiplexor)
        return stream.time_ns[rows], values[rows]

    def rows_under(self, key: StreamKey, selector: Selector) -> NDArray[np.intp]:
        """Give the rows of a stream that carry what stands under a multiplexor's value."""
        known = self._rows.get((key, selector))
        if known is None:
            known = np.flatnonzero(self._carried(key, selector))
            self._rows[key, selector] = known
        return known

    def _carried(self, key: StreamKey, selector: Selector) -> NDArray[np.bool_]:
        stream = self.streams[key]
        carried = np.ones(len(stream.data), np.bool_)
        if selector.field.last_byte >= stream.data.shape[1]:
            return np.zeros(len(stream.data), np.bool_)
        if selector.value is not None:
            carried &= self._of(key).field(selector.field) == selector.value
        return carried if selector.within is None else carried & self._carried(key, selector.within)

    def _of(self, key: StreamKey) -> Payloads:
        known = self._payloads.get(key)
        if known is None:
            known = self._payloads[key] = Payloads(self.streams[key].data)
        return known

    @cached_property
    def first_ns(self) -> int:
        """The time of the first payload of all (ns); 0 if there is none."""
        return min((int(one.time_ns.min()) for one in self.streams.values() if len(one.time_ns)), default=0)


def to_record(at: FieldAt) -> dict[str, Any]:
    """Give a field as plain mappings, in the order of the keys above."""
    return {
        "bus": at.stream.bus,
        "id": int(at.stream.can_id),
        "extended": bool(at.stream.extended),
        "transport": transport_record(at.stream.carrier),
        "multiplexor": _multiplexor(at.multiplexor),
        **_bits(at.field),
        "signed": bool(at.field.signed),
    }


def _bits(field: Field) -> dict[str, Any]:
    return {"start": int(field.start), "length": int(field.length), "byte_order": field.byte_order}


def transport_record(carrier: Carrier | None) -> dict[str, Any] | None:
    """Give a transport as plain mappings, null where there is none."""
    if carrier is None:
        return None
    if carrier.kind == "iso-tp":
        return {"kind": carrier.kind, "prefix": carrier.prefix.hex().upper()}
    return {"kind": carrier.kind, "pgn": carrier.pgn}


def _multiplexor(selector: Selector | None) -> dict[str, Any] | None:
    if selector is None:
        return None
    return {
        **_bits(selector.field),
        "value": None if selector.value is None else int(selector.value),
        "within": _multiplexor(selector.within),
    }


def from_record(record: Mapping[str, Any]) -> FieldAt:
    """Read a field from plain mappings. Raises `KeyError`, `TypeError` or `ValueError` where they are none."""
    key = StreamKey(
        str(record["bus"]), int(record["id"]), bool(record["extended"]), _read_transport(record["transport"])
    )
    return FieldAt(key, _read_bits(record, signed=bool(record.get("signed"))), _read_multiplexor(record["multiplexor"]))


def _read_bits(record: Mapping[str, Any], *, signed: bool = False) -> Field:
    order = record["byte_order"]
    if order not in ("little", "big"):
        raise ValueError("byte_order is little or big")
    return Field(int(record["start"]), int(record["length"]), order, signed)


def _read_transport(record: Mapping[str, Any] | None) -> Carrier | None:
    if record is None:
        return None
    if record["kind"] == "iso-tp":
        return Carrier("iso-tp", bytes.fromhex(record["prefix"]))
    if record["kind"] == "j1939-tp":
        return Carrier("j1939-tp", b"", int(record["pgn"]))
    raise ValueError("a transport is iso-tp or j1939-tp")


def _read_multiplexor(record: Mapping[str, Any] | None) -> Selector | None:
    if record is None:
        return None
    value = record["value"]
    return Selector(_read_bits(record), None if value is None else int(value), _read_multiplexor(record["within"]))
