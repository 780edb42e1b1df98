"""The bus and the recorder: who may send when, what is lost, and the lines of the log.

CAN at 500 kbit/s: one frame at a time, and of several that wait the one with the lowest identifier goes first
(ISO 11898-1, arbitration). A data frame has 44 bits beside its payload (11-bit identifier; 64 with 29 bits), 3 bits
of pause behind it, and one stuff bit for at most every four of 34 (54) bits plus payload; half of those are taken.
The recorder stamps the end of each frame in whole microseconds.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from tools.demo.controller import Stream
    from tools.demo.dice import Dice

BIT_US: Final = 2
INTERFACE: Final = "can0"
START_US: Final = 1_893_456_000_000_000  # 2030-01-01 00:00:00 UTC

LOST_SHARE: Final = 0.0007  # of all frames, one here and one there
BURST_S: Final = 55.2  # a stall of the recorder: everything is lost for a while
BURST_LASTS_S: Final = 0.061
# Error frames as the recorder's operating system reports them (include/linux/can/error.h): class 88 is a bus error
# of the kind 'protocol', byte 2 the fault (04 stuff bits, 02 form), byte 3 where it was seen (0A data, 18 CRC
# delimiter), byte 7 the receive error counter.
ERRORS: Final = ((30.4, "20000088#0000040A00000001"), (66.9, "20000088#0000021800000002"))
CUT_S: Final = 47.3  # the line that was not written whole


@dataclass(frozen=True)
class Sent:
    """What was on the wire, in order: end of each frame (us from the start), its stream and row, its length in us."""

    end_us: NDArray[np.int64]
    stream: NDArray[np.int64]
    row: NDArray[np.int64]
    lasts_us: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.end_us)


class Link(NamedTuple):
    """A frame that waits for the one before it: its identifier, its row among those, the pause between them (s)."""

    can_id: int
    row: int
    pause_s: float


def arbitrate(streams: Sequence[Stream], chain: Sequence[Link] = ()) -> Sent:
    """Put the frames of all streams on the bus, one after the other.

    Of a chain each frame but the first is ready at its time or its pause after the end of the one before, whichever
    is later.
    """
    ready = np.concatenate([np.floor(stream.ready_s * 1e6).astype(np.int64) for stream in streams])
    number = np.concatenate([np.full(len(stream.ready_s), k) for k, stream in enumerate(streams)])
    row = np.concatenate([np.arange(len(stream.ready_s)) for stream in streams])
    rank = [_arbitration_bits(stream) for stream in streams]
    lasts = [_frame_bits(stream) * BIT_US for stream in streams]
    followers = _followers(streams, chain)
    held_back = {index for index, _ in followers.values()}
    coming = [(time, index) for index, time in enumerate(ready.tolist()) if index not in held_back]
    heapq.heapify(coming)
    waiting: list[tuple[int, int]] = []
    order, ends = [], []
    now = 0
    while coming or waiting:
        if not waiting:
            now = max(now, coming[0][0])
        while coming and coming[0][0] <= now:
            _, index = heapq.heappop(coming)
            heapq.heappush(waiting, (rank[number[index]], index))
        _, index = heapq.heappop(waiting)
        now += lasts[number[index]]
        order.append(index)
        ends.append(now)
        if index in followers:
            follower, pause_us = followers[index]
            heapq.heappush(coming, (max(int(ready[follower]), now + pause_us), follower))
    sent = np.array(order)
    return Sent(np.array(ends), number[sent], row[sent], np.array(lasts)[number[sent]])


def _followers(streams: Sequence[Stream], chain: Sequence[Link]) -> dict[int, tuple[int, int]]:
    """Give for a frame the one that waits for it and the pause (us); frames by position in all streams together."""
    first = np.cumsum([0, *(len(stream.ready_s) for stream in streams)]).tolist()
    first_of = {stream.can_id: start for stream, start in zip(streams, first, strict=False)}
    positions = [first_of[link.can_id] + link.row for link in chain]
    return {
        before: (after, round(link.pause_s * 1e6))
        for before, after, link in zip(positions, positions[1:], chain[1:], strict=False)
    }


def _arbitration_bits(stream: Stream) -> int:
    """Give the bits that decide, as a number: 11 bits, then the extension bit, then the other 18."""
    if stream.extended:
        return (stream.can_id >> 18) << 19 | 1 << 18 | stream.can_id & 0x3FFFF
    return stream.can_id << 19


def _frame_bits(stream: Stream) -> int:
    payload = 8 * stream.data.shape[1]
    fixed, stuffed = (64, 54) if stream.extended else (44, 34)
    return fixed + payload + 3 + (stuffed + payload - 1) // 4 // 2


@dataclass(frozen=True)
class Recorded:
    """The log, and how many frames of it are missing for which reason.

    `whole` says of each frame that was sent whether the log holds it to the last byte.
    """

    text: str
    frames: int
    lost_singly: int
    lost_in_burst: int
    burst_from_us: int
    cut_line: int
    whole: NDArray[np.bool_]


def record(sent: Sent, streams: Sequence[Stream], dice: Dice) -> Recorded:
    """Write the log as the recorder would: lost frames, error frames, one notice of a stall, one cut line."""
    burst = (sent.end_us >= BURST_S * 1e6) & (sent.end_us < (BURST_S + BURST_LASTS_S) * 1e6)
    singly = (dice.even(len(sent)) < LOST_SHARE) & ~burst
    kept = np.flatnonzero(~burst & ~singly)
    lines = _frame_lines(sent, streams, kept)
    cut = int(np.searchsorted(sent.end_us[kept], CUT_S * 1e6))
    lines[cut] = lines[cut].partition("#")[0] + "#0"
    whole = ~burst & ~singly
    whole[kept[cut]] = False
    extra: list[tuple[int, str]] = []
    for time_s, frame in ERRORS:
        before = _quiet_after(sent, kept, time_s)
        extra.append((before + 1, f"{_stamp(int(sent.end_us[kept[before]]) + 90)} {INTERFACE} {frame}"))
    lost = int(burst.sum())
    behind = int(np.searchsorted(sent.end_us[kept], (BURST_S + BURST_LASTS_S) * 1e6))
    notice = f"DROPCOUNT: dropped {lost} CAN frames on '{INTERFACE}' socket (total drops {lost})"
    extra.append((behind, notice))
    for position, line in sorted(extra, reverse=True):
        lines.insert(position, line)
    cut_line = cut + 1 + sum(position <= cut for position, _ in extra)
    return Recorded(
        text="\n".join(lines) + "\n",
        frames=len(lines) - 2,
        lost_singly=int(singly.sum()),
        lost_in_burst=lost,
        burst_from_us=int(sent.end_us[burst][0]),
        cut_line=cut_line,
        whole=whole,
    )


def _frame_lines(sent: Sent, streams: Sequence[Stream], kept: NDArray[np.int64]) -> list[str]:
    heads = [f"{INTERFACE} {stream.can_id:0{8 if stream.extended else 3}X}#" for stream in streams]
    widths = [2 * stream.data.shape[1] for stream in streams]
    digits = [stream.data.tobytes().hex().upper() for stream in streams]
    lines = []
    for end_us, stream, row in zip(
        sent.end_us[kept].tolist(), sent.stream[kept].tolist(), sent.row[kept].tolist(), strict=True
    ):
        width = widths[stream]
        lines.append(f"{_stamp(end_us)} {heads[stream]}{digits[stream][row * width : row * width + width]}")
    return lines


def _quiet_after(sent: Sent, kept: NDArray[np.int64], time_s: float) -> int:
    """Give the position in `kept` of the first frame from `time_s` on that is followed by a pause of 0.5 ms."""
    ends, begins = sent.end_us[kept][:-1], (sent.end_us - sent.lasts_us)[kept][1:]
    return int(np.flatnonzero((ends >= time_s * 1e6) & (begins - ends > 500))[0])


def _stamp(time_us: int) -> str:
    seconds, micro = divmod(START_US + time_us, 1_000_000)
    return f"({seconds:010d}.{micro:06d})"
