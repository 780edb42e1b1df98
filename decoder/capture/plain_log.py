"""Log lines of the plainest and most frequent form, all lines of a block at once whatever their lengths.

    (1700000000.123456) can0 123#0A1B2C          then at most ` R` or ` T`; stamps with 6 or 9 decimals

Each line is seen through two windows: one begins at its ``(`` and shows the stamp and the bus name, one is laid around
its ``#`` and shows the identifier and the payload. So every field stands in the same columns for all lines. Lines that
are not of this form, to the last byte, are left for others. What a bus name means, the careful reader says: it reads
one line for each name.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from decoder.capture.digits import HEX, NO_DIGITS, decimal
from decoder.capture.lines import Frame, read_line
from decoder.capture.stamps import MOST_S, NANO, StampKind
from decoder.frames import CLASSIC_BYTES, ERROR, EXTENDED, RECEIVED, TRANSMITTED

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from decoder.capture.rows import Rows

_HEAD_BYTES: Final = 40
_TAIL_BYTES: Final = 32
_LONGEST_NAME: Final = 7  # bytes between stamp and identifier; with their count they make one word to compare
_MOST_NAMES: Final = 12  # names, and places of the ``#``, that are tried in one block
_MOST_SECOND_DIGITS: Final = 10
_OPEN, _CLOSE, _DOT, _BLANK, _HASH_SIGN, _R, _T = b"(). #RT"
# Columns of the window around the ``#``.
_BEFORE_LONG, _LONG, _BEFORE_SHORT, _HASH, _DATA = 0, 1, 5, 9, 10
_LONG_BEHIND, _SHORT_BEHIND = _HASH - _BEFORE_LONG, _HASH - _BEFORE_SHORT  # from the blank before the identifier
_SHORT_ZEROS = np.uint64(0x30_3030_3030)  # the digits that an identifier of 3 lacks to 8
_SHORT_DIGITS = np.uint64(0xFFFF_FF00_0000_0000)
_BAD_PAIRS = np.uint64(NO_DIGITS * 0x0001_0001_0001_0001)
_ERROR_BIT = np.uint32(0x2000_0000)
_ID_BITS = np.uint32(0x1FFF_FFFF)

# By count: a word with so many of its lower bytes kept; eight pairs of digits with so many of the first kept.
_FIRST_BYTES = np.array([(1 << 8 * count) - 1 for count in range(_LONGEST_NAME + 1)], "<u8")
_FIRST_PAIRS = np.array(
    [[0xFFFF] * count + [0] * (CLASSIC_BYTES - count) for count in range(CLASSIC_BYTES + 1)], "<u2"
).view("<u8")


def read_plain_log(
    text: bytes, buffer: NDArray[np.uint8], starts: NDArray[np.int64], ends: NDArray[np.int64], rows: Rows
) -> None:
    """Read the lines of the plain log form into their rows; rows of other lines stay empty.

    `starts` and `ends` are the places of the lines in `buffer` (the bytes of `text`).
    """
    # Windows must not leave the text: the last lines are left to others.
    count = int(np.searchsorted(starts, len(buffer) - _HEAD_BYTES - _TAIL_BYTES))
    lines = _Lines(text, buffer, starts[:count], ends[:count])
    form = _stamp_form(lines)
    if form is None:
        return
    head = _windows(buffer, lines.starts, _HEAD_BYTES)
    fits = np.ones(count, np.bool_)
    stamp_ns = _stamps(head, *form, fits)
    after_stamp = form[1] + 2
    hash_at = _hashes(head, lines, after_stamp, fits)
    hash_place = lines.starts + hash_at
    tail = _windows(buffer, hash_place - _HASH, _TAIL_BYTES)
    can_id, is_long = _identifiers(tail, fits)
    flags = np.where(is_long, np.uint16(EXTENDED), np.uint16(0))
    body = lines.ends - hash_place
    body -= 1
    _directions(lines, body, flags)
    pairs, length = _payloads(tail, body, fits)
    _errors(can_id, flags, is_long, fits)
    name_length = hash_at - np.where(is_long, np.uint8(_LONG_BEHIND), np.uint8(_SHORT_BEHIND))
    name_length -= np.uint8(after_stamp)  # names that would begin too early get a large one
    bus = _buses(head, lines, after_stamp, name_length, rows, fits)
    if not fits.all():
        pairs[~fits] = 0
    rows.is_frame[:count] = fits
    rows.stamp_ns[:count] = stamp_ns
    rows.kind[:count] = StampKind.NUMBER
    rows.bus[:count] = bus
    rows.can_id[:count] = can_id & _ID_BITS
    rows.flags[:count] = flags
    rows.length[:count] = length
    rows.data[:count] = pairs


class _Lines(NamedTuple):
    text: bytes
    buffer: NDArray[np.uint8]
    starts: NDArray[np.int64]
    ends: NDArray[np.int64]

    def line(self, index: int) -> bytes:
        return self.text[self.starts[index] : self.ends[index]]


def _windows(buffer: NDArray[np.uint8], begin: NDArray[np.int64], width: int) -> NDArray[np.uint8]:
    """Give `width` bytes from each place on: lines x width."""
    anywhere = np.ndarray((len(buffer) - width + 1,), f"V{width}", buffer, 0, (1,))
    return anywhere[begin].view(np.uint8).reshape(len(begin), width)


def _stamp_form(lines: _Lines) -> tuple[int, int] | None:
    """Give the columns of dot and bracket from one of a few lines; ``None`` if none has such a stamp."""
    for index in range(0, len(lines.starts), max(len(lines.starts) // 4, 1)):
        line = lines.line(index)
        close, dot = line.find(b")"), line.find(b".")
        if line[:1] == b"(" and 1 < dot <= 1 + _MOST_SECOND_DIGITS and close - dot - 1 in {6, 9}:
            return dot, close
    return None


def _hashes(head: NDArray[np.uint8], lines: _Lines, begin: int, fits: NDArray[np.bool_]) -> NDArray[np.uint8]:
    """Give the column of a ``#`` in each line: lines take it where one of the lines before them had its first."""
    column = np.full(len(head), _HASH, np.uint8)
    left = fits.copy()
    for _ in range(_MOST_NAMES):
        index = int(left.argmax())
        if not left[index]:
            return column
        found = lines.line(index).find(b"#", begin, _HEAD_BYTES)
        if found < 0:
            fits[index] = left[index] = False
            continue
        here = head[:, found] == _HASH_SIGN
        here &= left
        column += here * np.uint8(found - _HASH)
        left ^= here
    fits &= ~left
    return column


