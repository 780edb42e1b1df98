"""A block of whole lines at once.

Lines of one length are laid under each other as a table of bytes. The first of them is read carefully and becomes the
template: where its digits of time, identifier and payload stand, the others may have other digits; everywhere else they
must have the same bytes. So all that the template says (layout, bus, direction, length, flags) holds for them too.
What does not fit becomes the next template, and what fits none is read line by line, with the same result.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from decoder.capture.digits import decimal, hex_pairs, hexadecimal
from decoder.capture.lines import WIDE_STANDARD, Frame, read_line
from decoder.capture.stamps import NANO, StampKind
from decoder.frames import CLASSIC_BYTES, ERROR, EXTENDED, FD_BYTES, REMOTE

if TYPE_CHECKING:
    from numpy.typing import NDArray

_LINE_FEED, _RETURN = 10, 13
_SHORTEST = 8  # no frame is shorter
_LONGEST = 400  # the longest CAN FD line in either layout is shorter
# So many templates are tried on the lines of one length, and only while so many lines are left to gain by it.
_MOST_TEMPLATES = 12
_FEWEST_LINES = 8
_MOST_BUSES = 255
_SECOND_DIGITS = 9
_MICRO_DIGITS = 6
_ERROR_BIT = np.uint32(0x2000_0000)
_ID_BITS = np.uint32(0x1FFF_FFFF)


@dataclass(slots=True)
class BusNames:
    """Names of buses, numbered in the order in which they are met; grows over all blocks and files."""

    numbers: dict[str, int] = field(default_factory=dict)

    def number(self, name: str) -> int | None:
        """Give the number of a name, ``None`` if there are too many names."""
        if name not in self.numbers and len(self.numbers) >= _MOST_BUSES:
            return None
        return self.numbers.setdefault(name, len(self.numbers))


@dataclass(slots=True)
class Block:
    """What a block holds: columns with a row for each frame, and what became of the other lines.

    `stamp_ns` and `kind` are what the stamps say, not yet times.
    """

    stamp_ns: NDArray[np.int64]
    kind: NDArray[np.uint8]
    bus: NDArray[np.uint8]
    can_id: NDArray[np.uint32]
    flags: NDArray[np.uint16]
    length: NDArray[np.uint8]
    data: NDArray[np.uint8]
    line: NDArray[np.uint32]
    lines: int
    blank: int
    notes: Counter[str]
    skipped: list[tuple[int, str]]
    remarks: Counter[str]


class _Rows:
    """Columns with a row for each line, filled from any order of lines."""

    def __init__(self, lines: int) -> None:
        self.is_frame = np.zeros(lines, np.bool_)
        self.stamp_ns = np.zeros(lines, np.int64)
        self.kind = np.zeros(lines, np.uint8)
        self.bus = np.zeros(lines, np.uint8)
        self.can_id = np.zeros(lines, np.uint32)
        self.flags = np.zeros(lines, np.uint16)
        self.length = np.zeros(lines, np.uint8)
        self.data = np.zeros((lines, CLASSIC_BYTES), np.uint8)

    def widen(self, length: int) -> None:
        """Make room for CAN FD payloads."""
        if length > self.data.shape[1]:
            self.data = np.pad(self.data, ((0, 0), (0, FD_BYTES - self.data.shape[1])))


def parse_block(text: bytes, first_line: int, buses: BusNames, *, careful: bool = False) -> Block:
    """Read a block of whole lines (the last one may lack its line feed).

    Parameters
    ----------
    text : the bytes
    first_line : number of the first line in its file
    buses : takes the names of buses
    careful : read every line by itself; the result is the same
    """
    buffer = np.frombuffer(text, np.uint8)
    starts, ends = _lines(buffer)
    rows = _Rows(len(starts))
    remarks: Counter[str] = Counter()
    left = np.arange(len(starts)) if careful else _by_templates(text, buffer, starts, ends, rows, buses, remarks)
    skipped: list[tuple[int, str]] = []
    notes: Counter[str] = Counter()
    blank = 0
    for index in left.tolist():
        read = read_line(text[starts[index] : ends[index]].decode("latin-1"))
        if isinstance(read, Frame):
            why = _put(rows, index, read, buses)
            if why is None:
                remarks.update(read.remarks)
                continue
            skipped.append((first_line + index, why))
        elif read.kind == "note":
            notes[read.why] += 1
        elif read.kind == "skipped":
            skipped.append((first_line + index, read.why))
        else:
            blank += 1
    kept = slice(None) if rows.is_frame.all() else np.flatnonzero(rows.is_frame)
    line = np.arange(first_line, first_line + len(starts), dtype=np.uint32)
    return Block(
        rows.stamp_ns[kept],
        rows.kind[kept],
        rows.bus[kept],
        rows.can_id[kept],
        rows.flags[kept],
        rows.length[kept],
        rows.data[kept],
        line[kept],
        lines=len(starts),
        blank=blank,
        notes=notes,
        skipped=skipped,
        remarks=remarks,
    )


def _lines(buffer: NDArray[np.uint8]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Give begin and end of each line, line ends (LF or CR LF) left out."""
    ends = np.flatnonzero(buffer == _LINE_FEED)
    if len(buffer) and (not len(ends) or ends[-1] != len(buffer) - 1):
        ends = np.append(ends, len(buffer))
    starts = np.empty_like(ends)
    if len(ends):
        starts[0] = 0
        starts[1:] = ends[:-1] + 1
    returns = (ends > starts) & (buffer[ends - 1] == _RETURN)
    return starts, ends - returns if returns.any() else ends


