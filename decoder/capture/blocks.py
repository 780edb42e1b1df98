"""A block of whole lines at once, in three passes; what one leaves, the next one reads, with the same result.

1. Plain log lines, whatever their lengths (`plain_log`).
2. Lines like others of the same length, laid under each other as a table of bytes. The first of them is read carefully
   and becomes the template: where its digits of time, identifier and payload stand (and its column of text), the others
   may have other ones; everywhere else they must have the same bytes. So all that the template says (layout, bus,
   direction, length, flags) holds for them too. What does not fit becomes the next template.
3. The others, each by itself (`lines`).
"""

from __future__ import annotations

import re
from collections import Counter
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.capture.digits import decimal, hex_pairs, hexadecimal
from decoder.capture.lines import WIDE_STANDARD, Frame, read_line
from decoder.capture.plain_log import read_plain_log
from decoder.capture.rows import Block, Rows
from decoder.capture.stamps import MOST_S, NANO, StampKind
from decoder.frames import ERROR, EXTENDED, REMOTE

if TYPE_CHECKING:
    from numpy.typing import NDArray

_LINE_FEED, _RETURN = b"\n\r"
_COLOUR = re.compile(rb"\x1b\[[0-9;]*m")
_SHORTEST = 8  # no frame is shorter
_LONGEST = 400  # the longest CAN FD line in either layout is shorter
# So many templates are tried on the lines of one length, and only while so many lines are left to gain by it.
_MOST_TEMPLATES = 12
_FEWEST_LINES = 8
_SECOND_DIGITS = 10
_MICRO_DIGITS = 6
_ERROR_BIT = np.uint32(0x2000_0000)
_ID_BITS = np.uint32(0x1FFF_FFFF)
# Times a word with a single 1 in byte k, this gives k in the upper byte.
_BYTE_NUMBER: Final = np.uint64(0x0001_0203_0405_0607)


def parse_block(text: bytes, first_line: int, *, careful: bool = False) -> Block:
    """Read a block of whole lines (the last one may lack its line feed).

    Parameters
    ----------
    text : the bytes
    first_line : number of the first line in its file
    careful : read every line by itself; the result is the same
    """
    if b"\x1b" in text:
        text = _COLOUR.sub(b"", text)
    buffer = np.frombuffer(text, np.uint8)
    starts, ends = _lines(buffer)
    rows = Rows(len(starts))
    remarks: Counter[str] = Counter()
    if not careful:
        if not _are_of_one_length(starts, ends):  # if they are, a template is quicker still
            read_plain_log(text, buffer, starts, ends, rows)
        if np.count_nonzero(rows.is_frame) <= len(starts) - _FEWEST_LINES:
            _by_templates(text, buffer, starts, ends, rows, remarks)
    others = [] if rows.is_frame.all() else np.flatnonzero(~rows.is_frame).tolist()
    notes: Counter[str] = Counter()
    skipped: list[tuple[int, str]] = []
    first_skipped = ""
    for index in others:
        line = text[starts[index] : ends[index]].decode("latin-1")
        read = read_line(line)
        if isinstance(read, Frame):
            rows.put(index, read)
            remarks.update(remark for remark in read.remarks if remark != WIDE_STANDARD)
        elif read.kind == "note":
            notes[read.why] += 1
        elif read.kind == "skipped":
            first_skipped = line if not skipped else first_skipped
            skipped.append((first_line + index, read.why))
    block = rows.block(first_line)
    wide = int(np.count_nonzero((block.can_id > 0x7FF) & ((block.flags & (EXTENDED | ERROR)) == 0)))
    if wide:
        remarks[WIDE_STANDARD] += wide
    block.notes, block.skipped, block.first_skipped, block.remarks = (notes, skipped, first_skipped, remarks)
    block.blank = block.lines - len(block.line) - notes.total() - len(skipped)
    return block


def _places(buffer: NDArray[np.uint8], byte: int) -> NDArray[np.int64]:
    """Tell where `byte` stands: as `flatnonzero`, but quicker where it is rare."""
    whole = len(buffer) // 8 * 8
    words = (buffer[:whole] == byte).view("<u8")
    filled = np.flatnonzero(words != 0)
    found = words[filled]
    if (found & (found - np.uint64(1))).any():  # some word has two
        return np.flatnonzero(buffer == byte)
    places = filled * 8 + ((found * _BYTE_NUMBER) >> np.uint64(56)).view(np.int64)
    return np.concatenate([places, whole + np.flatnonzero(buffer[whole:] == byte)])


