"""Where on the capture's own time the screens stand, and how they move along it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from decoder.channels import Channels, Series
    from decoder.judgement import Finding

SPEEDS: Final = (0.1, 0.25, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0)


@dataclass(slots=True)
class Playhead:
    """The moment shown, in nanoseconds on the capture's clock; playing or paused; how fast."""

    first_ns: int
    last_ns: int
    now_ns: int
    speed: float = 1.0
    playing: bool = False

    @classmethod
    def over(cls, channels: Channels) -> Playhead:
        """Stand, paused, at the end of a capture."""
        first = int(channels.frames.time_ns.min()) if len(channels.frames) else 0
        return cls(first, channels.last_ns, channels.last_ns)

    def go_to(self, time_ns: int) -> None:
        """Go to a moment, not beyond the capture's ends."""
        self.now_ns = min(max(time_ns, self.first_ns), self.last_ns)

    def toggle(self) -> None:
        """Play or pause; at the end, playing begins anew."""
        self.playing = not self.playing and self.last_ns > self.first_ns
        if self.playing and self.now_ns >= self.last_ns:
            self.now_ns = self.first_ns

    def advance(self, elapsed_s: float) -> None:
        """Let `elapsed_s` seconds of real time pass; stop at the end."""
        self.go_to(self.now_ns + int(elapsed_s * self.speed * 1e9))
        if self.now_ns >= self.last_ns:
            self.playing = False

    def change_speed(self, by: int) -> None:
        """Take the next faster (1) or slower (-1) speed."""
        place = SPEEDS.index(self.speed) + by
        self.speed = SPEEDS[min(max(place, 0), len(SPEEDS) - 1)]


def step_from(series: Series | None, channels: Channels, now_ns: int, direction: int) -> int:
    """Give the time of the next (1) or previous (-1) sample of `series`, of the next frame where there is none."""
    time_ns = series.time_ns if series is not None and len(series) else channels.frames.time_ns
    if not len(time_ns):
        return now_ns
    beyond = time_ns[time_ns > now_ns] if direction > 0 else time_ns[time_ns < now_ns]
    if not len(beyond):
        return now_ns
    return int(beyond.min() if direction > 0 else beyond.max())


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
