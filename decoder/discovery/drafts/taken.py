"""Results that `infer`, `pin` or `carve` wrote as JSON, read again: whole, or with entries taken out by hand."""

from __future__ import annotations

import json
import math
from typing import TYPE_CHECKING, Any, Final, get_args

from decoder.discovery.drafts.accepting import Found
from decoder.discovery.field_at import from_record
from decoder.discovery.inference import ArrayClaim, ChannelClaim, Evidence, Inference, Member
from decoder.discovery.pinned import Match, Pinned
from decoder.discovery.proposal import Kind, Proposal
from decoder.errors import UsageError, Where
from decoder.maps.pack_sheet import Place
from decoder.maps.quantities import QUANTITIES
from decoder.printable import printable

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from pathlib import Path

    from decoder.discovery.field_at import FieldAt, StreamKey

# A capture of 2,000 identifiers carved has 20 MB; what is larger is another file given by mistake.
MOST_BYTES: Final = 200_000_000
# Bits of an identifier (ISO 11898-1) and of the number of a parameter group (SAE J1939-21, clause 5.2).
STANDARD_BITS: Final = 11
EXTENDED_BITS: Final = 29
_GROUP_BITS: Final = 18
_SCHEMAS: Final = ("cellglean.infer/1", "cellglean.pin/1", "cellglean.carve/1")
_QUANTITIES: Final = {row.name for row in QUANTITIES}


def take(paths: Sequence[Path]) -> Found:
    """Read results. Raises `UsageError` for what is no such result, or has entries that cannot be read."""
    arrays: list[ArrayClaim] = []
    channels: list[ChannelClaim] = []
    pinned: list[Pinned] = []
    carved: list[tuple[StreamKey, Proposal]] = []
    for path in paths:
        whole = _read(path)
        schema = whole.get("schema")
        if schema == _SCHEMAS[0]:
            arrays += _each(path, whole, "arrays", _array)
            channels += _each(path, whole, "channels", _channel)
        elif schema == _SCHEMAS[1]:
            pinned += _each(path, whole, "readings", _pinned)
        elif schema == _SCHEMAS[2]:
            carved += _each(path, whole, "fields", _carved)
        else:
            shown = printable(str(schema), 60)
            raise UsageError(
                "it has no schema" if schema is None else f"its schema is '{shown}'",
                where=Where(str(path)),
                expected="one of " + ", ".join(_SCHEMAS),
                advice="give what infer, pin or carve write with --json --out FILE",
            )
    return Found(Inference(tuple(arrays), tuple(channels)), tuple(pinned), tuple(carved), chosen=True)


def _read(path: Path) -> Mapping[str, Any]:
    where = Where(str(path))
    try:
        with path.open("rb") as file:
            content = file.read(MOST_BYTES + 1)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise UsageError(f"cannot be read: {reason}", where=where, advice="check the path") from error
    if len(content) > MOST_BYTES:
        raise UsageError(f"is larger than {MOST_BYTES // 1_000_000} MB", where=where, expected="a result in JSON")
    try:
        whole = json.loads(content)
    except json.JSONDecodeError as error:
        raise UsageError(
            f"no JSON: {error.msg}",
            where=Where(str(path), error.lineno, error.colno),
            expected="what infer, pin or carve write with --json --out FILE",
            advice="where entries were taken out by hand, see that commas stand between the others only",
        ) from error
    except (ValueError, RecursionError) as error:
        raise UsageError(f"no JSON: {printable(str(error), 100)}", where=where, expected="a result in JSON") from error
    if not isinstance(whole, dict):
        raise UsageError("no JSON object", where=where, expected="a result in JSON")
    return whole


def _each(path: Path, whole: Mapping[str, Any], key: str, read: Callable[[Mapping[str, Any]], Any]) -> list[Any]:
    entries = whole.get(key, [])
    if not isinstance(entries, list):
        raise UsageError(f"'{key}' is no list", where=Where(str(path)), expected="a list of entries")
    found = []
    for number, entry in enumerate(entries, start=1):
        try:
            found.append(read(entry))
        except KeyError as error:
            raise _wrong(path, key, number, f"the key '{printable(str(error.args[0]), 40)}' is missing") from error
        except (TypeError, ValueError, AttributeError, OverflowError) as error:
            raise _wrong(path, key, number, printable(str(error), 100)) from error
    return found


def _wrong(path: Path, key: str, number: int, what: str) -> UsageError:
    return UsageError(
        f"entry {number} of '{key}' cannot be read: {what}",
        where=Where(str(path)),
        expected="an entry as it was written; whole entries may be taken out",
    )


