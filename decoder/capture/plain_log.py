"""Log lines of the plainest and most frequent form, all lines of a block at once whatever their lengths.

    (1700000000.123456) can0 123#0A1B2C          then at most ` R` or ` T`; stamps with 6 or 9 decimals

Each line is seen through two windows: one begins at its ``(`` and shows the stamp and the bus name, one is laid around
its ``#`` and shows the identifier and the payload. So every field stands in the same columns for all lines. Lines that
are not of this form, to the last byte, are left for others. What a bus name means, the careful reader says: it reads
one line for each name.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.capture.digits import HEX, NO_DIGITS, decimal
from decoder.capture.lines import Frame, read_line
from decoder.capture.stamps import MOST_S, NANO, StampKind
from decoder.frames import CLASSIC_BYTES, ERROR, EXTENDED, RECEIVED, TRANSMITTED

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from decoder.capture.rows import Rows

_WINDOW: Final = 32  # bytes of each window
_LONGEST_NAME: Final = 7  # bytes between stamp and identifier; with their count they make one word to compare
_MOST_NAMES: Final = 12  # names that are tried in one block
_MOST_SECOND_DIGITS: Final = 10
_OPEN, _CLOSE, _DOT, _BLANK, _R, _T = b"(). RT"
# Columns of the window around the ``#``.
_BEFORE_LONG, _LONG, _BEFORE_SHORT, _HASH, _DATA = 0, 1, 5, 9, 10
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
    text: bytes,
    buffer: NDArray[np.uint8],
    starts: NDArray[np.int64],
    ends: NDArray[np.int64],
    hashes: NDArray[np.int64],
    rows: Rows,
) -> None:
    """Read the lines of the plain log form into their rows; rows of other lines stay empty.

    `starts` and `ends` are the places of the lines in `buffer` (the bytes of `text`), `hashes` those of every ``#``.
    """
    # Windows must not leave the text: the last lines are left to others.
    count = int(np.searchsorted(ends, len(buffer) - _WINDOW))
    form = _stamp_form(text, starts[:count], ends[:count])
    if form is None:
        return
    starts, ends = starts[:count], ends[:count]
    place, fits = _one_hash_a_line(hashes, starts, ends)
    windows = np.ndarray((len(buffer) - _WINDOW + 1,), f"V{_WINDOW}", buffer, 0, (1,))
    head = windows[starts].view(np.uint8).reshape(count, _WINDOW)
    tail = windows[place - _HASH].view(np.uint8).reshape(count, _WINDOW)
    stamp_ns = _stamps(head, *form, fits)
    can_id, is_long = _identifiers(tail, fits)
    flags = np.where(is_long, np.uint16(EXTENDED), np.uint16(0))
    body = ends - place - 1
    _directions(buffer, ends, body, flags)
    data, length = _payloads(tail, body, fits)
    _errors(can_id, flags, is_long, fits)
    after_stamp = form[1] + 2
    bus = _buses(
        text, head, after_stamp, place - starts - np.where(is_long, 9, 4) - after_stamp, starts, ends, rows, fits
    )
    if not fits.all():
        data[~fits] = 0
    rows.is_frame[:count] = fits
    rows.stamp_ns[:count] = stamp_ns
    rows.kind[:count] = StampKind.NUMBER
    rows.bus[:count] = bus
    rows.can_id[:count] = can_id & _ID_BITS
    rows.flags[:count] = flags
    rows.length[:count] = length
    rows.data[:count] = data


def _stamp_form(text: bytes, starts: NDArray[np.int64], ends: NDArray[np.int64]) -> tuple[int, int] | None:
    """Give the columns of dot and bracket from one of a few lines; ``None`` if none has such a stamp."""
    for index in range(0, len(starts), max(len(starts) // 4, 1)):
        line = text[starts[index] : ends[index]]
        close, dot = line.find(b")"), line.find(b".")
        if line[:1] == b"(" and 1 < dot <= 1 + _MOST_SECOND_DIGITS and close - dot - 1 in {6, 9}:
            return dot, close
    return None


def _one_hash_a_line(
    hashes: NDArray[np.int64], starts: NDArray[np.int64], ends: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Give the place of each line's only ``#``, and which lines have just one."""
    given = hashes[: len(starts)]
    if len(given) == len(starts) and (given >= starts).all() and (given < ends).all():
        fits = np.ones(len(starts), np.bool_)
        if len(hashes) > len(given):
            fits[-1] = hashes[len(given)] >= ends[-1]  # all the others are followed by the next line's
        return given, fits
    first, after = np.searchsorted(hashes, starts), np.searchsorted(hashes, ends)
    fits = after - first == 1
    place = starts.copy()
    place[fits] = hashes[first[fits]]
    return place, fits


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
    word = np.ndarray((len(tail),), "<u8", tail, _LONG, (_WINDOW,))
    word = np.where(is_short, (word & _SHORT_DIGITS) | _SHORT_ZEROS, word)
    pairs = HEX.take(word.view("<u2"))
    fits &= (pairs.view("<u8") & _BAD_PAIRS) == 0
    return pairs.astype(np.uint8).view(">u4").astype(np.uint32), is_long


