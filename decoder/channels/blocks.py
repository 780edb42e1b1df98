"""Decoding a capture block by block, so that memory does not grow with it.

The capture is read twice: once to learn what only the whole of it can tell (which channels there are, their usual
cycle times, stuck sensors, the samples on both sides of each block), once to give the blocks. The blocks together
equal the whole capture decoded at once.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from decoder.channels.absent import Neighbours, special_bits
from decoder.channels.decoding import (
    Counts,
    Source,
    Whole,
    cuts_of,
    decode_block,
    extremes,
    make_channels,
    matching_streams,
    sources_of,
)
from decoder.channels.states import CYCLE_SAMPLES, cycle_s, stuck_names
from decoder.maps.plan import values

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from numpy.typing import NDArray

    from decoder.channels.decoding import Cut
    from decoder.channels.series import Channel, Channels
    from decoder.frames import Frames, Key
    from decoder.maps.pack_sheet import PackSheet
    from decoder.maps.signal_map import Message, SignalMap


@dataclass(frozen=True, slots=True)
class _Edge:
    """The ends of one channel in one block: first and last value that may be a measurement, first time."""

    block: int
    first_value: float | None
    last_value: float | None
    first_ns: int


@dataclass(slots=True)
class _Learning:
    """What is known of one channel so far."""

    times: list[NDArray[np.int64]] = field(default_factory=list)
    timed: int = 0
    count: int = 0
    low: float = np.inf
    high: float = -np.inf
    edges: list[_Edge] = field(default_factory=list)

    def take(self, block: int, source: Source, cut: Cut) -> None:
        """Learn from one block with at least one sample."""
        if self.timed < CYCLE_SAMPLES:
            self.times.append(cut.time_ns[: CYCLE_SAMPLES - self.timed].copy())
            self.timed += len(self.times[-1])
        count, low, high = extremes(source.message, source.signal, cut.raw)
        if count:
            self.count += count
            self.low, self.high = min(self.low, low), max(self.high, high)
        self.edges.append(_edge(block, source, cut))

    def usual_cycle_s(self) -> float | None:
        """Give the usual time between samples."""
        return cycle_s(np.concatenate(self.times)) if self.times else None


def _edge(block: int, source: Source, cut: Cut) -> _Edge:
    special = special_bits(source.message, source.signal, cut.raw)
    plain = np.arange(len(cut.raw)) if special is None else np.flatnonzero(~special)
    if not len(plain):
        return _Edge(block, None, None, int(cut.time_ns[0]))
    ends = values(source.signal, cut.raw[plain[[0, -1]]]).astype(np.float64)
    return _Edge(block, float(ends[0]), float(ends[1]), int(cut.time_ns[0]))


@dataclass(frozen=True, slots=True)
class Learned:
    """What the whole capture tells: its channels by name, and for each block what stands outside of it."""

    channels: dict[str, Channel]
    blocks: tuple[dict[str, Whole], ...]
    first_ns: int
    last_ns: int


def learn(blocks: Iterable[Frames], signal_map: SignalMap, sheet: PackSheet | None) -> Learned:
    """Read all blocks once and keep what `decoded_blocks` needs; memory grows with blocks and channels only."""
    found: dict[tuple[int, int, int], _Learning] = {}
    keys: dict[Key, None] = {}
    names: tuple[str, ...] = ()
    first_ns: int | None = None
    last_ns = 0
    number = 0
    for number, frames in enumerate(blocks, start=1):
        names = frames.bus_names
        if not len(frames):
            continue
        first_ns = int(frames.time_ns[0]) if first_ns is None else first_ns
        last_ns = max(last_ns, int(frames.time_ns.max()))
        keys.update(dict.fromkeys(frames.rows_of))
        for source, cut in cuts_of(frames, matching_streams(frames.rows_of, names, signal_map), Counts()):
            if len(cut.raw):
                learning = found.setdefault(_identity(source.key.bus, source), _Learning())
                learning.take(number - 1, source, cut)
    sources = sources_of(matching_streams(keys, names, signal_map))
    channels = make_channels(sources, sheet)
    learned = {
        name: found.get(_identity(source.key.bus, source), _Learning())
        for name, source in zip(channels, sources, strict=True)
    }
    stuck = stuck_names(
        (name, channels[name].quantity, one.count, one.high - one.low if one.count else 0.0, _step(channels[name]))
        for name, one in learned.items()
    )
    wholes = [_wholes(one, number, last_ns, stuck=name in stuck) for name, one in learned.items()]
    per_block = tuple(dict(zip(learned, column, strict=True)) for column in zip(*wholes, strict=True)) if wholes else ()
    return Learned(channels, per_block, first_ns or 0, last_ns)


def _identity(bus: int, source: Source) -> tuple[int, int, int]:
    message: Message = source.message
    return bus, id(message), id(source.signal)


def _step(channel: Channel) -> float:
    return abs(channel.signal.scale)


def _wholes(learning: _Learning, blocks: int, end_ns: int, *, stuck: bool) -> list[Whole]:
    """Give for each block what stands before and after it."""
    usual = learning.usual_cycle_s()
    by_block = {edge.block: edge for edge in learning.edges}
    before: list[float | None] = []
    value: float | None = None
    for block in range(blocks):
        before.append(value)
        edge = by_block.get(block)
        if edge is not None and edge.last_value is not None:
            value = edge.last_value
    after: list[tuple[float | None, int]] = []
    following: tuple[float | None, int] = (None, end_ns)
    for block in reversed(range(blocks)):
        after.append(following)
        edge = by_block.get(block)
        if edge is not None:
            nearest = edge.first_value if edge.first_value is not None else following[0]
            following = (nearest, edge.first_ns)
    return [
        Whole(usual, stuck, Neighbours(earlier, later), next_ns)
        for earlier, (later, next_ns) in zip(before, reversed(after), strict=True)
    ]


def decoded_blocks(
    blocks: Iterable[Frames], signal_map: SignalMap, sheet: PackSheet | None, learned: Learned
) -> Iterator[Channels]:
    """Decode the same blocks that `learn` read; `signal_map` must be the same object."""
    for frames, wholes in zip(blocks, learned.blocks, strict=False):
        yield decode_block(frames, signal_map, sheet, learned.channels, wholes)
