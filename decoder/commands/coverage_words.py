"""How well a map covers a capture, and what two maps make of it, in words and tables of 80 columns."""

from __future__ import annotations

from itertools import groupby
from typing import TYPE_CHECKING, Final

from decoder.commands.words import clock, table, wrapped
from decoder.printable import printable

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from decoder.discovery.coverage import Coverage
    from decoder.discovery.covering.explained import StreamCoverage
    from decoder.discovery.covering.map_difference import Difference, MapDifference
    from decoder.discovery.field_at import StreamKey

_MOST_MISFITS: Final = 40
_MOST_DIFFERENCES: Final = 100
_MOST_NAMES: Final = 12
_NAME: Final = 20
_CHANNEL: Final = 28
_SHORT_CHANNEL: Final = 16
_BITS_AT_LEAST: Final = 12


def coverage_lines(found: Coverage, first_ns: int, width: int, *, quick: bool = False) -> Iterator[str]:
    """Say how much is explained, identifier by identifier, and what does not fit."""
    share = f", {found.explained_bits / found.changing_bits:.1%}" if found.changing_bits else ""
    yield f"{found.explained_bits:,} of {found.changing_bits:,} changing bits explained{share}"
    moving = [one for one in found.streams if one.changing_bits]
    if moving:
        yield ""
        yield from _stream_table(moving, width)
    resting = len(found.streams) - len(moving)
    if resting:
        yield f"and {resting} more in which nothing changes"
    yield ""
    if not found.misfits:
        looked = "ranges and counters fit" if quick else "ranges, counters, checks and carved borders fit"
        yield from wrapped(f"What the map says fits the capture: {looked}.", width)
        return
    yield "What does not fit"
    for one in found.misfits[:_MOST_MISFITS]:
        at = f"; first at {clock(one.time_ns, first_ns)}" if one.time_ns is not None else ""
        text = f"{one.kind}: {identifier_words(one.key)} {printable(one.channel, 40)} {printable(one.text)}{at}"
        yield from (f"  {line}" for line in wrapped(text, width - 2))
    if len(found.misfits) > _MOST_MISFITS:
        yield f"  and {len(found.misfits) - _MOST_MISFITS} more"


def _stream_table(streams: Sequence[StreamCoverage], width: int) -> list[str]:
    several = len({one.key.bus for one in streams}) > 1
    rows = [
        (
            *((printable(one.key.bus, 10),) if several else ()),
            identifier_words(one.key),
            printable(", ".join(one.messages), _NAME) or "-",
            f"{one.payloads:,}",
            str(one.changing_bits),
            str(one.explained_bits),
            f"{one.moves:.2f}" if one.moves else "",
            _left(one),
        )
        for one in streams
    ]
    own = ("identifier", "message", "payloads", "bits", "explained", "moves", "left")
    headings = ("bus", *own) if several else own
    narrow = table([row[:-1] for row in rows], headings[:-1], ("bus", "identifier", "message"))
    room = max(width - max(map(len, narrow)) - 2, _BITS_AT_LEAST)
    return table([(*row[:-1], _cut(row[-1], room)) for row in rows], headings, ("bus", "identifier", "message", "left"))


def identifier_words(key: StreamKey) -> str:
    """Name a stream: identifier, and the first bytes of an answer or the parameter group."""
    name = f"{key.can_id:0{8 if key.extended else 3}X}"
    if key.carrier is None:
        return name
    if key.carrier.pgn is not None:
        return f"{name} group {key.carrier.pgn}"
    return f"{name} {key.carrier.prefix.hex(' ').upper()}".rstrip()


def _left(one: StreamCoverage) -> str:
    """Write the unexplained bits as runs of DBC numbers; under multiplexors those of all pages together."""
    bits = sorted({bit for part in one.parts for bit in part.left})
    runs = [list(run) for _, run in groupby(enumerate(bits), key=lambda pair: pair[1] - pair[0])]
    return " ".join(f"{run[0][1]}-{run[-1][1]}" if len(run) > 1 else str(run[0][1]) for run in runs)


def _cut(text: str, room: int) -> str:
    """Cut a list of runs behind the last one that there is room for."""
    if len(text) <= room:
        return text
    return text[: room - 3].rpartition(" ")[0] + " ..."


def difference_lines(found: MapDifference, maps: tuple[str, str], first_ns: int, width: int) -> Iterator[str]:
    """Say what decodes differently, and what only one of the maps has."""
    first, second = (printable(one) for one in maps)
    yield from wrapped(f"A: {first}", width)
    yield from wrapped(f"B: {second}", width)
    yield (
        f"{found.same} channels the same, {len(found.differing)} different, {len(found.only_first)} only in A, "
        f"{len(found.only_second)} only in B"
    )
    if found.differing:
        yield ""
        rows = found.differing[:_MOST_DIFFERENCES]
        whole = _difference_table(rows, first_ns, _CHANNEL)
        excess = max(map(len, whole)) - width
        yield from whole if excess <= 0 else _difference_table(rows, first_ns, max(_CHANNEL - excess, _SHORT_CHANNEL))
        if len(found.differing) > _MOST_DIFFERENCES:
            yield f"and {len(found.differing) - _MOST_DIFFERENCES} more"
    for side, only in (("A", found.only_first), ("B", found.only_second)):
        if only:
            names = [printable(one.channel or one.other or "", 40) for one in only]
            more = f" and {len(names) - _MOST_NAMES} more" if len(names) > _MOST_NAMES else ""
            yield ""
            yield from wrapped(f"only in {side}: {', '.join(names[:_MOST_NAMES])}{more}", width)


def _difference_table(differing: Sequence[Difference], first_ns: int, room: int) -> list[str]:
    rows = [
        (
            f"{one.can_id:0{8 if one.extended else 3}X}",
            _names(one, room),
            f"{one.differing:,}",
            clock(one.time_ns, first_ns) if one.time_ns is not None else "",
            f"{_value(one.value, one.unit)} / {_value(one.other_value, one.other_unit)}",
            one.how,
        )
        for one in differing
    ]
    return table(rows, ("id", "channel", "samples", "first", "A / B", "by"), ("id", "channel", "A / B", "by"))


def _names(one: Difference, room: int) -> str:
    first, second = (printable(name or "") for name in (one.channel, one.other))
    if first == second:
        return _shortened(first, room)
    return f"{_shortened(first, room // 2)} / {_shortened(second, room // 2)}"


def _shortened(name: str, room: int) -> str:
    """Cut a name in its middle: its numbers stand at the end."""
    if len(name) <= room:
        return name
    tail = room // 2
    return f"{name[: room - tail - 1]}…{name[-tail:]}"


def _value(value: float | None, unit: str) -> str:
    return "absent" if value is None else f"{value:g} {printable(unit, 6)}".rstrip()