def _directions(
    buffer: NDArray[np.uint8], ends: NDArray[np.int64], body: NDArray[np.int64], flags: NDArray[np.uint16]
) -> None:
    """Take ` R` or ` T` off the ends of the bodies, and note it in the flags."""
    last = buffer[ends - 1]
    for letter, flag in ((_R, RECEIVED), (_T, TRANSMITTED)):
        said = last == letter
        if said.any():
            said &= buffer[ends - 2] == _BLANK
            flags[said] |= flag
            body[said] -= 2


def _payloads(
    tail: NDArray[np.uint8], body: NDArray[np.int64], fits: NDArray[np.bool_]
) -> tuple[NDArray[np.uint8], NDArray[np.int64]]:
    """Give payloads (lines x 8, zero past their ends) and their lengths; `body` are the counts of digits."""
    fits &= (body >= 0) & (body <= 2 * CLASSIC_BYTES) & ((body & 1) == 0)
    length = np.clip(body >> 1, 0, CLASSIC_BYTES)
    pairs = HEX.take(np.ndarray((len(tail), CLASSIC_BYTES), "<u2", tail, _DATA, (_WINDOW, 2)))
    words = pairs.view("<u8")
    words &= _FIRST_PAIRS.take(length, axis=0)
    fits &= ((words[:, 0] | words[:, 1]) & _BAD_PAIRS) == 0
    return pairs.astype(np.uint8), length


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
    text: bytes,
    head: NDArray[np.uint8],
    begin: int,
    length: NDArray[np.int64],
    starts: NDArray[np.int64],
    ends: NDArray[np.int64],
    rows: Rows,
    fits: NDArray[np.bool_],
) -> NDArray[np.uint16]:
    """Give the bus of each line: lines with the same bytes before the identifier are on the same bus."""
    fits &= (length > 0) & (length <= _LONGEST_NAME)
    words = np.ndarray((len(head),), "<u8", head, begin, (_WINDOW,))
    length = np.clip(length, 0, _LONGEST_NAME)
    names = (words & _FIRST_BYTES.take(length)) | (length.view(np.uint64) << np.uint64(56))
    bus = np.zeros(len(head), np.uint16)
    left = fits.copy()
    for _ in range(_MOST_NAMES):
        index = int(left.argmax())
        if not left[index]:
            return bus
        same = names == names[index]
        read = read_line(text[starts[index] : ends[index]].decode("latin-1"))
        if isinstance(read, Frame):
            bus |= same * np.uint16(rows.number(read.bus))
        else:
            fits &= ~same
        left &= ~same
    fits &= ~left
    return bus
