"""Columns that grow: a whole capture from its blocks, without holding it twice."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.frames import Frames

if TYPE_CHECKING:
    from decoder.account import Account

# Room for so many rows is made at once at most, or for so many times the rows that are there. Room that is not used
# takes no memory: the system gives pages when they are first written.
_MOST_AT_ONCE: Final = 1 << 22
_GROWTH: Final = 2
_SPARE: Final = 1.02


class Columns:
    """The frames so far; `append` block after block, then `frames` once."""

    def __init__(self) -> None:
        """Begin without frames."""
        self._count = 0
        self._all = Frames.empty()

    def append(self, part: Frames, share: float) -> None:
        """Add the frames of a block, its buses numbered as before; with it, `share` of the capture is done."""
        end = self._count + len(part)
        width = max(part.data.shape[1], self._all.data.shape[1])
        if end > len(self._all) or width > self._all.data.shape[1]:
            expected = int(end / share * _SPARE) if share > 0 else _GROWTH * end
            grown = _rows(min(max(expected, end), max(_MOST_AT_ONCE, _GROWTH * end)), width)
            _put(self._all.take(slice(0, self._count)), grown, 0)
            self._all = grown
        _put(part, self._all, self._count)
        self._count = end

    def frames(self, bus_names: tuple[str, ...], account: Account) -> Frames:
        """Give the frames."""
        return replace(self._all.take(slice(0, self._count)), bus_names=bus_names, account=account)


def _rows(count: int, width: int) -> Frames:
    """Give rows that hold nothing yet."""
    return Frames(
        time_ns=np.empty(count, np.int64),
        bus=np.empty(count, np.uint8),
        can_id=np.empty(count, np.uint32),
        flags=np.empty(count, np.uint16),
        length=np.empty(count, np.uint8),
        data=np.empty((count, width), np.uint8),
        line=np.empty(count, np.uint32),
        source=np.empty(count, np.uint8),
    )


def _put(part: Frames, into: Frames, begin: int) -> None:
    """Copy the rows of `part` to those of `into` from `begin` on; payload columns that it lacks become zero."""
    rows = slice(begin, begin + len(part))
    width = part.data.shape[1]
    into.time_ns[rows] = part.time_ns
    into.bus[rows] = part.bus
    into.can_id[rows] = part.can_id
    into.flags[rows] = part.flags
    into.length[rows] = part.length
    into.data[rows, :width] = part.data
    if width < into.data.shape[1]:
        into.data[rows, width:] = 0
    into.line[rows] = part.line
    into.source[rows] = part.source
