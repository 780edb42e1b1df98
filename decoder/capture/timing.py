"""From stamps to times, and what is odd about them. Nothing is repaired.

Numbers of a log, and large numbers of a screen, are times as they stand: since 1970 if they are large enough to be a
date, else since some zero. Small numbers of a screen are times since the first line, or differences to the line before:
differences go up and down, times only up. Frames without a stamp get the time that their count gives at 1 ms each.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from decoder.account import TimeBase, TimeFault
from decoder.capture.stamps import FIRST_DATE_S, NANO, StampKind

if TYPE_CHECKING:
    from numpy.typing import NDArray

COUNTED_NS = 1_000_000
# Of the steps between small screen stamps, this share going down (or staying above zero) makes them differences.
_DIFFERENCES_SHARE = 0.1
# A silence is a gap from this length on, if it is also so many times the usual spacing. Common practice, no source.
GAP_S = 1.0
GAP_SPACINGS = 20
MOST_FAULTS = 1000


@dataclass(slots=True)
class Clock:
    """Makes times from the stamps of one file, block after block."""

    bases: dict[TimeBase, None] = field(default_factory=dict)
    _differences: bool | None = None
    _sum_ns: int = 0
    _counted: int = 0

    def times(self, stamp_ns: NDArray[np.int64], kind: NDArray[np.uint8]) -> NDArray[np.int64]:
        """Give the times of the frames of one block in nanoseconds; notes the time bases met."""
        if not len(kind):
            return stamp_ns
        if kind[0] == kind[-1] == StampKind.LOG and (kind == StampKind.LOG).all():
            self._note_numbers(stamp_ns)
            return stamp_ns
        times = stamp_ns.copy()
        numbers = (kind == StampKind.LOG) | (kind == StampKind.SCREEN)
        small = (kind == StampKind.SCREEN) & (stamp_ns < FIRST_DATE_S * NANO)
        self._note_numbers(stamp_ns[numbers & ~small])
        if (kind == StampKind.DATE).any():
            self.bases["local"] = None
        if small.any():
            times[small] = self._small(stamp_ns[small])
        bare = kind == StampKind.NONE
        count = int(np.count_nonzero(bare))
        if count:
            self.bases["counted"] = None
            times[bare] = (self._counted + np.arange(count)) * COUNTED_NS
            self._counted += count
        return times

    def _note_numbers(self, stamp_ns: NDArray[np.int64]) -> None:
        if len(stamp_ns):
            if stamp_ns.max() >= FIRST_DATE_S * NANO:
                self.bases["utc"] = None
            if stamp_ns.min() < FIRST_DATE_S * NANO:
                self.bases["relative"] = None

    def _small(self, stamp_ns: NDArray[np.int64]) -> NDArray[np.int64]:
        """Give times for small screen stamps, deciding at their first block what they are."""
        if self._differences is None:
            self._differences = _are_differences(stamp_ns)
        if not self._differences:
            self.bases["relative"] = None
            return stamp_ns
        self.bases["summed"] = None
        times = self._sum_ns + np.cumsum(stamp_ns)
        self._sum_ns = int(times[-1])
        return times


def _are_differences(stamp_ns: NDArray[np.int64]) -> bool:
    """Tell differences from times since the first line: differences do not keep growing."""
    steps = np.diff(stamp_ns)
    if len(steps) < 2:
        return False
    not_growing = (steps < 0) | ((steps == 0) & (stamp_ns[1:] > 0))
    return bool(np.count_nonzero(steps < 0)) and float(not_growing.mean()) > _DIFFERENCES_SHARE


@dataclass(slots=True)
class TimeCheck:
    """Counts what is odd about the times of a capture, block after block."""

    backwards: int = 0
    gaps: int = 0
    duplicates: int = 0
    faults: list[TimeFault] = field(default_factory=list)
    _spacing_ns: float | None = None
    _last_ns: int | None = None
    _last_bus: int = 0

    def take(
        self,
        time_ns: NDArray[np.int64],
        bus: NDArray[np.uint8],
        line: NDArray[np.uint32],
        paths: list[str],
    ) -> None:
        """Look at one block; `paths` are the files that its frames come from, one a frame or one for all."""
        if not len(time_ns):
            return
        steps = np.empty(len(time_ns), np.int64)
        np.subtract(time_ns[1:], time_ns[:-1], out=steps[1:])
        steps[0] = 1 if self._last_ns is None else time_ns[0] - self._last_ns
        gap_ns = self._gap_ns(steps)
        lowest, highest = int(steps.min()), int(steps.max())
        if lowest <= 0:
            same_bus = np.empty(len(bus), np.bool_)
            np.equal(bus[1:], bus[:-1], out=same_bus[1:])
            same_bus[0] = bus[0] == self._last_bus
            self.duplicates += int(np.count_nonzero((steps == 0) & same_bus))
        if lowest < 0 or highest >= gap_ns:
            for row in np.flatnonzero((steps < 0) | (steps >= gap_ns)).tolist():
                self._fault(int(steps[row]), int(line[row]), paths[row] if len(paths) > 1 else paths[0])
        self._last_ns, self._last_bus = int(time_ns[-1]), int(bus[-1])

    def _gap_ns(self, steps: NDArray[np.int64]) -> float:
        if self._spacing_ns is None and len(steps) > 2:
            forward = steps[1:][steps[1:] > 0]
            self._spacing_ns = float(np.median(forward)) if len(forward) else 0.0
        return max(GAP_S * NANO, GAP_SPACINGS * (self._spacing_ns or 0.0))

    def _fault(self, step_ns: int, line: int, path: str) -> None:
        if step_ns < 0:
            self.backwards += 1
        else:
            self.gaps += 1
        if len(self.faults) < MOST_FAULTS:
            self.faults.append(TimeFault(path, line, "backwards" if step_ns < 0 else "gap", abs(step_ns)))
