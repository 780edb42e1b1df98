"""Columns with a row for each line of a block, and what becomes of the lines."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.frames import CLASSIC_BYTES, FD_BYTES

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from decoder.capture.lines import Frame

MOST_BUSES: Final = 255


@dataclass(slots=True)
class Block:
    """What a block of text holds: columns with a row for each frame, and what became of the other lines.

    `stamp_ns` and `kind` are what the stamps say, not yet times. `bus` counts into `bus_names`, which stand in the
    order in which the block first names them.
    """

    stamp_ns: NDArray[np.int64]
    kind: NDArray[np.uint8]
    bus: NDArray[np.uint16]
    can_id: NDArray[np.uint32]
    flags: NDArray[np.uint16]
    length: NDArray[np.uint8]
    data: NDArray[np.uint8]
    line: NDArray[np.uint32]
    bus_names: tuple[str, ...]
    line_begin: int  # number of the block's first line
    lines: int
    blank: int = 0
    notes: Counter[str] = field(default_factory=Counter)
    skipped: list[tuple[int, str]] = field(default_factory=list)
    remarks: Counter[str] = field(default_factory=Counter)
    first_skipped: str = ""  # the text of the first skipped line

    def skip(self, rows: NDArray[np.bool_], why: str) -> None:
        """Take frames out again, and count their lines as skipped."""
        if not rows.any():
            return
        self.skipped = sorted(self.skipped + [(line, why) for line in self.line[rows].tolist()])
        keep = ~rows
        self.stamp_ns, self.kind, self.bus = (self.stamp_ns[keep], self.kind[keep], self.bus[keep])
        self.can_id, self.flags, self.length = (self.can_id[keep], self.flags[keep], self.length[keep])
        self.data, self.line = self.data[keep], self.line[keep]


class Rows:
    """Columns with a row for each line, filled in any order of lines; `is_frame` tells which are filled."""

    def __init__(self, lines: int) -> None:
        """Make empty rows."""
        self.is_frame = np.zeros(lines, np.bool_)
        self.stamp_ns = np.zeros(lines, np.int64)
        self.kind = np.zeros(lines, np.uint8)
        self.bus = np.zeros(lines, np.uint16)
        self.can_id = np.zeros(lines, np.uint32)
        self.flags = np.zeros(lines, np.uint16)
        self.length = np.zeros(lines, np.uint8)
        self.data = np.zeros((lines, CLASSIC_BYTES), np.uint8)
        self._buses: dict[str, int] = {}

    def number(self, bus: str) -> int:
        """Give the number of a bus in these rows."""
        return self._buses.setdefault(bus, len(self._buses))

    def widen(self, length: int) -> None:
        """Make room for CAN FD payloads."""
        if length > self.data.shape[1]:
            self.data = np.pad(self.data, ((0, 0), (0, FD_BYTES - self.data.shape[1])))

    def put(self, row: int, frame: Frame) -> None:
        """Fill one row with a frame that was read by itself."""
        self.widen(frame.length)
        self.is_frame[row] = True
        self.stamp_ns[row] = frame.stamp.ns
        self.kind[row] = frame.stamp.kind
        self.bus[row] = self.number(frame.bus)
        self.can_id[row] = frame.can_id
        self.flags[row] = frame.flags
        self.length[row] = frame.length
        self.data[row, : len(frame.data)] = np.frombuffer(frame.data, np.uint8)

    def block(self, first_line: int) -> Block:
        """Give the filled rows; `first_line` is the number of the first row's line."""
        lines = len(self.is_frame)
        line = np.arange(first_line, first_line + lines, dtype=np.uint32)
        columns = (self.stamp_ns, self.kind, self.bus, self.can_id, self.flags, self.length, self.data, line)
        if not self.is_frame.all():
            kept = np.flatnonzero(self.is_frame)
            columns = tuple(column.take(kept, axis=0) for column in columns)  # type: ignore[assignment]
        stamp_ns, kind, bus, can_id, flags, length, data, line = columns
        bus, names = _in_order(bus, list(self._buses))
        return Block(stamp_ns, kind, bus, can_id, flags, length, data, line, names, first_line, lines)


def _in_order(bus: NDArray[np.uint16], names: list[str]) -> tuple[NDArray[np.uint16], tuple[str, ...]]:
    """Renumber the buses in the order in which they first occur; names that do not occur are left out."""
    if len(names) < 2:
        return bus, tuple(names) if len(bus) else ()
    first = np.full(len(names), len(bus))
    first[bus[::-1]] = np.arange(len(bus) - 1, -1, -1)  # of equal places, the last value stays: the first row
    order = np.argsort(first)[: np.count_nonzero(first < len(bus))]
    renumber = np.zeros(len(names), np.uint16)
    renumber[order] = np.arange(len(order))
    return renumber.take(bus), tuple(names[number] for number in order.tolist())


@dataclass(slots=True)
class BusNames:
    """Names of buses, numbered in the order in which they are met; grows over all blocks and files."""

    numbers: dict[str, int] = field(default_factory=dict)

    def number(self, block: Block) -> NDArray[np.uint8]:
        """Give the bus numbers of a block's frames; frames of more names than there is room for are skipped."""
        for name in block.bus_names:
            if len(self.numbers) < MOST_BUSES:
                self.numbers.setdefault(name, len(self.numbers))
        known = np.array([self.numbers.get(name, MOST_BUSES) for name in block.bus_names], np.uint8)
        if (known == MOST_BUSES).any():
            block.skip(known[block.bus] == MOST_BUSES, f"more than {MOST_BUSES} names of buses")
        return known.take(block.bus) if len(known) else np.empty(0, np.uint8)
