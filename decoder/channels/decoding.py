"""Frames and a signal map give channels.

A block of a capture is decoded like a whole one; what only the whole capture can tell (usual cycle times, stuck
sensors, the samples next to the block) comes in as `Whole`, see `decoder.channels.blocks`.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from decoder.channels.absent import Neighbours, absent_samples, limiting_range, named_values, special_bits
from decoder.channels.series import Channel, Channels, DecodeAccount, Limit, Series
from decoder.channels.states import cycle_s, stuck_names
from decoder.frames import ERROR, REMOTE, Frames, Key
from decoder.maps.chemistry import window
from decoder.maps.default_limits import limit_of
from decoder.maps.plan import Pages, Samples, extract, values
from decoder.maps.quantities import quantity as quantity_row
from decoder.maps.roles import Named, Role, assign_roles, unit_conversion

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from typing import Any

    from numpy.typing import NDArray

    from decoder.maps.pack_sheet import PackSheet
    from decoder.maps.signal_map import Message, Signal, SignalMap


@dataclass(frozen=True, slots=True)
class Source:
    """One signal of one message on one bus: what a channel is made from."""

    key: Key
    bus: str
    message: Message
    signal: Signal


@dataclass(frozen=True, slots=True)
class Whole:
    """What the whole capture says about a channel whose block is decoded."""

    cycle_s: float | None = None
    stuck: bool = False
    neighbours: Neighbours = field(default_factory=Neighbours)
    next_ns: int | None = None


def decode(
    frames: Frames, signal_map: SignalMap, sheet: PackSheet | None = None, *, bus: str | None = None
) -> Channels:
    """Decode a whole capture.

    Parameters
    ----------
    frames : the capture
    signal_map : what its frames mean
    sheet : what the channels are, their limits; without one, units and names say what they can
    bus : decode only this bus; raises `UsageError` if the capture does not have it
    """
    if bus is not None:
        frames = frames.take(frames.bus == frames.bus_number(bus))
    streams = matching_streams(frames.rows_of, frames.bus_names, signal_map)
    channels = make_channels(sources_of(streams), sheet)
    end_ns = int(frames.time_ns.max()) if len(frames) else 0
    counts = Counts()
    series = {
        name: _one_series(channels[name], cut, end_ns) for name, cut in samples_of(frames, streams, channels, counts)
    }
    return Channels(_with_stuck(series), frames, signal_map, sheet, _account_of(frames, signal_map, streams, counts))


def decode_block(
    frames: Frames,
    signal_map: SignalMap,
    sheet: PackSheet | None,
    channels: Mapping[str, Channel],
    whole: Mapping[str, Whole],
) -> Channels:
    """Decode one block of a capture with what the whole capture says; `channels` and `whole` are of the whole."""
    streams = matching_streams(frames.rows_of, frames.bus_names, signal_map)
    series = {}
    counts = Counts()
    for name, cut in samples_of(frames, streams, channels, counts):
        known = whole[name]
        absent = absent_samples(channels[name], cut.raw, known.neighbours)
        series[name] = _series(channels[name], cut, absent, known)
    return Channels(series, frames, signal_map, sheet, _account_of(frames, signal_map, streams, counts))


Streams = list[tuple[Key, str, "Message"]]


def matching_streams(keys: Mapping[Key, Any], bus_names: Sequence[str], signal_map: SignalMap) -> Streams:
    """Pair each message of the map with the streams of frames that it describes, in the order of the map."""
    by_identifier: dict[tuple[int, bool], list[Key]] = defaultdict(list)
    for key in keys:
        by_identifier[key.can_id, key.extended].append(key)
    return [
        (key, bus_names[key.bus], message)
        for message in signal_map.messages
        for key in sorted(by_identifier.get((message.can_id, message.extended), []))
    ]


def sources_of(streams: Streams) -> list[Source]:
    """List every signal of every stream."""
    return [Source(key, bus, message, signal) for key, bus, message in streams for signal in message.signals]


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
    """Tell signals of one name apart by what differs: page, message, bus, and at last a number."""
    names = [source.signal.name for source in sources]
    streams = [(source.bus, source.message.name, source.message.can_id) for source in sources]
    pages = [f"{s.signal.name}@{s.signal.page}" if s.signal.page else s.signal.name for s in sources]
    names = _told_apart(names, streams, pages)
    buses = [source.bus for source in sources]
    names = _told_apart(names, buses, [f"{s.message.name}.{n}" for s, n in zip(sources, names, strict=True)])
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
    paged = source.signal.page is not None
    bare = Channel(
        name=name,
        bus=source.bus,
        message=source.message,
        signal=source.signal,
        role=role,
        cycle_s=role.cycle_s if role.cycle_s is not None else (None if paged else source.message.cycle_s),
        factor=factor,
        shift=shift,
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


@dataclass(slots=True)
class Counts:
    """Counted while decoding."""

    pages: Counter[tuple[str, str, int]] = field(default_factory=Counter)
    short: Counter[str] = field(default_factory=Counter)
    long: Counter[str] = field(default_factory=Counter)


@dataclass(frozen=True, slots=True, eq=False)
class Cut:
    """The samples of one channel as cut from its frames: rows of the capture, their times, raw values."""

    rows: NDArray[np.intp]
    time_ns: NDArray[np.int64]
    raw: NDArray[Any]


def samples_of(
    frames: Frames, streams: Streams, channels: Mapping[str, Channel], counts: Counts
) -> Iterator[tuple[str, Cut]]:
    """Cut every channel's samples; `channels` are made from `streams`, or from more than those."""
    names = _names_by_source(channels)
    for source, cut in cuts_of(frames, streams, counts):
        yield names[source.bus, id(source.message), id(source.signal)], cut


