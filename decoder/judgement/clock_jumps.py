"""Captures whose clock jumps back: judged as if it had gone on, told by the times that stand in the capture.

Two logs one behind the other, or a recorder whose clock was put right: what stands later in the capture came later.
Without this, all that is judged over time would take later frames for old ones.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from decoder.channels import Channels
    from decoder.judgement.finding import Finding

# Less is no jump: frames of two buses stand in a capture a little out of order. Common practice, no source.
_JUMP_NS: Final = 1_000_000_000
# So much time goes by in a jump, for lack of knowledge.
_BETWEEN_NS: Final = 1_000_000


@dataclass(frozen=True, eq=False, slots=True)
class JumpingClock:
    """The capture's times as they stand there, int64, n, and as they would be by a clock that never jumped back."""

    said_ns: NDArray[np.int64]
    gone_ns: NDArray[np.int64]

    def as_said(self, finding: Finding) -> Finding:
        """Give a finding with the capture's own times; where it goes over a jump, it ends there."""
        first, last = self._row(finding.from_ns), self._row(finding.to_ns)
        epochs = np.flatnonzero(np.diff(self.said_ns[first : last + 1]) < -_JUMP_NS)
        if len(epochs):
            last = first + int(epochs[0])
        worst = None if finding.worst_ns is None else int(self.said_ns[self._row(finding.worst_ns)])
        return replace(
            finding,
            from_ns=int(self.said_ns[first]),
            to_ns=max(int(self.said_ns[first]), int(self.said_ns[last])),
            worst_ns=worst,
        )

    def _row(self, gone_ns: int) -> int:
        return min(int(np.searchsorted(self.gone_ns, gone_ns)), len(self.gone_ns) - 1)


def without_jumps(channels: Channels) -> tuple[Channels, JumpingClock | None]:
    """Give channels whose time never jumps back, and the clock that tells the times in the capture; else ``None``."""
    said_ns = channels.frames.time_ns
    apart_ns = np.diff(said_ns)
    jumps = apart_ns < -_JUMP_NS
    if not jumps.any():
        return channels, None
    steps = np.where(jumps, _BETWEEN_NS, apart_ns)
    gone_ns = np.maximum.accumulate(said_ns[0] + np.append(0, np.cumsum(steps)))
    by_time = np.argsort(said_ns, kind="stable")

    def of_time(time_ns: NDArray[np.int64]) -> NDArray[np.int64]:
        at = np.minimum(np.searchsorted(said_ns[by_time], time_ns), len(by_time) - 1)
        moved: NDArray[np.int64] = np.sort(gone_ns[by_time[at]])
        return moved

    series = {
        name: replace(
            one,
            time_ns=gone_ns[one.rows],
            next_ns=int(gone_ns[-1]),
            unanswered_ns=None if one.unanswered_ns is None else of_time(one.unanswered_ns),
        )
        for name, one in channels.series.items()
    }
    frames = replace(channels.frames, time_ns=gone_ns)
    return replace(channels, series=series, frames=frames), JumpingClock(said_ns, gone_ns)
