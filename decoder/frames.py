"""A capture as columns: one row a frame, in capture order, about 32 bytes each.

Words as in ISO 11898-1: identifier, payload, remote frame, error frame, data length code (DLC).
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from decoder.account import Account
from decoder.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

# Bits of `Frames.flags`. Direction is unknown where neither TRANSMITTED nor RECEIVED is set.
EXTENDED: Final = 0x001  # 29-bit identifier
REMOTE: Final = 0x002
ERROR: Final = 0x004  # error frame: the identifier holds the error class, the payload its details
FD: Final = 0x008
BIT_RATE_SWITCH: Final = 0x010
ERROR_STATE: Final = 0x020
TRANSMITTED: Final = 0x040
RECEIVED: Final = 0x080
# The upper four bits hold a raw DLC of 9..15 where a classic frame of eight bytes was sent with one; else 0.
RAW_DLC_SHIFT: Final = 12

# Payload bytes of a CAN FD frame by DLC, ISO 11898-1.
FD_SIZES: Final = (0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64)
CLASSIC_BYTES: Final = 8
FD_BYTES: Final = 64


class Key(NamedTuple):
    """What tells one stream of frames from another: bus number, identifier, 29-bit or not."""

    bus: int
    can_id: int
    extended: bool


@dataclass(frozen=True, eq=False)
class Frames:
    """A capture as columns, n rows.

    time_ns : int64, nanoseconds on the capture's own clock
    bus : uint8, index into `bus_names`
    can_id : uint32, 11 or 29 bits; of an error frame its class bits
    flags : uint16, see the constants above
    length : uint8, payload bytes (of a remote frame: bytes asked for)
    data : uint8, n x 8, or n x 64 where the capture holds CAN FD; zero past a frame's length
    line : uint32, number of the line in its file, from 1
    source : uint8, index into `account.paths`
    """

    time_ns: NDArray[np.int64]
    bus: NDArray[np.uint8]
    can_id: NDArray[np.uint32]
    flags: NDArray[np.uint16]
    length: NDArray[np.uint8]
    data: NDArray[np.uint8]
    line: NDArray[np.uint32]
    source: NDArray[np.uint8]
    bus_names: tuple[str, ...] = ()
    account: Account = field(default_factory=Account)

    def __len__(self) -> int:
        return len(self.time_ns)

    @classmethod
    def empty(cls, bus_names: tuple[str, ...] = (), width: int = CLASSIC_BYTES) -> Frames:
        """Give a capture without frames."""
        return cls(
            time_ns=np.empty(0, np.int64),
            bus=np.empty(0, np.uint8),
            can_id=np.empty(0, np.uint32),
            flags=np.empty(0, np.uint16),
            length=np.empty(0, np.uint8),
            data=np.empty((0, width), np.uint8),
            line=np.empty(0, np.uint32),
            source=np.empty(0, np.uint8),
            bus_names=bus_names,
        )

    @cached_property
    def dlc(self) -> NDArray[np.uint8]:
        """The data length code of each frame as sent (uint8, 0..15)."""
        said = (self.flags >> RAW_DLC_SHIFT).astype(np.uint8)
        by_length = np.searchsorted(FD_SIZES, self.length).astype(np.uint8)
        return np.where(said > 0, said, by_length)

    def payload(self, row: int) -> bytes:
        """Give the payload of one frame; a remote frame has none."""
        if self.flags[row] & REMOTE:
            return b""
        return self.data[row, : self.length[row]].tobytes()

    def bus_number(self, name: str) -> int:
        """Give the number of the bus called `name`. Raises `UsageError` naming the buses that are there."""
        if name not in self.bus_names:
            raise UsageError(
                f"the capture has no bus {name!r}",
                expected="one of " + ", ".join(self.bus_names) if self.bus_names else "a capture with frames",
            )
        return self.bus_names.index(name)

    def take(self, rows: NDArray[np.intp] | NDArray[np.bool_] | slice) -> Frames:
        """Give the capture with only `rows` (numbers, a mask or a slice); the account stays that of the whole."""
        return replace(
            self,
            time_ns=self.time_ns[rows],
            bus=self.bus[rows],
            can_id=self.can_id[rows],
            flags=self.flags[rows],
            length=self.length[rows],
            data=self.data[rows],
            line=self.line[rows],
            source=self.source[rows],
        )

    @cached_property
    def by_stream(self) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
        """Rows of the data frames sorted by stream, in capture order within each, and where each stream begins.

        Stream i has ``rows[starts[i]:starts[i + 1]]``; remote and error frames are left out.
        """
        return _group(self)

    def key_of(self, row: int) -> Key:
        """Give the stream that a frame belongs to."""
        return Key(int(self.bus[row]), int(self.can_id[row]), bool(self.flags[row] & EXTENDED))

    @cached_property
    def rows_of(self) -> Mapping[Key, NDArray[np.intp]]:
        """Rows of the data frames of each stream, in capture order; remote and error frames are left out."""
        rows, starts = self.by_stream
        return {self.key_of(part[0]): part for part in np.split(rows, starts[1:-1])} if len(rows) else {}


def _group(frames: Frames) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Sort rows by stream once (stable) and tell where the stream changes."""
    data_rows = np.flatnonzero((frames.flags & (REMOTE | ERROR)) == 0)
    whole = len(data_rows) == len(frames)
    can_id = frames.can_id if whole else frames.can_id[data_rows]
    bus = frames.bus if whole else frames.bus[data_rows]
    extended = ((frames.flags if whole else frames.flags[data_rows]) & EXTENDED).astype(np.uint16)
    if not len(can_id):
        return data_rows, np.zeros(1, np.intp)
    # numpy sorts 16-bit numbers by counting digits, so the key is sorted by halves, the lower half first.
    low = (can_id & 0xFFFF).astype(np.uint16)
    high = ((can_id >> 16) | (extended.astype(np.uint32) << 15)).astype(np.uint16)
    order = np.argsort(low, kind="stable")
    for half in (high, bus):
        if half.max() != half.min():
            order = order[np.argsort(half[order], kind="stable")]
    sorted_key = _stream_number(bus, high, low)[order]
    cuts = np.flatnonzero(sorted_key[1:] != sorted_key[:-1]) + 1
    return data_rows[order], np.concatenate(([0], cuts, [len(order)]))