def cuts_of(frames: Frames, streams: Streams, counts: Counts) -> Iterator[tuple[Source, Cut]]:
    """Cut the samples of every signal of every stream, stream by stream, and count what does not fit the map."""
    for key, bus, message in streams:
        rows = frames.rows_of[key]
        length = frames.length[rows]
        pages = Pages()
        found = extract(message, np.take(frames.data, rows, axis=0), length, pages)
        where = _shared_rows(frames, rows, found)
        for samples in found:
            yield Source(key, bus, message, samples.signal), Cut(*where[id(samples.rows)], samples.raw)
        counts.short[message.name] += int(np.count_nonzero(length < message.length))
        counts.long[message.name] += int(np.count_nonzero(length > message.length))
        for selector, counter in pages.unknown.items():
            for value, count in counter.items():
                counts.pages[message.name, selector, value] += count


def _shared_rows(
    frames: Frames, rows: NDArray[np.intp], found: Sequence[Samples]
) -> dict[int, tuple[NDArray[np.intp], NDArray[np.int64]]]:
    """Give rows and times for each set of samples, once for all signals that share their rows."""
    where = {}
    for samples in found:
        if id(samples.rows) not in where:
            of_frames = rows if len(samples.rows) == len(rows) else rows[samples.rows]
            where[id(samples.rows)] = of_frames, frames.time_ns[of_frames]
    return where


def _names_by_source(channels: Mapping[str, Channel]) -> dict[tuple[str, int, int], str]:
    return {(c.bus, id(c.message), id(c.signal)): name for name, c in channels.items()}


def _one_series(channel: Channel, cut: Cut, end_ns: int) -> Series:
    series = _series(channel, cut, absent_samples(channel, cut.raw), Whole(next_ns=end_ns))
    return series if series.cycle_s else replace(series, cycle_s=cycle_s(series.time_ns))


def _series(channel: Channel, cut: Cut, absent: NDArray[np.bool_] | None, whole: Whole) -> Series:
    return Series(
        channel=channel,
        rows=cut.rows,
        time_ns=cut.time_ns,
        raw=cut.raw,
        value=_emptied(values(channel.signal, cut.raw), absent),
        absent=absent,
        stuck=whole.stuck,
        cycle_s=channel.cycle_s or whole.cycle_s,
        next_ns=whole.next_ns,
    )


