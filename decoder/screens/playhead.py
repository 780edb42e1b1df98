"""Where on the capture's own time the screens stand, and how they move along it."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from dataclasses import dataclass
from time import monotonic_ns
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.frames import EXTENDED

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from decoder.channels import Channels, Series
    from decoder.judgement import Finding

SPEEDS: Final = (0.1, 0.25, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0)


@dataclass(slots=True)
class Playhead:
    """The moment shown, in nanoseconds on the capture's clock; playing or paused; how fast; in a loop or not.

    While playing, the moment follows from where playing began (`clock` then, moment then) and from `clock` now: ticks
    that come late or never change nothing. `clock` counts real nanoseconds and never jumps.
    """

    first_ns: int
    last_ns: int
    now_ns: int
    speed: float = 1.0
    playing: bool = False
    loop: tuple[int, int] | None = None
    clock: Callable[[], int] = monotonic_ns
    _began: tuple[int, int] = (0, 0)

    def __post_init__(self) -> None:
        """Begin at the moment given."""
        self._begin()

    @classmethod
    def over(cls, channels: Channels) -> Playhead:
        """Stand, paused, at the end of a capture."""
        first = int(channels.frames.time_ns.min()) if len(channels.frames) else 0
        return cls(first, channels.last_ns, channels.last_ns)

    def go_to(self, time_ns: int) -> None:
        """Go to a moment, not beyond the capture's ends; playing goes on from there."""
        self.now_ns = min(max(time_ns, self.first_ns), self.last_ns)
        self._begin()

    def toggle(self) -> None:
        """Play or pause; at the end of the capture, or past that of the loop, playing begins anew."""
        if self.playing:
            self.tick()
            self.playing = False
            return
        start_ns, end_ns = self.loop or (self.first_ns, self.last_ns)
        if self.now_ns >= end_ns:
            self.now_ns = start_ns
        self.playing = self.last_ns > self.first_ns
        self._begin()

    def tick(self) -> None:
        """Move to where the clock says; at the end of the loop go on at its start, at the end of the capture stop."""
        if not self.playing:
            return
        clock_ns, from_ns = self._began
        to_ns = from_ns + round((self.clock() - clock_ns) * self.speed)
        if self.loop is not None and from_ns < self.loop[1] <= to_ns:
            start_ns, end_ns = self.loop
            to_ns = start_ns + (to_ns - end_ns) % (end_ns - start_ns)
        self.now_ns = min(max(to_ns, self.first_ns), self.last_ns)
        if to_ns >= self.last_ns:
            self.playing = False

    def change_speed(self, by: int) -> None:
        """Take the next faster (1) or slower (-1) speed."""
        self.tick()
        place = SPEEDS.index(self.speed) + by
        self.speed = SPEEDS[min(max(place, 0), len(SPEEDS) - 1)]
        self._begin()

    def set_loop(self, loop: tuple[int, int] | None) -> None:
        """Play from a moment to a later one over and over; ``None`` ends it. A moment outside goes to its start."""
        self.tick()
        self.loop = loop
        if loop is not None and not loop[0] <= self.now_ns < loop[1]:
            self.now_ns = loop[0]
        self._begin()

    def _begin(self) -> None:
        self._began = (self.clock(), self.now_ns)


def loop_around(moments_ns: Iterable[int], head: Playhead) -> tuple[int, int] | None:
    """Give the moment before the playhead and the one after it; the capture's ends count too. ``None``: it has none."""
    inside = {moment for moment in moments_ns if head.first_ns <= moment <= head.last_ns}
    ends = sorted(inside | {head.first_ns, head.last_ns})
    after = min(bisect_right(ends, head.now_ns), len(ends) - 1)
    return (ends[after - 1], ends[after]) if after else None


def neighbour_moment(moments_ns: Sequence[int], now_ns: int, direction: int) -> int | None:
    """Give the number of the next (1) or previous (-1) moment of an ordered row, ``None`` where there is none."""
    if direction > 0:
        number = bisect_right(moments_ns, now_ns)
        return number if number < len(moments_ns) else None
    number = bisect_left(moments_ns, now_ns) - 1
    return number if number >= 0 else None


def step_from(series: Series | None, channels: Channels, now_ns: int, direction: int) -> int:
    """Give the time of the next (1) or previous (-1) sample of `series`, of the next frame where there is none."""
    time_ns = series.time_ns if series is not None and len(series) else channels.frames.time_ns
    if not len(time_ns):
        return now_ns
    beyond = time_ns[time_ns > now_ns] if direction > 0 else time_ns[time_ns < now_ns]
    if not len(beyond):
        return now_ns
    return int(beyond.min() if direction > 0 else beyond.max())


def frame_words(channels: Channels, now_ns: int) -> str:
    """Name the frame of a moment; of several of one stamp the first."""
    frames = channels.frames
    rows = np.flatnonzero(frames.time_ns == now_ns)
    if not len(rows):
        return "no frame at this moment"
    row = int(rows[0])
    wide = 8 if frames.flags[row] & EXTENDED else 3
    more = f", and {len(rows) - 1} more of the same stamp" if len(rows) > 1 else ""
    identifier = f"{int(frames.can_id[row]):0{wide}X}"
    return f"frame {row + 1:,} of {len(frames):,}: {identifier}, line {int(frames.line[row])}{more}"


def moment_of_finding(finding: Finding) -> int:
    """Give the moment to look at: where it is worst, else where it begins."""
    return finding.worst_ns if finding.worst_ns is not None else finding.from_ns


def in_time_order(findings: Sequence[Finding]) -> list[int]:
    """Give the numbers of the findings in order of their moments; of one moment, the gravest first."""
    moments = np.array([moment_of_finding(finding) for finding in findings], np.int64)
    return [int(number) for number in np.argsort(moments, kind="stable")]


def neighbour_finding(findings: Sequence[Finding], now_ns: int, current: int | None, direction: int) -> int | None:
    """Give the number of the next (1) or previous (-1) finding in time, ``None`` where there is none.

    `current` is the finding that was jumped to last; from there on, findings of the same moment are met one by one.
    """
    order = in_time_order(findings)
    if current is not None and current < len(findings) and moment_of_finding(findings[current]) == now_ns:
        place = order.index(current) + direction
        return order[place] if 0 <= place < len(order) else None
    if direction > 0:
        return next((number for number in order if moment_of_finding(findings[number]) > now_ns), None)
    return next((number for number in reversed(order) if moment_of_finding(findings[number]) < now_ns), None)
