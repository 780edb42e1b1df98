"""Frames and a signal map give channels.

A block of a capture is decoded like a whole one; what only the whole capture can tell (usual cycle times, stuck
sensors, the samples next to the block) comes in as `Whole`, see `decoder.channels.blocks`.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.channels.absent import Neighbours, absent_samples, named_values, special_bits
from decoder.channels.assembled import AllAssembled, Sender, assembled
from decoder.channels.making import Source, make_channels, sources_of
from decoder.channels.series import Channels, DecodeAccount, Series
from decoder.channels.states import stuck_names, usual_wait_s
from decoder.channels.streams import Carried, Stream, carried, keys_of, streams_of
from decoder.frames import ERROR, REMOTE, Frames, Key
from decoder.maps.plan import Pages, Samples, extract, values

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence
    from typing import Any

    from numpy.typing import NDArray

    from decoder.channels.series import Channel
    from decoder.maps.pack_sheet import PackSheet
    from decoder.maps.signal_map import Message, Signal, SignalMap


@dataclass(frozen=True, slots=True)
class Whole:
    """What the whole capture says about a channel whose block is decoded."""

    cycle_s: float | None = None
    stuck: bool = False
    neighbours: Neighbours = field(default_factory=Neighbours)
    next_ns: int | None = None
    unanswered_ns: NDArray[np.int64] | None = None


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
    found = assembled(frames, signal_map)
    streams = streams_of(frames.rows_of, frames.bus_names, signal_map, found)
    channels = make_channels(sources_of(streams), sheet)
    end_ns = int(frames.time_ns.max()) if len(frames) else 0
    counts = Counts()
    series = {
        name: _one_series(channels[name], cut, end_ns)
        for name, cut in samples_of(frames, streams, found, channels, counts)
    }
    account = _account_of(frames, signal_map, streams, found, counts)
    return Channels(_with_stuck(series), frames, signal_map, sheet, account, found)


def decode_block(
    frames: Frames,
    signal_map: SignalMap,
    sheet: PackSheet | None,
    channels: Mapping[str, Channel],
    whole: Mapping[str, Whole],
    found: AllAssembled,
) -> Channels:
    """Decode one block of a capture with what the whole capture says.

    `channels` and `whole` are of the whole, `found` holds the assembled payloads that are completed in this block.
    """
    streams = streams_of(frames.rows_of, frames.bus_names, signal_map, found)
    series = {}
    counts = Counts()
    for name, cut in samples_of(frames, streams, found, channels, counts):
        known = whole[name]
        absent = absent_samples(channels[name], cut.raw, known.neighbours)
        series[name] = _series(channels[name], cut, absent, known)
    account = _account_of(frames, signal_map, streams, found, counts)
    return Channels(series, frames, signal_map, sheet, account, found)


@dataclass(slots=True)
class Counts:
    """Counted while decoding."""

    pages: Counter[tuple[str, str, int]] = field(default_factory=Counter)
    short: Counter[str] = field(default_factory=Counter)
    long: Counter[str] = field(default_factory=Counter)


@dataclass(frozen=True, slots=True, eq=False)
class Cut:
    """The samples of one channel as cut from its payloads: rows of the capture, their times, raw values.

    unanswered_ns : when they were asked for in vain, where they come from answers
    questions : which questions they answer, see `Assembled`
    """

    rows: NDArray[np.intp]
    time_ns: NDArray[np.int64]
    raw: NDArray[Any]
    unanswered_ns: NDArray[np.int64] | None = None
    questions: NDArray[np.intp] | None = None


def samples_of(
    frames: Frames, streams: Iterable[Stream], found: AllAssembled, channels: Mapping[str, Channel], counts: Counts
) -> Iterator[tuple[str, Cut]]:
    """Cut every channel's samples; `channels` are made from `streams`, or from more than those."""
    names = {
        (channel.bus, channel.source_address, id(channel.message), id(channel.signal)): name
        for name, channel in channels.items()
    }
    for source, cut in cuts_of(frames, streams, found, counts):
        yield names[source.bus, source.stream.address, id(source.message), id(source.signal)], cut