def _emptied(value: NDArray[Any], absent: NDArray[np.bool_] | None) -> NDArray[Any]:
    """Give the values with empty ones where absent: NaN, or ``None`` where float64 would lose integers."""
    if absent is None:
        return value
    if value.dtype != object and (value.dtype == np.float64 or np.all(np.abs(value[~absent]) <= 1 << 53)):
        emptied = value.astype(np.float64)
        emptied[absent] = np.nan
        return emptied
    emptied = value.astype(object)
    emptied[absent] = None
    return emptied


def _range_of(series: Series) -> tuple[str, str | None, int, float, float]:
    """Name, quantity, samples that may be measurements, largest minus smallest value, one step of resolution."""
    channel = series.channel
    count, low, high = extremes(channel.message, channel.signal, series.raw)
    return channel.name, channel.quantity, count, high - low, abs(channel.signal.scale)


def extremes(message: Message, signal: Signal, raw: NDArray[Any]) -> tuple[int, float, float]:
    """Give how many samples are not all ones and not labelled absent, their smallest and largest value (0 for none)."""
    special = special_bits(message, signal, raw)
    named = named_values(signal)
    if named:
        by_name = np.isin(raw, np.array(named, raw.dtype))
        special = by_name if special is None else special | by_name
    kept = raw if special is None or not special.any() else raw[~special]
    if signal.is_float:
        ends = values(signal, kept)
        ends = ends[np.isfinite(ends)]
        count = len(ends)
    else:
        count = len(kept)
        ends = values(signal, np.array([kept.min(), kept.max()], kept.dtype)) if count else kept
    return (count, float(ends.min()), float(ends.max())) if count else (0, 0.0, 0.0)


def with_sheet(channels: Channels, sheet: PackSheet | None) -> Channels:
    """Give the same channels with the roles and limits of another sheet; what the bits say stays as it is."""
    old = list(channels.series.values())
    sources = [Source(Key(0, s.channel.message.can_id, s.channel.message.extended), *_origin(s.channel)) for s in old]
    made = make_channels(sources, sheet, list(channels.series))
    series = {}
    for one in old:
        channel = made[one.channel.name]
        cut = Cut(one.rows, one.time_ns, one.raw)
        series[channel.name] = _one_series(channel, cut, channels.last_ns)
    return replace(channels, series=_with_stuck(series), sheet=sheet)


def _origin(channel: Channel) -> tuple[str, Message, Signal]:
    return channel.bus, channel.message, channel.signal


def _with_stuck(series: dict[str, Series]) -> dict[str, Series]:
    stuck = stuck_names(_range_of(one) for one in series.values())
    return {name: replace(one, stuck=True) if name in stuck else one for name, one in series.items()}


def _account_of(frames: Frames, signal_map: SignalMap, streams: Streams, counts: Counts) -> DecodeAccount:
    """Tell what became of the frames."""
    known = {key for key, _, _ in streams}
    unknown = {key: len(rows) for key, rows in frames.rows_of.items() if key not in known}
    seen = {id(message) for _, _, message in streams}
    error = int(np.count_nonzero(frames.flags & ERROR))
    remote = int(np.count_nonzero(frames.flags & (REMOTE | ERROR))) - error
    return DecodeAccount(
        frames=len(frames),
        decoded_frames=len(frames) - remote - error - sum(unknown.values()),
        remote_frames=remote,
        error_frames=error,
        unknown_identifiers={
            (frames.bus_names[key.bus], key.can_id, key.extended): count for key, count in unknown.items()
        },
        unknown_pages=dict(counts.pages),
        short_frames={name: count for name, count in counts.short.items() if count},
        long_frames={name: count for name, count in counts.long.items() if count},
        unseen=tuple(message.name for message in signal_map.messages if id(message) not in seen),
    )
