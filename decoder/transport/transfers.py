"""Transfers: payloads that were cut into frames, put together again, as columns."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from typing import TYPE_CHECKING, Literal

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from decoder.frames import Key

Kind = Literal["iso-tp", "j1939-tp"]


class Fault(IntEnum):
    """What keeps a transfer from being whole."""

    NONE = 0
    SEQUENCE = 1  # all frames may be there, but not in the order that their numbers say
    MISSING = 2  # fewer frames came than were announced before something else began, or the first one is not there
    TIME_OUT = 3  # the next frame came too late, or not at all
    OVERFLOW = 4  # the receiver refused the length, or broke the transfer off
    CUT_OFF = 5  # the capture begins or ends inside

    @property
    def word(self) -> str:
        """The fault as it is written everywhere."""
        return self.name.lower().replace("_", "-" if self is Fault.TIME_OUT else " ")


@dataclass(frozen=True, slots=True)
class Path:
    """What carries transfers one way: a stream of frames, and its address or parameter group.

    iso-tp: `key` is the stream, `address` the byte before the protocol bytes with extended addressing, else ``None``.
    j1939-tp: `key` is the stream of connection management (PGN EC00) of one source to one destination, `pgn` the
    parameter group that is carried, `address` the source address.
    """

    kind: Kind
    key: Key
    address: int | None = None
    pgn: int | None = None
    reason: str = ""


@dataclass(frozen=True, eq=False)
class Transfers:
    """Transfers as columns, n rows, in the order of their last frames.

    path : intp, index into `paths`
    length : int64, payload bytes as announced; -1 where the first frame is not there
    fault : uint8, see `Fault`
    rows, row_start : intp; frames (rows of `Frames`) of transfer i are ``rows[row_start[i]:row_start[i + 1]]``
    data, byte_start : uint8, int64; the payload bytes that arrived in order, from the service byte on, likewise
    """

    paths: tuple[Path, ...]
    path: NDArray[np.intp]
    length: NDArray[np.int64]
    fault: NDArray[np.uint8]
    rows: NDArray[np.intp]
    row_start: NDArray[np.intp]
    data: NDArray[np.uint8]
    byte_start: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.path)

    @classmethod
    def empty(cls) -> Transfers:
        """Give no transfers."""
        return cls(
            (),
            np.empty(0, np.intp),
            np.empty(0, np.int64),
            np.empty(0, np.uint8),
            np.empty(0, np.intp),
            np.zeros(1, np.intp),
            np.empty(0, np.uint8),
            np.zeros(1, np.int64),
        )

    @property
    def first_row(self) -> NDArray[np.intp]:
        """The first frame of each transfer (intp)."""
        return self.rows[self.row_start[:-1]]

    @property
    def last_row(self) -> NDArray[np.intp]:
        """The last frame of each transfer (intp)."""
        return self.rows[self.row_start[1:] - 1]

    @property
    def received(self) -> NDArray[np.int64]:
        """Payload bytes of each transfer that arrived in order (int64)."""
        return np.diff(self.byte_start)

    @property
    def whole(self) -> NDArray[np.bool_]:
        """Which transfers arrived whole (bool)."""
        return np.equal(self.fault, Fault.NONE)

    def payload(self, number: int) -> bytes:
        """Give the payload of one transfer, as far as it arrived."""
        return self.data[self.byte_start[number] : self.byte_start[number + 1]].tobytes()

    def frames_of(self, number: int) -> NDArray[np.intp]:
        """Give the rows of the frames that one transfer came from."""
        return self.rows[self.row_start[number] : self.row_start[number + 1]]
