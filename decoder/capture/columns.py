"""Columns that grow: a whole capture from its blocks, without holding it twice."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from decoder.frames import Frames, widened

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from decoder.account import Account

_FIRST_ROWS: Final = 1 << 16
# Room for this share more is made each time: large columns grow in place where the system can do that.
_GROWTH: Final = 1.25


class Columns:
    """The frames so far; `append` block after block, then `frames` once."""

    def __init__(self) -> None:
        """Begin without frames."""
        self._count = 0
        self._room = 0
        empty = Frames.empty()
        self._time_ns, self._bus, self._can_id, self._flags = empty.time_ns, empty.bus, empty.can_id, empty.flags
        self._length, self._data, self._line, self._source = empty.length, empty.data, empty.line, empty.source

    def append(self, part: Frames) -> None:
        """Add the frames of a block; buses are numbered as in all blocks before."""
        begin, end = self._count, self._count + len(part)
        if part.data.shape[1] > self._data.shape[1]:
            self._data = widened(self._data, part.data.shape[1])
        if end > self._room:
            self._resize(max(end, int(self._room * _GROWTH), _FIRST_ROWS))
        self._time_ns[begin:end] = part.time_ns
        self._bus[begin:end] = part.bus
        self._can_id[begin:end] = part.can_id
        self._flags[begin:end] = part.flags
        self._length[begin:end] = part.length
        self._data[begin:end, : part.data.shape[1]] = part.data
        self._line[begin:end] = part.line
        self._source[begin:end] = part.source
        self._count = end

    def frames(self, bus_names: tuple[str, ...], account: Account) -> Frames:
        """Give the frames."""
        self._resize(self._count)
        return Frames(
            time_ns=self._time_ns,
            bus=self._bus,
            can_id=self._can_id,
            flags=self._flags,
            length=self._length,
            data=self._data,
            line=self._line,
            source=self._source,
            bus_names=bus_names,
            account=account,
        )

    def _resize(self, rows: int) -> None:
        columns: tuple[NDArray[np.generic], ...] = (
            self._time_ns,
            self._bus,
            self._can_id,
            self._flags,
            self._length,
            self._line,
            self._source,
        )
        for column in columns:  # no view of them is held elsewhere
            column.resize(rows, refcheck=False)
        self._data.resize((rows, self._data.shape[1]), refcheck=False)
        self._room = rows
