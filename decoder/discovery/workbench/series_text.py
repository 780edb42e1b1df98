"""Which streams and which values of a multiplexor a series goes through: as people type them, and what is likely."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.bits import Payloads, raw_range
from decoder.discovery.workbench.borders import fits
from decoder.errors import UsageError
from decoder.printable import printable

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from decoder.discovery.field_at import StreamKey
    from decoder.discovery.proposal import Selector, Stream

_MOST_VALUES: Final = 1000
_LIKE_OFTEN: Final = (0.8, 1.25)  # payloads of a stream of the same series, as a share


def keys_from_text(text: str, key: StreamKey, known: Sequence[StreamKey]) -> tuple[StreamKey, ...]:
    """Read identifiers such as ``310-31A``, or ``310,312``; of answers the bytes that they begin with.

    Only streams of the same bus and transport, in their order; an empty text is `key` alone. Raises `UsageError`.
    """
    if not text.strip():
        return (key,)
    alike = [one for one in known if is_alike(one, key)]
    found: dict[StreamKey, None] = {}
    for part in text.split(","):
        ends = [_hex(end) for end in part.split("-")]
        if len(ends) > 2 or None in ends:
            raise _no_streams(part)
        low, high = ends[0], ends[-1]
        assert low is not None
        assert high is not None
        some = [one for one in alike if low <= _number(one) <= high]
        if not some:
            raise _no_streams(part)
        found |= dict.fromkeys(some)
    return tuple(found)


def key_text(key: StreamKey) -> str:
    """Write what tells a stream from those that a series may go through."""
    if key.carrier is not None and key.carrier.kind == "iso-tp":
        return key.carrier.prefix.hex().upper()
    return f"{key.can_id:0{8 if key.extended else 3}X}"


def is_alike(one: StreamKey, key: StreamKey) -> bool:
    """Tell whether a series may go on from one stream to the other: same bus, kind of identifier and of transport."""
    if (one.bus, one.extended) != (key.bus, key.extended):
        return False
    if one.carrier is None or key.carrier is None:
        return one.carrier is None and key.carrier is None
    if one.carrier.kind != key.carrier.kind:
        return False
    return key.carrier.kind != "iso-tp" or (
        one.can_id == key.can_id and len(one.carrier.prefix) == len(key.carrier.prefix)
    )


def _number(key: StreamKey) -> int:
    return int(key_text(key) or "0", 16)


def _hex(text: str) -> int | None:
    digits = text.replace(" ", "").removeprefix("0x").removeprefix("0X")
    return int(digits, 16) if re.fullmatch(r"[0-9A-Fa-f]{1,32}", digits) else None


def _no_streams(part: str) -> UsageError:
    return UsageError(
        f"'{printable(part.strip(), 40)}' names no identifier that was heard",
        expected="identifiers of the same bus such as 310-31A",
    )


def values_from_text(text: str, selector: Selector | None) -> tuple[int, ...]:
    """Read values of a multiplexor such as ``0-14`` or ``1,3,5``. Raises `UsageError`."""
    if selector is None:
        if text.strip():
            raise UsageError("the field stands under no multiplexor", advice="leave its values empty")
        return ()
    if not text.strip():
        return () if selector.value is None else (selector.value,)
    top = raw_range(selector.field)[1]
    values: dict[int, None] = {}
    for part in text.split(","):
        found = re.fullmatch(r"\s*(\d{1,9})\s*(?:-\s*(\d{1,9})\s*)?", part)
        low, high = (int(found[1]), int(found[2] or found[1])) if found else (1, 0)
        if not low <= high <= top or high - low >= _MOST_VALUES:
            raise UsageError(
                f"'{printable(part.strip(), 40)}' is no value of the multiplexor", expected=f"0-{top}, or 1,3,5"
            )
        values |= dict.fromkeys(range(low, high + 1))
    return tuple(values)


def values_text(values: Sequence[int]) -> str:
    """Write values as runs: 0-14, 20."""
    parts: list[str] = []
    begin = before = None
    for value in [*values, None]:
        if begin is None:
            begin = before = value
        elif value is not None and before is not None and value == before + 1:
            before = value
        else:
            parts.append(str(begin) if begin == before else f"{begin}-{before}")
            begin = before = value
    return ",".join(parts)


def values_seen(stream: Stream, selector: Selector | None) -> tuple[int, ...]:
    """Give the values that a multiplexor had, in their order; of very many the first."""
    if selector is None or not fits(selector.field, stream.data.shape[1]):
        return ()
    found = np.unique(Payloads(stream.data).field(selector.field))[:_MOST_VALUES]
    return tuple(int(value) for value in found)


def streams_like(key: StreamKey, streams: Mapping[StreamKey, Stream]) -> tuple[StreamKey, ...]:
    """Give the stream and those right after it that come as often and are as long; the last one may be shorter."""
    alike = sorted((one for one in streams if is_alike(one, key)), key=_number)
    return tuple(_on_from(key, alike[alike.index(key) :], streams))


def _on_from(key: StreamKey, alike: Sequence[StreamKey], streams: Mapping[StreamKey, Stream]) -> Iterator[StreamKey]:
    count, width = len(streams[key].data), streams[key].data.shape[1]
    for number, one in enumerate(alike):
        stream = streams[one]
        often = _LIKE_OFTEN[0] * count <= len(stream.data) <= _LIKE_OFTEN[1] * count
        if _number(one) - _number(key) != number or not often or stream.data.shape[1] > width:
            return
        yield one
        if stream.data.shape[1] < width:
            return