def _stream_number(bus: NDArray[np.uint8], high: NDArray[np.uint16], low: NDArray[np.uint16]) -> NDArray[np.int64]:
    return (bus.astype(np.int64) << 32) | (high.astype(np.int64) << 16) | low


def concatenate(parts: Sequence[Frames], account: Account) -> Frames:
    """Join captures row after row; buses of the same name become one, payload columns the widest."""
    names = tuple(dict.fromkeys(name for part in parts for name in part.bus_names))
    if not parts:
        return replace(Frames.empty(), account=account)
    width = max(part.data.shape[1] for part in parts)
    return Frames(
        time_ns=np.concatenate([part.time_ns for part in parts]),
        bus=np.concatenate([_renumbered(part, names) for part in parts]),
        can_id=np.concatenate([part.can_id for part in parts]),
        flags=np.concatenate([part.flags for part in parts]),
        length=np.concatenate([part.length for part in parts]),
        data=np.concatenate([widened(part.data, width) for part in parts]),
        line=np.concatenate([part.line for part in parts]),
        source=np.concatenate([part.source for part in parts]),
        bus_names=names,
        account=account,
    )


def _renumbered(part: Frames, names: tuple[str, ...]) -> NDArray[np.uint8]:
    if not len(part) or part.bus_names == names[: len(part.bus_names)]:
        return part.bus
    return np.array([names.index(name) for name in part.bus_names], np.uint8)[part.bus]


def widened(data: NDArray[np.uint8], width: int) -> NDArray[np.uint8]:
    """Give payload columns `width` bytes wide, zeros in the new ones."""
    if data.shape[1] == width:
        return data
    return np.pad(data, ((0, 0), (0, width - data.shape[1])))
