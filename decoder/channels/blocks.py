"""Decoding a capture block by block, so that memory does not grow with it.

The capture is read twice: once to learn what only the whole of it can tell (which channels there are, their usual
cycle times, stuck sensors, the samples on both sides of each block), once to give the blocks. The blocks together
equal the whole capture decoded at once.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from decoder.channels.absent import Neighbours, special_bits
from decoder.channels.assembled import assembled_from_blocks
from decoder.channels.decoding import Counts, Whole, cuts_of, decode_block, extremes
from decoder.channels.making import Source, make_channels, sources_of
from decoder.channels.states import CYCLE_SAMPLES, stuck_names, usual_wait_s
from decoder.channels.streams import streams_of
from decoder.maps.plan import values

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

    from numpy.typing import NDArray

    from decoder.channels.assembled import AllAssembled
    from decoder.channels.decoding import Cut
    from decoder.channels.series import Channel, Channels
    from decoder.frames import Frames, Key
    from decoder.maps.pack_sheet import PackSheet
    from decoder.maps.signal_map import Signal, SignalMap


@dataclass(frozen=True, slots=True)
class _Edge:
    """The ends of one channel in one block: first and last value that may be a measurement, first time.

    `leading` is the last value of a run of 'not available' bits that the block begins with, `trailing` the first one
    of a run that it ends with.
    """

    block: int
    first_ns: int
    first_value: float | None = None
    last_value: float | None = None
    leading: float | None = None
    trailing: float | None = None


@dataclass(slots=True)
class _Learning:
    """What is known of one channel so far."""

    times: list[NDArray[np.int64]] = field(default_factory=list)
    timed: int = 0
    count: int = 0
    low: float = np.inf
    high: float = -np.inf
    edges: list[_Edge] = field(default_factory=list)
    questions: NDArray[np.intp] | None = None

    def take(self, block: int, source: Source, cut: Cut) -> None:
        """Learn from one block with at least one sample."""
        if self.timed < CYCLE_SAMPLES:
            self.times.append(cut.time_ns[: CYCLE_SAMPLES - self.timed].copy())
            self.timed += len(self.times[-1])
        if cut.questions is not None:
            known = np.empty(0, np.intp) if self.questions is None else self.questions
            self.questions = np.union1d(known, cut.questions)
        count, low, high = extremes(source.message, source.signal, cut.raw)
        if count:
            self.count += count
            self.low, self.high = min(self.low, low), max(self.high, high)
        self.edges.append(_edge(block, source, cut))

    def usual_cycle_s(self) -> float | None:
        """Give the usual time between samples."""
        return usual_wait_s(np.concatenate(self.times)) if self.times else None


def _edge(block: int, source: Source, cut: Cut) -> _Edge:
    special = special_bits(source.message, source.signal, cut.raw)
    first_ns, last = int(cut.time_ns[0]), len(cut.raw) - 1
    if special is not None and special.all():
        ends = _values_at(source.signal, cut.raw, [last, 0])
        return _Edge(block, first_ns, leading=ends[0], trailing=ends[1])
    first_plain = 0 if special is None else int(np.argmin(special))
    last_plain = last if special is None else last - int(np.argmin(special[::-1]))
    at = [first_plain, last_plain, max(first_plain - 1, 0), min(last_plain + 1, last)]
    first_value, last_value, leading, trailing = _values_at(source.signal, cut.raw, at)
    return _Edge(
        block,
        first_ns,
        first_value,
        last_value,
        leading if first_plain > 0 else None,
        trailing if last_plain < last else None,
    )


def _values_at(signal: Signal, raw: NDArray[Any], at: list[int]) -> list[float]:
    return [float(value) for value in values(signal, raw[at])]


@dataclass(frozen=True, slots=True)
class Learned:
    """What the whole capture tells: its channels by name, and for each block what stands outside of it."""

    channels: dict[str, Channel]
    blocks: tuple[dict[str, Whole], ...]
    first_ns: int
    last_ns: int
    assembled: AllAssembled = field(default_factory=dict)

    def assembled_in(self, number: int) -> AllAssembled:
        """Give the payloads of several frames that are completed in one block."""
        return {sender: one.in_block(number) for sender, one in self.assembled.items()}


def learn(blocks: Callable[[], Iterable[Frames]], signal_map: SignalMap, sheet: PackSheet | None) -> Learned:
    """Read all blocks and keep what `decoded_blocks` needs; `blocks` gives them anew at each call.

    Memory grows with blocks and channels only, and, where the map describes payloads of several frames, with the frames
    of those that a transport protocol carries.
    """
    assembled = assembled_from_blocks(blocks, signal_map)
    found: dict[tuple[int, str, int | None, int], _Learning] = {}
    keys: dict[Key, None] = {}
    names: tuple[str, ...] = ()
    first_ns: int | None = None
    last_ns = 0
    number = 0
    for number, frames in enumerate(blocks(), start=1):
        names = frames.bus_names
        if not len(frames):
            continue
        first_ns = int(frames.time_ns[0]) if first_ns is None else first_ns
        last_ns = max(last_ns, int(frames.time_ns.max()))
        keys.update(dict.fromkeys(frames.rows_of))
        here = {sender: one.in_block(number - 1) for sender, one in assembled.items()}
        for source, cut in cuts_of(frames, streams_of(frames.rows_of, names, signal_map, here), here, Counts()):
            if len(cut.raw):
                learning = found.setdefault(_identity(source), _Learning())
                learning.take(number - 1, source, cut)
    sources = sources_of(streams_of(keys, names, signal_map, assembled))
    channels = make_channels(sources, sheet)
    learned = {name: found.get(_identity(source), _Learning()) for name, source in zip(channels, sources, strict=True)}
    stuck = stuck_names(
        (name, channels[name].quantity, one.count, one.high - one.low if one.count else 0.0, _step(channels[name]))
        for name, one in learned.items()
    )
    wholes = {
        name: _wholes(one, number, last_ns, _unanswered_ns(source, one, assembled), stuck=name in stuck)
        for source, (name, one) in zip(sources, learned.items(), strict=True)
    }
    per_block = tuple({name: whole[block] for name, whole in wholes.items()} for block in range(number))
    return Learned(channels, per_block, first_ns or 0, last_ns, assembled)


def _identity(source: Source) -> tuple[int, str, int | None, int]:
    return id(source.message), source.bus, source.stream.address, id(source.signal)


def _step(channel: Channel) -> float:
    return abs(channel.signal.scale)


def _unanswered_ns(source: Source, learning: _Learning, assembled: AllAssembled) -> NDArray[np.int64] | None:
    """Give when a channel's samples were asked for in vain; ``None`` for what comes unasked."""
    sender = source.stream.sender
    return None if sender is None or learning.questions is None else assembled[sender].unanswered(learning.questions)