def _by_templates(
    text: bytes,
    buffer: NDArray[np.uint8],
    starts: NDArray[np.int64],
    ends: NDArray[np.int64],
    rows: _Rows,
    buses: BusNames,
    remarks: Counter[str],
) -> NDArray[np.intp]:
    """Read what fits templates; give the lines that are left, in their order."""
    lengths = ends - starts
    counts = np.bincount(np.minimum(lengths, _LONGEST + 1), minlength=_LONGEST + 2)
    for length in np.flatnonzero(counts[: _LONGEST + 1] >= _FEWEST_LINES).tolist():
        if length < _SHORTEST:
            continue
        whole = counts[length] == len(starts)
        lines = np.arange(len(starts)) if whole else np.flatnonzero(lengths == length)
        table = _table(buffer, starts[lines], length)
        for _ in range(_MOST_TEMPLATES):
            template = _template(text, starts, ends, int(lines[0]), buses)
            fits = np.zeros(len(lines), np.bool_) if template is None else _take(template, table, lines, rows, remarks)
            if fits.all():
                break
            fits[0] = True  # whatever it is, it is no template for others
            lines, table = lines[~fits], table[~fits]
            if len(lines) < _FEWEST_LINES:
                break
    return np.flatnonzero(~rows.is_frame)


def _table(buffer: NDArray[np.uint8], starts: NDArray[np.int64], length: int) -> NDArray[np.uint8]:
    """Lay lines of one length under each other: lines x length, uint8."""
    anywhere = np.ndarray((len(buffer) - length + 1,), f"V{length}", buffer, 0, (1,))
    return anywhere[starts].view(np.uint8).reshape(len(starts), length)


def _template(
    text: bytes, starts: NDArray[np.int64], ends: NDArray[np.int64], index: int, buses: BusNames
) -> tuple[Frame, int, bytes] | None:
    """Read a line carefully; ``None`` if others cannot be read like it."""
    line = text[starts[index] : ends[index]]
    if b"\x1b" in line:
        return None
    frame = read_line(line.decode("latin-1"))
    if not isinstance(frame, Frame) or frame.stamp.kind is StampKind.DATE:
        return None
    if len(frame.data_at) != len(frame.data):
        return None
    if frame.stamp.at is not None and frame.stamp.at[1] - frame.stamp.at[0] > _SECOND_DIGITS + 1:
        return None
    bus = buses.number(frame.bus)
    return None if bus is None else (frame, bus, line)