def _at(entry: Mapping[str, Any]) -> FieldAt:
    """Read a field, and see that frames can have it."""
    at = from_record(entry)
    key = at.stream
    if not 0 <= key.can_id < 1 << (EXTENDED_BITS if key.extended else STANDARD_BITS):
        raise ValueError(f"{key.can_id} is no identifier")
    if key.carrier is not None and key.carrier.pgn is not None and not 0 <= key.carrier.pgn < 1 << _GROUP_BITS:
        raise ValueError(f"{key.carrier.pgn} is no parameter group")
    selector = at.multiplexor
    while selector is not None:
        if selector.value is not None and not 0 <= selector.value < 1 << selector.field.length:
            raise ValueError(f"the multiplexor of {selector.field.length} bits has no value {selector.value}")
        selector = selector.within
    return at


def _array(entry: Mapping[str, Any]) -> ArrayClaim:
    members = tuple(Member(_at(one), _whole(one["order"]), _place(one.get("place"))) for one in entry["members"])
    if not members:
        raise ValueError("it has no members")
    return ArrayClaim(
        _claimed(entry["quantity"]),
        str(entry["unit"]),
        _number(entry["scale"]),
        _number(entry["offset"]),
        members,
        _chance(entry["likelihood"]),
        _evidence(entry),
    )


def _channel(entry: Mapping[str, Any]) -> ChannelClaim:
    return ChannelClaim(
        _at(entry),
        _claimed(entry["quantity"]),
        str(entry["unit"]),
        _number(entry["scale"]),
        _number(entry["offset"]),
        _place(entry.get("place")),
        _chance(entry["likelihood"]),
        _evidence(entry),
    )


def _evidence(entry: Mapping[str, Any]) -> tuple[Evidence, ...]:
    return tuple(Evidence(str(one["what"]), text=str(one.get("text", ""))) for one in entry.get("evidence", ()))


def _pinned(entry: Mapping[str, Any]) -> Pinned:
    matches = tuple(_match(one) for one in entry["matches"])
    drift = entry.get("drift_ppm")
    return Pinned(
        str(entry["label"]),
        str(entry.get("unit", "")),
        _whole(entry["used"]),
        _number(entry.get("clock_offset_s", 0)),
        None if drift is None else _number(drift),
        matches,
        tied=_whole(entry.get("tied", 0)),
    )


def _match(entry: Mapping[str, Any]) -> Match:
    same: tuple[FieldAt, ...] = tuple(_at(one) for one in entry.get("same_as", ()))
    return Match(
        _at(entry),
        _number(entry["scale"]),
        _number(entry["offset"]),
        _number(entry.get("residual", 0)),
        _chance(entry["likelihood"]),
        same,
        _quantity(entry.get("quantity")),
    )


def _carved(entry: Mapping[str, Any]) -> tuple[StreamKey, Proposal]:
    at = _at(entry)
    kind = entry["kind"]
    if kind not in get_args(Kind):
        raise ValueError(f"'{printable(str(kind), 40)}' is no kind of field")
    detail = entry.get("detail", {})
    if not isinstance(detail, dict):
        raise TypeError("'detail' is no object")
    return at.stream, Proposal(at.field, kind, _chance(entry["confidence"]), at.multiplexor, detail)


def _quantity(name: object) -> str | None:
    if name is not None and name not in _QUANTITIES:
        raise ValueError(f"'{printable(str(name), 40)}' is no quantity")
    return None if name is None else str(name)


def _claimed(name: object) -> str:
    quantity = _quantity(name)
    if quantity is None:
        raise ValueError("it claims no quantity")
    return quantity


def _place(entry: Mapping[str, Any] | None) -> Place:
    if entry is None:
        return Place()
    sensor = entry.get("sensor")
    module, cell = (None if entry.get(key) is None else _whole(entry[key]) for key in ("module", "cell"))
    return Place(module, cell, sensor if sensor is None or isinstance(sensor, str) else _whole(sensor))


def _number(value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise ValueError(f"'{printable(str(value), 40)}' is no number")
    return float(value)


def _whole(value: object) -> int:
    if isinstance(value, bool) or not isinstance(value, int):
        raise ValueError(f"'{printable(str(value), 40)}' is no whole number")  # noqa: TRY004  (told as a wrong value)
    return value


def _chance(value: object) -> float:
    number = _number(value)
    if not 0 <= number <= 1:
        raise ValueError(f"{number:g} is no likelihood from 0 to 1")
    return number