def _wholes(
    learning: _Learning, blocks: int, end_ns: int, unanswered_ns: NDArray[np.int64] | None, *, stuck: bool
) -> list[Whole]:
    """Give for each block what stands before and after it."""
    usual = learning.usual_cycle_s()
    by_block = {edge.block: edge for edge in learning.edges}
    before = _carried([_end(by_block.get(block), ahead=True) for block in range(blocks)])
    after = _carried([_end(by_block.get(block), ahead=False) for block in reversed(range(blocks))])[::-1]
    next_ns = [end_ns]
    for block in reversed(range(1, blocks)):
        edge = by_block.get(block)
        next_ns.append(next_ns[-1] if edge is None else edge.first_ns)
    return [
        Whole(usual, stuck, Neighbours(earlier, later, run_first, run_last), following, unanswered_ns)
        for (earlier, run_first), (later, run_last), following in zip(before, after, reversed(next_ns), strict=False)
    ]


# The nearest value that may be a measurement, and the far end of a run of 'not available' bits before it.
_End = tuple[float | None, float | None]


def _end(edge: _Edge | None, *, ahead: bool) -> _End | None:
    """Give what a block shows to the block after it (`ahead`) or before it; ``None`` without samples."""
    if edge is None:
        return None
    return (edge.last_value, edge.trailing) if ahead else (edge.first_value, edge.leading)


def _carried(ends: list[_End | None]) -> list[_End]:
    """Carry what each block shows on to the next one, through blocks without samples or only with 'not available'."""
    seen: list[_End] = []
    value: float | None = None
    run: float | None = None
    for end in ends:
        seen.append((value, run))
        if end is None:
            continue
        if end[0] is None:
            run = end[1] if run is None else run
        else:
            value, run = end
    return seen


def decoded_blocks(
    blocks: Iterable[Frames], signal_map: SignalMap, sheet: PackSheet | None, learned: Learned
) -> Iterator[Channels]:
    """Decode the same blocks that `learn` read; `signal_map` must be the same object."""
    for number, (frames, wholes) in enumerate(zip(blocks, learned.blocks, strict=False)):
        yield decode_block(frames, signal_map, sheet, learned.channels, wholes, learned.assembled_in(number))
