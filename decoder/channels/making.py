"""Channels from what a map describes and a capture holds: their names, roles and limits."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from decoder.channels.absent import limiting_range
from decoder.channels.series import Channel, Limit
from decoder.maps.chemistry import window
from decoder.maps.default_limits import limit_of
from decoder.maps.quantities import quantity as quantity_row
from decoder.maps.roles import Named, Role, assign_roles, unit_conversion

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from decoder.channels.streams import Stream
    from decoder.maps.pack_sheet import PackSheet
    from decoder.maps.signal_map import Message, Signal


@dataclass(frozen=True, slots=True)
class Source:
    """One signal of one stream: what a channel is made from."""

    stream: Stream
    signal: Signal

    @property
    def message(self) -> Message:
        """The message that has the signal."""
        return self.stream.message

    @property
    def bus(self) -> str:
        """The bus that it is on."""
        return self.stream.bus


def sources_of(streams: Iterable[Stream]) -> list[Source]:
    """List every signal of every stream."""
    return [Source(stream, signal) for stream in streams for signal in stream.message.signals]


def make_channels(
    sources: Sequence[Source], sheet: PackSheet | None, names: Sequence[str] | None = None
) -> dict[str, Channel]:
    """Give each source its name (or that of `names`) and role, its limits and the way into its quantity's unit."""
    names = names or unique_names(sources)
    named = [
        Named(name, s.signal.unit, s.message.name, bool(s.signal.labels), s.signal.field.length)
        for name, s in zip(names, sources, strict=True)
    ]
    roles = assign_roles(named, sheet)
    return {name: _channel(name, source, role, sheet) for name, source, role in zip(names, sources, roles, strict=True)}


def unique_names(sources: Sequence[Source]) -> list[str]:
    """Tell signals of one name apart by what differs: page, message, source address, bus, and at last a number."""
    names = [source.signal.name for source in sources]
    streams = [(source.bus, source.stream.address, source.message.name, source.message.can_id) for source in sources]
    pages = [f"{s.signal.name}@{s.signal.page}" if s.signal.page else s.signal.name for s in sources]
    names = _told_apart(names, streams, pages)
    senders = [(source.bus, source.stream.address) for source in sources]
    names = _told_apart(names, senders, [f"{s.message.name}.{n}" for s, n in zip(sources, names, strict=True)])
    buses = [source.bus for source in sources]
    addresses = ["" if s.stream.address is None else f"{s.stream.address:02X}:" for s in sources]
    names = _told_apart(names, buses, [f"{address}{n}" for address, n in zip(addresses, names, strict=True)])
    nothing = [""] * len(sources)
    names = _told_apart(names, nothing, [f"{s.bus}:{n}" for s, n in zip(sources, names, strict=True)])
    return _numbered(names)


def _told_apart(names: Sequence[str], among: Sequence[object], longer: Sequence[str]) -> list[str]:
    """Give the longer name wherever a name stands more than once among channels of the same group."""
    count = Counter(zip(names, among, strict=True))
    return [long if count[name, group] > 1 else name for name, group, long in zip(names, among, longer, strict=True)]


def _numbered(names: Sequence[str]) -> list[str]:
    """Put numbers to names that are still alike, such as two messages of one name and identifier."""
    taken: set[str] = set()
    result = []
    for name in names:
        free, number = name, 2
        while free in taken:
            free, number = f"{name}#{number}", number + 1
        taken.add(free)
        result.append(free)
    return result


def _channel(name: str, source: Source, role: Role, sheet: PackSheet | None) -> Channel:
    row = quantity_row(role.quantity) if role.quantity else None
    way = unit_conversion(source.signal.unit, row) if row else None
    factor, shift = way or (None, None)
    # A page comes when its turn is, an answer when it is asked for.
    own_time = source.signal.page is not None or source.stream.sender is not None
    bare = Channel(
        name=name,
        bus=source.bus,
        message=source.message,
        signal=source.signal,
        role=role,
        cycle_s=role.cycle_s if role.cycle_s is not None else (None if own_time else source.message.cycle_s),
        factor=factor,
        shift=shift,
        can_id=source.stream.can_id,
        source_address=source.stream.address,
        is_assembled=source.stream.sender is not None,
    )
    low, high = _limits(bare, sheet)
    return replace(bare, low=low, high=high)


def _limits(channel: Channel, sheet: PackSheet | None) -> tuple[Limit | None, Limit | None]:
    """Take each limit from the sheet, else from the map's [min|max], else from the window of the chemistry."""
    role = channel.role
    source = role.limits_from or "pack sheet"
    low = None if role.low is None else Limit(_own_unit(channel, role.low), source)
    high = None if role.high is None else Limit(_own_unit(channel, role.high), source)
    further_low, further_high = _further_limits(channel, sheet)
    return low or further_low, high or further_high


def _further_limits(channel: Channel, sheet: PackSheet | None) -> tuple[Limit | None, Limit | None]:
    """Give the limits that hold where no channel rule sets one."""
    if channel.quantity == "supply voltage" and channel.factor:
        ends = limit_of(sheet, "supply_low_v"), limit_of(sheet, "supply_high_v")
        return Limit(_own_unit(channel, ends[0].value), ends[0].source), Limit(
            _own_unit(channel, ends[1].value), ends[1].source
        )
    given = limiting_range(channel)
    if given is not None:
        words = "[min|max] of the map"
        return (
            Limit(given[0], words) if np.isfinite(given[0]) else None,
            Limit(given[1], words) if np.isfinite(given[1]) else None,
        )
    if channel.quantity == "cell voltage" and channel.factor and sheet is not None and sheet.chemistry:
        cell = window(sheet.chemistry)
        words = f"window of {sheet.chemistry} cells: {cell.source}"
        return Limit(_own_unit(channel, cell.low_v), words), Limit(_own_unit(channel, cell.high_v), words)
    return None, None


def _own_unit(channel: Channel, value: float) -> float:
    """Turn a value in the quantity's unit into the channel's own."""
    if channel.factor is None or channel.shift is None:
        return value
    return (value - channel.shift) / channel.factor
