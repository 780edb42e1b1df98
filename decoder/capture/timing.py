"""From stamps to times, and what is odd about them. Nothing is repaired.

The kind of each line's stamp decides, so that in a text that was put together each part keeps its own time base:

- Numbers of a log, and those numbers of a screen that are padded to 10 digits of seconds or so large that they are a
  date, are times as they stand: since 1970 if they are large enough to be a date, else since some zero.
- Other numbers of a screen are times since the first line, or differences to the line before. Which ones, the first
  1000 of them in a file decide for all of that file: times go down only where a clock was set or a recording began
  anew; differences go down about as often as up, or stay the same.
- Dates are taken as if UTC.
- Frames without a stamp get the time that their count gives at 1 ms each.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.account import TimeBase, TimeFault
from decoder.capture.stamps import FIRST_DATE_S, NANO, StampKind

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from decoder.capture.rows import Block

COUNTED_NS: Final = 1_000_000
# So many small stamps of a screen decide what they are.
_DECIDING_STAMPS: Final = 1000
# From this share of the steps going down on, small stamps are differences (half of them would, by chance).
_DOWN_SHARE: Final = 0.2
# So many equal stamps in a row, not zero and nothing else after the first one, are differences of a steady bus.
_STEADY: Final = 3
# A silence is a gap from this length on, if it is also so many times the usual spacing. Common practice, no source.
GAP_S: Final = 1.0
GAP_SPACINGS: Final = 20
# The usual spacing is the median of so many steps forward.
_SPACING_STEPS: Final = 10_000
MOST_FAULTS: Final = 1000


@dataclass(slots=True)
class Clock:
    """Makes times from the stamps of one file, block after block; first it looks at some blocks, then it can say."""

    bases: dict[TimeBase, None] = field(default_factory=dict)
    _deciding: list[NDArray[np.int64]] = field(default_factory=list)
    _small_seen: int = 0
    _differences: bool | None = None
    _sum_ns: int = 0
    _counted: int = 0

    def look_at(self, block: Block) -> None:
        """Take what a block says of the small stamps of its file."""
        if self._differences is not None or not len(block.kind):
            return
        small = block.stamp_ns[_is_small(block.stamp_ns, block.kind)][: _DECIDING_STAMPS - self._small_seen]
        if len(small):
            self._deciding.append(small)
            self._small_seen += len(small)
        if self._small_seen >= _DECIDING_STAMPS:
            self.decide()

    @property
    def waits(self) -> bool:
        """Tell whether more blocks are needed before times can be given."""
        return self._differences is None and self._small_seen > 0

    def decide(self) -> None:
        """Decide with what was seen."""
        if self.waits:
            self._differences = _are_differences(np.concatenate(self._deciding))
            self._deciding.clear()

    def times(self, stamp_ns: NDArray[np.int64], kind: NDArray[np.uint8]) -> NDArray[np.int64]:
        """Give the times of the frames of one block in nanoseconds; notes the time bases met."""
        if not len(kind):
            return stamp_ns
        if kind[0] == kind[-1] == StampKind.NUMBER and (kind == StampKind.NUMBER).all():
            self._note_numbers(stamp_ns)
            return stamp_ns
        times = stamp_ns.copy()
        small = _is_small(stamp_ns, kind)
        numbers = ((kind == StampKind.NUMBER) | (kind == StampKind.SCREEN)) & ~small
        self._note_numbers(stamp_ns[numbers])
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
        if not self._differences:
            self.bases["relative"] = None
            return stamp_ns
        self.bases["summed"] = None
        times = self._sum_ns + np.cumsum(stamp_ns)
        self._sum_ns = int(times[-1])
        return times


def _is_small(stamp_ns: NDArray[np.int64], kind: NDArray[np.uint8]) -> NDArray[np.bool_]:
    small: NDArray[np.bool_] = (kind == StampKind.SCREEN) & (stamp_ns < FIRST_DATE_S * NANO)
    return small


def _are_differences(stamp_ns: NDArray[np.int64]) -> bool:
    """Tell differences from times since the first line."""
    after_first = stamp_ns[1:]
    if len(after_first) >= _STEADY and after_first[0] > 0 and (after_first == after_first[0]).all():
        return True
    steps = np.diff(stamp_ns)
    down = int(np.count_nonzero(steps < 0))
    return down > _DOWN_SHARE * int(np.count_nonzero(steps))


class TimeCheck:
    """Counts what is odd about the times of a capture, block after block."""

    def __init__(self) -> None:
        """Begin before the first frame."""
        self.duplicates = 0
        self._last_ns: int | None = None
        self._last_bus = 0
        self._forward: list[NDArray[np.int64]] = []  # steps that decide about the usual spacing, until there are enough
        self._forward_count = 0
        self._gap_ns: float | None = None  # known once there are enough
        self._odd = [
            np.empty((3, 0), np.int64)
        ]  # steps back and silences that may be gaps: step, line, number of the file
        self._settled = (0, 0)
        self._settled_odd = np.empty((3, 0), np.int64)

    def take(
        self, time_ns: NDArray[np.int64], bus: NDArray[np.uint8], line: NDArray[np.uint32], source: NDArray[np.uint8]
    ) -> None:
        """Look at the frames of one block."""
        if not len(time_ns):
            return
        steps = np.empty(len(time_ns), np.int64)
        np.subtract(time_ns[1:], time_ns[:-1], out=steps[1:])
        steps[0] = 1 if self._last_ns is None else time_ns[0] - self._last_ns
        lowest, highest = int(steps.min()), int(steps.max())
        if lowest <= 0:
            same_bus = np.empty(len(bus), np.bool_)
            np.equal(bus[1:], bus[:-1], out=same_bus[1:])
            same_bus[0] = bus[0] == self._last_bus
            self.duplicates += int(np.count_nonzero((steps == 0) & same_bus))
        if lowest < 0 or highest >= GAP_S * NANO:
            rows = np.flatnonzero((steps < 0) | (steps >= int(GAP_S * NANO)))
            self._odd.append(np.stack([steps[rows], line[rows].astype(np.int64), source[rows].astype(np.int64)]))
        if self._gap_ns is None:
            self._learn(steps if self._last_ns is not None else steps[1:])
        else:
            self._settle(self._gap_ns)
        self._last_ns, self._last_bus = int(time_ns[-1]), int(bus[-1])

    def faults(self, paths: Sequence[str]) -> tuple[int, int, tuple[TimeFault, ...]]:
        """Give the counts of steps back and of gaps so far, and the first of both."""
        gap_ns = self._gap_from_steps() if self._gap_ns is None else self._gap_ns
        counts, odd = self._judged(gap_ns)
        faults = tuple(
            TimeFault(paths[source], line, "backwards" if step < 0 else "gap", abs(step))
            for step, line, source in odd.T.tolist()
        )
        return *counts, faults

    def _learn(self, steps: NDArray[np.int64]) -> None:
        forward = steps[steps > 0][: _SPACING_STEPS - self._forward_count]
        self._forward.append(forward)
        self._forward_count += len(forward)
        if self._forward_count >= _SPACING_STEPS:
            self._gap_ns = self._gap_from_steps()
            self._forward.clear()
            self._settle(self._gap_ns)

    def _gap_from_steps(self) -> float:
        spacing_ns = float(np.median(np.concatenate(self._forward))) if self._forward_count else 0.0
        return max(GAP_S * NANO, GAP_SPACINGS * spacing_ns)

    def _judged(self, gap_ns: float) -> tuple[tuple[int, int], NDArray[np.int64]]:
        """Count what waits, and add the first faults to those that are kept."""
        odd = np.concatenate(self._odd, axis=1)
        odd = odd[:, (odd[0] < 0) | (odd[0] >= gap_ns)]
        backwards = int(np.count_nonzero(odd[0] < 0))
        counts = (self._settled[0] + backwards, self._settled[1] + odd.shape[1] - backwards)
        kept = np.concatenate([self._settled_odd, odd[:, : MOST_FAULTS - self._settled_odd.shape[1]]], axis=1)
        return counts, kept

    def _settle(self, gap_ns: float) -> None:
        if len(self._odd) > 1:
            self._settled, self._settled_odd = self._judged(gap_ns)
            self._odd = [np.empty((3, 0), np.int64)]