def _take(
    template: tuple[Frame, int, bytes],
    table: NDArray[np.uint8],
    lines: NDArray[np.intp],
    rows: _Rows,
    remarks: Counter[str],
) -> NDArray[np.bool_]:
    """Read the lines that fit the template into their rows; tell which those are."""
    frame, bus, line = template
    fits = _same_elsewhere(frame, line, table)
    stamp_ns = np.zeros(len(table), np.int64)
    if frame.stamp.at is not None:
        begin, dot, end = frame.stamp.at
        whole_s = decimal(table, begin, dot, fits)
        decimals = decimal(table, dot + 1, end, fits)
        stamp_ns = whole_s * NANO + decimals * (1000 if end - dot - 1 == _MICRO_DIGITS else 1)
        if dot - begin > _SECOND_DIGITS:
            fits &= whole_s <= 9 * 10**9
    can_id = hexadecimal(table, *frame.id_at, fits)
    flags: NDArray[np.uint16] | int = frame.flags
    if frame.id_at[1] - frame.id_at[0] == 8:
        can_id, flags = _long_identifiers(frame, can_id, fits)
    data = hex_pairs(table, frame.data_at, fits)
    if not fits.all():
        lines, stamp_ns, can_id, data = lines[fits], stamp_ns[fits], can_id[fits], data[fits]
        flags = flags if isinstance(flags, int) else flags[fits]
    where: slice | NDArray[np.intp] = slice(None) if len(lines) == len(rows.is_frame) else lines
    rows.widen(frame.length)
    rows.is_frame[where] = True
    rows.stamp_ns[where] = stamp_ns
    rows.kind[where] = frame.stamp.kind
    rows.bus[where] = bus
    rows.can_id[where] = can_id
    rows.flags[where] = flags
    rows.length[where] = frame.length
    if data.shape[1]:
        rows.data[where, : data.shape[1]] = data
    for remark in frame.remarks:
        if remark != WIDE_STANDARD:
            remarks[remark] += len(lines)
    if frame.id_at[1] - frame.id_at[0] == 3:
        wide = int(np.count_nonzero(can_id > 0x7FF))
        if wide:
            remarks[WIDE_STANDARD] += wide
    return fits


def _long_identifiers(
    frame: Frame, can_id: NDArray[np.uint32], fits: NDArray[np.bool_]
) -> tuple[NDArray[np.uint32], NDArray[np.uint16]]:
    """Tell 29-bit identifiers from error frames; what is neither, or an error that asks, fits no more."""
    error = (can_id & _ERROR_BIT) != 0
    common = np.uint16(frame.flags & ~(EXTENDED | ERROR))
    fits &= error | (can_id <= _ID_BITS)
    if frame.flags & REMOTE:
        fits &= error == bool(frame.flags & ERROR)
    return can_id & _ID_BITS, np.where(error, np.uint16(ERROR), np.uint16(EXTENDED)) | common


def _same_elsewhere(frame: Frame, line: bytes, table: NDArray[np.uint8]) -> NDArray[np.bool_]:
    """Tell which lines have the template's bytes wherever no digit of time, identifier or payload stands."""
    mask = np.full(len(line), 0xFF, np.uint8)
    if frame.stamp.at is not None:
        begin, dot, end = frame.stamp.at
        mask[begin:dot] = 0
        mask[dot + 1 : end] = 0
    mask[slice(*frame.id_at)] = 0
    for place in frame.data_at:
        mask[place : place + 2] = 0
    same = np.ones(len(table), np.bool_)
    wanted = np.frombuffer(line, np.uint8)
    for begin in {min(begin, len(line) - 8) for begin in range(0, len(line), 8)}:
        part = mask[begin : begin + 8].view(np.uint64)[0] if mask[begin : begin + 8].any() else np.uint64(0)
        if part:
            words = np.ndarray((len(table),), np.uint64, table, begin, (len(line),))
            same &= (words & part) == (wanted[begin : begin + 8].copy().view(np.uint64)[0] & part)
    return same


def _put(rows: _Rows, index: int, frame: Frame, buses: BusNames) -> str | None:
    """Write one carefully read frame into its row; tell why not."""
    bus = buses.number(frame.bus)
    if bus is None:
        return f"more than {_MOST_BUSES} names of buses"
    rows.widen(frame.length)
    rows.is_frame[index] = True
    rows.stamp_ns[index] = frame.stamp.ns
    rows.kind[index] = frame.stamp.kind
    rows.bus[index] = bus
    rows.can_id[index] = frame.can_id
    rows.flags[index] = frame.flags
    rows.length[index] = frame.length
    rows.data[index, : len(frame.data)] = np.frombuffer(frame.data, np.uint8)
    return None
