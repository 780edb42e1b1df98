"""States of the work as plain mappings, as JSON holds them: each state by what it changes in the one before it.

    {"stream": STREAM | null, "chosen": n | null, "beside": FIELD | null,
     "from": n, "gone": n, "new": [MEANING]}       of the meanings before, from the n-th on so many gone, these instead
    and only where they change: "readings": [text]

STREAM is a FIELD without its bits, MEANING a FIELD with name, quantity, unit, scale, offset, place, labels, low, high,
is_multiplexor, comment; what is empty is left out.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

from decoder.bits import Field
from decoder.discovery.field_at import FieldAt, StreamKey, from_record, to_record
from decoder.discovery.meaning import Meaning
from decoder.maps.pack_sheet import Place
from decoder.maps.quantities import QUANTITIES

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from decoder.discovery.workbench.work import Work

_STREAM_KEYS: Final = ("bus", "id", "extended", "transport")
_QUANTITIES: Final = frozenset(row.name for row in QUANTITIES)
_LONGEST: Final = 10_000  # characters of one text
# A stream is written as a field is, without bits.
_ANY_BIT: Final = Field(0, 1)
_ANY_STREAM: Final = StreamKey("", 0, extended=False)


def difference(work: Work, before: Work) -> dict[str, Any]:
    """Give what a state changes in the one before it."""
    begin = _alike(before.meanings, work.meanings)
    end = _alike(before.meanings[begin:][::-1], work.meanings[begin:][::-1])
    record: dict[str, Any] = {
        "stream": None if work.stream is None else _stream_record(work.stream),
        "chosen": work.chosen,
        "beside": None if work.beside is None else to_record(work.beside),
        "from": begin,
        "gone": len(before.meanings) - begin - end,
        "new": [meaning_record(one) for one in work.meanings[begin : len(work.meanings) - end]],
    }
    if work.readings != before.readings:
        record["readings"] = list(work.readings)
    return record


def changed_by(record: Mapping[str, Any], before: Work) -> Work:
    """Give the state that a difference leads to. Raises `KeyError`, `TypeError` or `ValueError` where it is none."""
    begin, gone = int(record["from"]), int(record["gone"])
    if not 0 <= begin <= begin + gone <= len(before.meanings):
        raise ValueError("meanings that are not there")
    new = tuple(meaning_from(one) for one in record["new"])
    meanings = (*before.meanings[:begin], *new, *before.meanings[begin + gone :])
    chosen = record["chosen"]
    if chosen is not None and not 0 <= int(chosen) < len(meanings):
        raise ValueError("a chosen field that is not there")
    return replace(
        before,
        meanings=meanings,
        stream=None if record["stream"] is None else _stream_from(record["stream"]),
        chosen=None if chosen is None else int(chosen),
        beside=None if record["beside"] is None else from_record(record["beside"]),
        readings=tuple(_text(one) for one in record.get("readings", before.readings)),
    )


def meaning_record(one: Meaning) -> dict[str, Any]:
    """Give a meaning as plain mappings."""
    place = {"module": one.place.module, "cell": one.place.cell, "sensor": one.place.sensor}
    more: dict[str, Any] = {
        "name": one.name,
        "quantity": one.quantity,
        "unit": one.unit,
        "place": {key: value for key, value in place.items() if value is not None},
        "labels": {str(raw): word for raw, word in one.labels.items()},
        "low": one.low,
        "high": one.high,
        "is_multiplexor": one.multiplexor,
        "comment": one.comment,
    }
    kept = {
        key: value for key, value in more.items() if value is not None and value is not False and value not in ("", {})
    }
    return {**to_record(one.at), "scale": float(one.scale), "offset": float(one.offset), **kept}


def meaning_from(record: Mapping[str, Any]) -> Meaning:
    """Read a meaning. Raises `KeyError`, `TypeError` or `ValueError` where it is none."""
    quantity = record.get("quantity")
    if quantity is not None and quantity not in _QUANTITIES:
        raise ValueError("a quantity that is not known")
    place = record.get("place", {})
    return Meaning(
        from_record(record),
        name=_text(record.get("name", "")),
        quantity=quantity,
        unit=_text(record.get("unit", "")),
        scale=_number(record["scale"]),
        offset=_number(record["offset"]),
        place=Place(_count(place.get("module")), _count(place.get("cell")), _sensor(place.get("sensor"))),
        labels={int(raw): _text(word) for raw, word in record.get("labels", {}).items()},
        low=_number_or_none(record.get("low")),
        high=_number_or_none(record.get("high")),
        multiplexor=bool(record.get("is_multiplexor", False)),
        comment=_text(record.get("comment", "")),
    )


def _alike(before: Sequence[Meaning], after: Sequence[Meaning]) -> int:
    """Count how many are the same from the first on."""
    for number, (one, other) in enumerate(zip(before, after, strict=False)):
        if one is not other and one != other:
            return number
    return min(len(before), len(after))


def _stream_record(key: StreamKey) -> dict[str, Any]:
    record = to_record(FieldAt(key, _ANY_BIT))
    return {name: record[name] for name in _STREAM_KEYS}


def _stream_from(record: Mapping[str, Any]) -> StreamKey:
    whole = {**to_record(FieldAt(_ANY_STREAM, _ANY_BIT)), **{name: record[name] for name in _STREAM_KEYS}}
    return from_record(whole).stream


def _text(value: object) -> str:
    if not isinstance(value, str) or len(value) > _LONGEST:
        raise TypeError("a text is expected")
    return value


def _number(value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise TypeError("a number is expected")
    return float(value)


def _number_or_none(value: object) -> float | None:
    return None if value is None else _number(value)


def _count(value: object) -> int | None:
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int) or value < 0:
        raise TypeError("a count is expected")
    return value


def _sensor(value: object) -> int | str | None:
    return value if isinstance(value, str) else _count(value)