def _stamps(head: NDArray[np.uint8], dot: int, close: int, fits: NDArray[np.bool_]) -> NDArray[np.int64]:
    fits &= head[:, 0] == _OPEN
    fits &= head[:, dot] == _DOT
    fits &= head[:, close] == _CLOSE
    fits &= head[:, close + 1] == _BLANK
    stamp_ns = decimal(head, 1, dot, fits)
    if dot > _MOST_SECOND_DIGITS:
        fits &= stamp_ns <= MOST_S
    stamp_ns *= NANO
    fraction = decimal(head, dot + 1, close, fits)
    if close - dot - 1 == 6:
        fraction *= 1000
    stamp_ns += fraction
    return stamp_ns


def _identifiers(tail: NDArray[np.uint8], fits: NDArray[np.bool_]) -> tuple[NDArray[np.uint32], NDArray[np.bool_]]:
    """Give the identifiers, and which have 8 digits; the others have 3."""
    is_short = tail[:, _BEFORE_SHORT] == _BLANK
    is_long = tail[:, _BEFORE_LONG] == _BLANK
    is_long &= ~is_short
    fits &= is_short | is_long
    word = np.ndarray((len(tail),), "<u8", tail, _LONG, (_TAIL_BYTES,))
    word = np.where(is_short, (word & _SHORT_DIGITS) | _SHORT_ZEROS, word)
    pairs = HEX.take(word.view("<u2"))
    fits &= (pairs.view("<u8") & _BAD_PAIRS) == 0
    return pairs.astype(np.uint8).view(">u4").astype(np.uint32), is_long


def _directions(lines: _Lines, body: NDArray[np.int64], flags: NDArray[np.uint16]) -> None:
    """Take ` R` or ` T` off the ends of the bodies, and note it in the flags."""
    last = lines.buffer[lines.ends - 1]
    for letter, flag in ((_R, RECEIVED), (_T, TRANSMITTED)):
        said = last == letter
        if said.any():
            said &= lines.buffer[lines.ends - 2] == _BLANK
            flags |= said * np.uint16(flag)
            body -= said * np.int64(2)


def _payloads(
    tail: NDArray[np.uint8], body: NDArray[np.int64], fits: NDArray[np.bool_]
) -> tuple[NDArray[np.uint16], NDArray[np.int64]]:
    """Give payload bytes (lines x 8, zero past their ends) and their lengths; `body` are the counts of digits."""
    fits &= (body >= 0) & (body <= 2 * CLASSIC_BYTES) & ((body & 1) == 0)
    length = np.clip(body >> 1, 0, CLASSIC_BYTES)
    pairs = HEX.take(np.ndarray((len(tail), CLASSIC_BYTES), "<u2", tail, _DATA, (_TAIL_BYTES, 2)))
    words = pairs.view("<u8")
    words &= _FIRST_PAIRS.take(length, axis=0)
    fits &= ((words[:, 0] | words[:, 1]) & _BAD_PAIRS) == 0
    return pairs, length


def _errors(
    can_id: NDArray[np.uint32], flags: NDArray[np.uint16], is_long: NDArray[np.bool_], fits: NDArray[np.bool_]
) -> None:
    """Mark error frames; an identifier of more than 29 bits fits not."""
    odd = can_id > _ID_BITS
    if not odd.any():
        return
    odd &= is_long
    is_error = odd & ((can_id & _ERROR_BIT) != 0)
    flags[is_error] ^= EXTENDED | ERROR
    fits &= ~odd | is_error


def _buses(
    head: NDArray[np.uint8], lines: _Lines, begin: int, length: NDArray[np.uint8], rows: Rows, fits: NDArray[np.bool_]
) -> NDArray[np.uint16]:
    """Give the bus of each line: lines with the same `length` bytes from `begin` on are on the same bus."""
    fits &= (length > 0) & (length <= _LONGEST_NAME)
    length = np.minimum(length, np.uint8(_LONGEST_NAME))
    words = np.ndarray((len(head),), "<u8", head, begin, (_HEAD_BYTES,))
    names = (words & _FIRST_BYTES.take(length)) | (length.astype(np.uint64) << np.uint64(56))
    bus = np.zeros(len(head), np.uint16)
    left = fits.copy()
    for _ in range(_MOST_NAMES):
        index = int(left.argmax())
        if not left[index]:
            return bus
        same = names == names[index]
        read = read_line(lines.line(index).decode("latin-1"))
        if isinstance(read, Frame):
            bus |= same * np.uint16(rows.number(read.bus))
        else:
            fits &= ~same
        left &= ~same
    fits &= ~left
    return bus
