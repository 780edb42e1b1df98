"""What is known of a proposed field beyond its place, in words.

`Proposal.detail` is plain data, of which any part may be missing; what is there is said, shortest first.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Final

from decoder.printable import printable

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

    from decoder.discovery.proposal import Kind, Proposal

Detail = Mapping[str, object]

_MOST_VALUES: Final = 4
_MOST_TEXT: Final = 60  # characters
_HEX_FROM: Final = 10  # below, a number looks the same in hex
HIDDEN: Final = "hidden"  # key of `detail`: holds a vehicle identification number that is not shown


def proposal_words(proposal: Proposal) -> str:
    """Say what is known of a field; empty where nothing is."""
    detail = proposal.detail
    if detail.get(HIDDEN):
        return "holds a vehicle identification number; --show-vin shows it"
    said = list(_BY_KIND.get(proposal.kind, _nothing)(detail))
    changes = _count(detail, "changes")
    if changes and proposal.kind not in {"constant", "counter"}:
        said.append(_counted(changes, "change"))
    return ", ".join(said)


def bits_words(detail: Detail, key: str) -> str:
    """Write the certain or the likely bits of a field as start|length; empty where they are not known."""
    place = detail.get(key)
    if not isinstance(place, Mapping):
        return ""
    start, length = _count(place, "start"), _count(place, "length")
    return "" if start is None or length is None else f"{start}|{length}"


def _nothing(_detail: Detail) -> Iterator[str]:
    yield from ()


def _counter(detail: Detail) -> Iterator[str]:
    step, modulus = _count(detail, "step"), _count(detail, "modulus")
    lowest, exceptions = _count(detail, "lowest"), _count(detail, "exceptions")
    if step is not None:
        yield f"counts {'down' if step < 0 else 'up'} by {abs(step)}"
    if modulus is not None:
        yield f"modulo {modulus}" + (f" from {lowest}" if lowest else "")
    if exceptions is not None:
        yield "without exception" if not exceptions else _counted(exceptions, "exception")


def _check(detail: Detail) -> Iterator[str]:
    form = detail.get("form")
    if form is not None:
        yield _plain(form)
    covers = detail.get("covers")
    if covers:
        yield f"over {_covered(covers)}"
    inner = detail.get("parameters")
    how: Detail = {**inner, **detail} if isinstance(inner, Mapping) else detail
    if how.get("polynomial") is not None:
        yield f"polynomial {_hex(how['polynomial'])}"
    if how.get("constant"):
        yield f"constant {_hex(how['constant'])}"
    for where in ("before", "behind"):
        if how.get(f"hidden_{where}"):
            yield f"with {_plain(how[f'hidden_{where}'])} {where} them, not sent"
    holds, frames = _count(detail, "holds"), _count(detail, "frames")
    if holds is not None:
        yield f"holds in {holds:,}" + (f" of {frames:,}" if frames is not None else "")
    if "proved" in detail:
        rank = _count(detail, "rank")
        proved = "proved" if detail["proved"] else "not proved"
        yield proved if rank is None else f"{proved} ({_counted(rank, 'independent difference')} of payloads)"
    also = detail.get("also")
    if also:
        yield f"or {_listed(also)}"


def _values(detail: Detail) -> Iterator[str]:
    indexes = detail.get("indexes")
    if indexes:
        yield f"index {_runs(indexes)}"
    values = detail.get("values")
    if isinstance(values, Sequence) and not isinstance(values, str | bytes):
        rows = [one for one in values if isinstance(one, Mapping)]
        if len(rows) > _MOST_VALUES:
            yield f"{len(rows)} values: {_runs([one.get('value') for one in rows])}"
        else:
            yield from map(_value, rows)
    if detail.get("cyclic"):
        yield "in a fixed turn"


def _value(one: Detail) -> str:
    frames, dwell_ms = _count(one, "frames"), one.get("dwell_ms")
    more = [f"{frames:,}x"] if frames is not None else []
    if isinstance(dwell_ms, int | float) and dwell_ms == dwell_ms:  # not NaN  # noqa: PLR0124
        more.append(_duration(float(dwell_ms)))
    return _plain(one.get("value")) + (f" ({', '.join(more)})" if more else "")


def _duration(milliseconds: float) -> str:
    return f"{milliseconds:.0f} ms" if milliseconds < 1000 else f"{milliseconds / 1000:.1f} s"


def _number(detail: Detail) -> Iterator[str]:
    lowest, highest = _count(detail, "lowest"), _count(detail, "highest")
    if lowest is not None and highest is not None:
        yield f"{lowest} to {highest}"
    indexes, absent = detail.get("indexes"), detail.get("not_available")
    if absent:
        yield f"{_listed(absent)} taken as not available"
    if indexes:
        yield f"index {_runs(indexes)}"


def _text(detail: Detail) -> Iterator[str]:
    text = detail.get("text")
    if text is not None:
        yield f'"{printable(str(text), _MOST_TEXT)}"'


def _constant(detail: Detail) -> Iterator[str]:
    value = detail.get("value")
    if value is not None:
        yield f"always {_plain(value)}" + (f" ({_hex(value)})" if _is_large(value) else "")


_BY_KIND: Final[Mapping[Kind, Callable[[Detail], Iterator[str]]]] = {
    "counter": _counter,
    "check": _check,
    "flag": _values,
    "state": _values,
    "multiplexor": _values,
    "number": _number,
    "text": _text,
    "constant": _constant,
    "unknown": _number,
}


def _whole(value: object) -> int | None:
    """Give a whole number, whichever library it comes from; ``None`` for anything else."""
    if isinstance(value, bool) or not hasattr(value, "__index__"):
        return None
    number: int = value.__index__()
    return number


def _count(detail: Detail, key: str) -> int | None:
    return _whole(detail.get(key))


def _counted(count: int, what: str) -> str:
    return f"{count:,} {what}{'' if count == 1 else 's'}"


def _is_large(value: object) -> bool:
    number = _whole(value)
    return number is not None and number >= _HEX_FROM


def _hex(value: object) -> str:
    number = _whole(value)
    return _plain(value) if number is None or number < 0 else f"0x{number:02X}"


def _plain(value: object) -> str:
    if isinstance(value, bytes):
        return value.hex(" ").upper()
    if isinstance(value, Mapping):
        place = bits_words({"it": value}, "it")
        return place or ", ".join(f"{_plain(key)} {_plain(some)}" for key, some in value.items())
    return printable(str(value), _MOST_TEXT)


def _items(values: object) -> list[object]:
    if isinstance(values, str | bytes | Mapping) or not hasattr(values, "__iter__"):
        return [values]
    return list(values)


def _listed(values: object) -> str:
    items = _items(values)
    more = f" and {len(items) - _MOST_VALUES} more" if len(items) > _MOST_VALUES else ""
    return ", ".join(_plain(one) for one in items[:_MOST_VALUES]) + more


def _covered(values: object) -> str:
    items = _items(values)
    if all(_whole(one) is not None for one in items):
        return f"byte{'s' if len(items) > 1 else ''} {_runs(items)}"
    return _listed(items)


def _runs(values: object) -> str:
    """Write numbers as runs: 1 to 4, 7."""
    items = _items(values)
    whole = sorted({number for one in items if (number := _whole(one)) is not None})
    if len(whole) != len(items):
        return _listed(items)
    runs = list(_number_runs(whole))
    more = f" and {len(runs) - _MOST_VALUES} more runs" if len(runs) > _MOST_VALUES else ""
    return ", ".join(runs[:_MOST_VALUES]) + more


def _number_runs(whole: Iterable[int]) -> Iterator[str]:
    first = last = None
    for number in whole:
        if first is not None and last is not None and number != last + 1:
            yield str(first) if first == last else f"{first} to {last}"
            first = None
        first = number if first is None else first
        last = number
    if first is not None:
        yield str(first) if first == last else f"{first} to {last}"