def cuts_of(
    frames: Frames, streams: Iterable[Stream], found: AllAssembled, counts: Counts
) -> Iterator[tuple[Source, Cut]]:
    """Cut the samples of every signal of every stream, stream by stream, and count what does not fit the map."""
    for stream in streams:
        message = stream.message
        payloads = carried(frames, stream, found)
        pages = Pages()
        samples = extract(message, payloads.data, payloads.length, pages)
        where = _shared_rows(payloads, samples)
        for one in samples:
            yield Source(stream, one.signal), replace(where[id(one.rows)], raw=one.raw)
        if stream.sender is None:
            counts.short[message.name] += int(np.count_nonzero(payloads.length < message.length))
            counts.long[message.name] += int(np.count_nonzero(payloads.length > message.length))
        for selector, counter in pages.unknown.items():
            for value, count in counter.items():
                counts.pages[message.name, selector, value] += count


_NO_RAW: Final = np.empty(0, np.int64)


def _shared_rows(payloads: Carried, found: Sequence[Samples]) -> dict[int, Cut]:
    """Give rows and times for each set of samples, once for all signals that share their rows; still without raw."""
    where: dict[int, Cut] = {}
    for samples in found:
        if id(samples.rows) not in where:
            at = samples.rows
            all_of_them = len(at) == len(payloads.rows)
            rows, times = (
                (payloads.rows, payloads.time_ns) if all_of_them else (payloads.rows[at], payloads.time_ns[at])
            )
            cut, one = Cut(rows, times, _NO_RAW), payloads.assembled
            if one is not None and payloads.number is not None and one.is_asked_for:
                questions = one.questions_of(payloads.number[at])
                cut = replace(cut, unanswered_ns=one.unanswered(questions), questions=questions)
            where[id(samples.rows)] = cut
    return where


def _one_series(channel: Channel, cut: Cut, end_ns: int) -> Series:
    whole = Whole(next_ns=end_ns, unanswered_ns=cut.unanswered_ns)
    series = _series(channel, cut, absent_samples(channel, cut.raw), whole)
    return series if series.cycle_s else replace(series, cycle_s=usual_wait_s(series.time_ns))


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
        unanswered_ns=whole.unanswered_ns,
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
    sources = [Source(_origin(one.channel), one.channel.signal) for one in old]
    made = make_channels(sources, sheet, list(channels.series))
    series = {}
    for one in old:
        channel = made[one.channel.name]
        cut = Cut(one.rows, one.time_ns, one.raw, one.unanswered_ns)
        series[channel.name] = _one_series(channel, cut, channels.last_ns)
    return replace(channels, series=_with_stuck(series), sheet=sheet)


def _origin(channel: Channel) -> Stream:
    """Give a stream that makes the same channel; of its frames only the identifier."""
    keys = (Key(0, channel.can_id, channel.message.extended),)
    sender = Sender(0) if channel.is_assembled else None
    return Stream(channel.message, channel.bus, keys, sender, channel.source_address)


def _with_stuck(series: dict[str, Series]) -> dict[str, Series]:
    stuck = stuck_names(_range_of(one) for one in series.values())
    return {name: replace(one, stuck=True) if name in stuck else one for name, one in series.items()}


def _account_of(
    frames: Frames, signal_map: SignalMap, streams: Sequence[Stream], found: AllAssembled, counts: Counts
) -> DecodeAccount:
    """Tell what became of the frames."""
    known = {key for stream in streams for key in keys_of(stream, frames.rows_of)}
    unknown = {key: len(rows) for key, rows in frames.rows_of.items() if key not in known}
    seen = {id(stream.message) for stream in streams}
    broken, refused = Counter[str](), Counter[str]()
    # A name may stand for several messages, and a message may be on several buses.
    for name, sender in {(stream.message.name, stream.sender): None for stream in streams}:
        if sender is not None:
            broken[name] += found[sender].broken
            refused[name] += found[sender].refused
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
        broken_payloads={name: count for name, count in broken.items() if count},
        refused_answers={name: count for name, count in refused.items() if count},
        unseen=tuple(message.name for message in signal_map.messages if id(message) not in seen),
    )