def _lines(buffer: NDArray[np.uint8]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Give begin and end of each line, line ends (LF or CR LF) left out."""
    ends = _places(buffer, _LINE_FEED)
    if len(buffer) and (not len(ends) or ends[-1] != len(buffer) - 1):
        ends = np.append(ends, len(buffer))
    starts = np.empty_like(ends)
    if len(ends):
        starts[0] = 0
        starts[1:] = ends[:-1] + 1
    returns = (ends > starts) & (buffer[ends - 1] == _RETURN)
    return starts, ends - returns if returns.any() else ends


def _are_of_one_length(starts: NDArray[np.int64], ends: NDArray[np.int64]) -> bool:
    lengths = ends - starts
    return len(lengths) >= _FEWEST_LINES and bool((lengths == lengths[0]).all())


def _by_templates(
    text: bytes,
    buffer: NDArray[np.uint8],
    starts: NDArray[np.int64],
    ends: NDArray[np.int64],
    rows: Rows,
    remarks: Counter[str],
) -> None:
    """Read the lines that fit templates."""
    left = np.flatnonzero(~rows.is_frame)
    lengths = (ends - starts)[left]
    counts = np.bincount(np.minimum(lengths, _LONGEST + 1), minlength=_LONGEST + 2)
    for length in np.flatnonzero(counts[: _LONGEST + 1] >= _FEWEST_LINES).tolist():
        if length < _SHORTEST:
            continue
        lines = left[lengths == length]
        table = _table(buffer, starts[lines], length)
        for _ in range(_MOST_TEMPLATES):
            line = text[starts[lines[0]] : ends[lines[0]]]
            template = _template(line)
            if template is None:
                fits = np.zeros(len(lines), np.bool_)
            else:
                fits = _take(template, line, table, lines, rows, remarks)
            if fits.all():
                break
            fits[0] = True  # whatever it is, it is no template for others
            lines, table = lines[~fits], table[~fits]
            if len(lines) < _FEWEST_LINES:
                break


def _table(buffer: NDArray[np.uint8], starts: NDArray[np.int64], length: int) -> NDArray[np.uint8]:
    """Lay lines of one length under each other: lines x length, uint8."""
    anywhere = np.ndarray((len(buffer) - length + 1,), f"V{length}", buffer, 0, (1,))
    return anywhere[starts].view(np.uint8).reshape(len(starts), length)


def _template(line: bytes) -> Frame | None:
    """Read a line carefully; ``None`` if others cannot be read like it."""
    if b"\x1b" in line:  # the careful reader takes colours off, and places would no longer be those of the line
        return None
    frame = read_line(line.decode("latin-1"))
    if not isinstance(frame, Frame) or len(frame.data_at) != len(frame.data):
        return None
    if frame.stamp.at is not None and frame.stamp.at[1] - frame.stamp.at[0] > _SECOND_DIGITS:
        return None
    return frame


def _take(
    frame: Frame, line: bytes, table: NDArray[np.uint8], lines: NDArray[np.intp], rows: Rows, remarks: Counter[str]
) -> NDArray[np.bool_]:
    """Read the lines that fit `frame`, read from `line`, into their rows; tell which those are."""
    fits = _same_elsewhere(frame, line, table)
    stamp_ns = _stamps(frame, table, fits)
    can_id = hexadecimal(table, *frame.id_at, fits)
    flags: NDArray[np.uint16] | int = frame.flags
    if frame.id_at[1] - frame.id_at[0] == 8:
        can_id, flags = _long_identifiers(frame, can_id, fits)
    data = hex_pairs(table, frame.data_at, fits)
    if not fits.all():
        lines, stamp_ns, can_id, data = (lines[fits], stamp_ns[fits], can_id[fits], data[fits])
        flags = flags if isinstance(flags, int) else flags[fits]
    where: slice | NDArray[np.intp] = slice(None) if len(lines) == len(rows.is_frame) else lines
    if not len(lines):
        return fits
    rows.widen(frame.length)
    rows.is_frame[where] = True
    rows.stamp_ns[where] = stamp_ns
    rows.kind[where] = frame.stamp.kind
    rows.bus[where] = rows.number(frame.bus)
    rows.can_id[where] = can_id
    rows.flags[where] = flags
    rows.length[where] = frame.length
    if data.shape[1]:
        rows.data[where, : data.shape[1]] = data
    for remark in frame.remarks:
        if remark != WIDE_STANDARD:
            remarks[remark] += len(lines)
    return fits


def _stamps(frame: Frame, table: NDArray[np.uint8], fits: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Give what the stamps say, in nanoseconds; of a date, the seconds of the minute and their fraction differ."""
    if frame.stamp.at is None:
        return np.zeros(len(table), np.int64)
    begin, dot, end = frame.stamp.at
    whole_s = decimal(table, begin, dot, fits)
    fits &= whole_s <= (59 if frame.stamp.kind is StampKind.DATE else MOST_S)
    decimals = decimal(table, dot + 1, end, fits)
    fraction_ns = decimals * (1000 if end - dot - 1 == _MICRO_DIGITS else 1)
    return frame.stamp.base_ns + whole_s * NANO + fraction_ns


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
    if frame.text_at is not None:
        mask[slice(*frame.text_at)] = 0
    same = np.ones(len(table), np.bool_)
    wanted = np.frombuffer(line, np.uint8)
    for begin in {min(begin, len(line) - 8) for begin in range(0, len(line), 8)}:
        part = mask[begin : begin + 8].view(np.uint64)[0] if mask[begin : begin + 8].any() else np.uint64(0)
        if part:
            words = np.ndarray((len(table),), np.uint64, table, begin, (len(line),))
            same &= (words & part) == (wanted[begin : begin + 8].copy().view(np.uint64)[0] & part)
    return same
