"""The last part of a capture that goes on: so many seconds, so many frames, and no more memory than that takes."""

from __future__ import annotations

from collections import deque
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.account import Account
from decoder.frames import Frames, concatenate

if TYPE_CHECKING:
    from numpy.typing import NDArray

_SET_BACK_NS: Final = 1_000_000_000  # less is frames out of order; common practice, no source


class Window:
    """The frames of the last `most_s` seconds, at most the last `most_frames`.

    Parts are kept as they come and joined when asked for, so adding copies nothing. Where the capture's clock is set
    back by more than a second, what came before falls out: on one line of time both cannot be shown.
    """

    def __init__(self, most_s: float, most_frames: int) -> None:
        """Begin without frames; raises `ValueError` where the window could hold nothing."""
        if not most_s > 0 or most_frames < 1:
            raise ValueError(f"a window of {most_s} s and {most_frames} frames")
        self.most_s = most_s
        self._most_ns = most_s * 1e9
        self._most_frames = most_frames
        self._parts: deque[tuple[Frames, NDArray[np.int64]]] = deque()  # with the time passed at each frame
        self._count = 0
        self._latest_ns: int | None = None  # stamp of the last frame
        self._passed_ns = 0
        self._account = Account()
        self._bus_names: tuple[str, ...] = ()
        self.first_ns: int | None = None  # stamp of the very first frame, which may be gone
        self.gone = 0  # frames that fell out

    def __len__(self) -> int:
        return self._count

    def add(self, part: Frames) -> None:
        """Add what came; its bus numbers are those of all that came before."""
        self._account, self._bus_names = part.account, part.bus_names
        if not len(part):
            return
        if self.first_ns is None:
            self.first_ns = int(part.time_ns[0])
        before = part.time_ns[0] if self._latest_ns is None else self._latest_ns
        steps, whole = np.diff(part.time_ns, prepend=before), round(self._most_ns) + 1
        steps = np.where(steps < -_SET_BACK_NS, whole, np.clip(steps, 0, whole))
        passed = self._passed_ns + np.cumsum(steps)
        self._latest_ns, self._passed_ns = int(part.time_ns[-1]), int(passed[-1])
        self._parts.append((part, passed))
        self._count += len(part)
        self._drop_old()

    def frames(self) -> Frames:
        """Give the frames of the window, with the account of all that came."""
        if len(self._parts) > 1:
            joined = concatenate([frames for frames, _ in self._parts], self._account)
            self._parts = deque([(joined, np.concatenate([passed for _, passed in self._parts]))])
        frames = self._parts[0][0] if self._parts else Frames.empty()
        return replace(frames, account=self._account, bus_names=self._bus_names)

    def _drop_old(self) -> None:
        while self._parts:
            frames, passed = self._parts[0]
            old = int(np.searchsorted(passed, self._passed_ns - self._most_ns))
            old = min(max(old, self._count - self._most_frames), len(frames))
            if not old:
                return
            self._count -= old
            self.gone += old
            if old < len(frames):
                self._parts[0] = (frames.take(slice(old, None)), passed[old:])
                return
            self._parts.popleft()
