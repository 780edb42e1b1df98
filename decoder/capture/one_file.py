"""One file of a capture while it is read: text in pieces of any size becomes `Frames` and adds to the tally."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.capture.blocks import parse_block
from decoder.capture.stamps import StampKind
from decoder.capture.timing import Clock
from decoder.frames import Frames
from decoder.printable import printable

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from decoder.capture.rows import Block, BusNames
    from decoder.capture.tally import Tally

# Of a line longer than this (no line of a log is), the middle is left out so that memory stays bounded.
_LONGEST_LINE: Final = 1 << 20
BYTE_ORDER_MARK: Final = b"\xef\xbb\xbf"
# Blocks are held no longer than for so many lines.
_MOST_HELD_LINES: Final = 200_000
_CUT_BEGINNING: Final = "the line is cut off at the beginning of the file"
_CUT_OFF: Final = "the line is cut off at the end of the file"


class WholeLines:
    """Makes whole lines of text that comes in pieces; a byte order mark at the very beginning is taken off."""

    def __init__(self) -> None:
        """Begin before the first piece."""
        self._rest = b""
        self._at_beginning = True

    def take(self, part: bytes) -> bytes:
        """Take the next piece; give the lines that are whole by now, nothing if none is."""
        end = part.rfind(b"\n") + 1
        if not end:
            if len(self._rest) < _LONGEST_LINE:
                self._rest += part
            return b""
        text = b"".join((self._rest, memoryview(part)[:end]))
        self._rest = part[end:]
        return self._without_mark(text)

    def rest(self) -> bytes:
        """Give the last line, which has no line end, and keep none of it."""
        text, self._rest = self._rest, b""
        return self._without_mark(text)

    def _without_mark(self, text: bytes) -> bytes:
        if self._at_beginning:
            self._at_beginning = False
            return text.removeprefix(BYTE_ORDER_MARK)
        return text


class OneFile:
    """Reads the text of one file, block after block, and adds it to the tally of the capture.

    Blocks are held until the clock can tell their times, so frames may come later than their text.
    """

    def __init__(self, path: str, number: int, tally: Tally, buses: BusNames) -> None:
        """Take the path as it is told to the user, the file's number in `Frames.source`, and what all files share."""
        self._path, self._number = path, number
        self._tally, self._buses = tally, buses
        self._clock = Clock()
        self._held: list[Block] = []
        self._line = 1
        self._ended = True

    def take(self, text: bytes) -> Iterator[Frames]:
        """Read the next block of whole lines (the very last line may lack its end); give the frames that are known."""
        block = parse_block(text, self._line)
        self._ended = text.endswith(b"\n")
        if not self._ended:
            _explain_the_end(block)
        self._line += block.lines
        self._held.append(block)
        self._clock.look_at(block)
        held_lines = self._line - self._held[0].line_begin
        if held_lines < _MOST_HELD_LINES and (self._clock.waits or _may_begin_cut(self._held)):
            return
        yield from self._released()

    def finish(self, *, cut_short: bool = False) -> Iterator[Frames]:
        """Give the frames that were held, and note how the file ended; `cut_short`: what it is packed in is damaged."""
        yield from self._released()
        path = printable(self._path)
        if not self._ended:
            self._tally.said[f"{path}: the last line has no line end, it may be cut off"] = None
        if cut_short:
            self._tally.said[f"{path}: the compressed file is damaged or cut off; what came before is read"] = None

    def _released(self) -> Iterator[Frames]:
        """Give the blocks that are held, and hold none any more."""
        self._clock.decide()
        _drop_cut_beginning(self._held)
        for block in self._held:
            bus = self._buses.number(block)
            self._tally.take(block, self._path)
            time_ns = self._clock.times(block.stamp_ns, block.kind)
            self._tally.bases.update(self._clock.bases)
            yield _frames(block, time_ns, bus, self._number, self._buses)
        self._held.clear()


def _may_begin_cut(held: list[Block]) -> bool:
    """Tell whether the file begins with a frame without a stamp, and it is not known what the next frame has."""
    first = held[0]
    if first.line_begin != 1 or not len(first.line) or first.line[0] != 1 or first.kind[0] != StampKind.NONE:
        return False
    return sum(len(block.line) for block in held) < 2


def _drop_cut_beginning(held: list[Block]) -> None:
    """Take out the frame of a first line that begins behind its stamp: the lines that follow have one."""
    kinds = [int(kind) for block in held for kind in block.kind[:2]][:2]
    if len(kinds) == 2 and kinds[0] == StampKind.NONE != kinds[1] and len(held[0].line) and held[0].line[0] == 1:
        held[0].skip(held[0].line == 1, _CUT_BEGINNING)


def _explain_the_end(block: Block) -> None:
    """Say of a last line without line end that cannot be read that it was cut off."""
    if block.skipped and block.skipped[-1][0] == block.line_begin + block.lines - 1:
        block.skipped[-1] = (block.skipped[-1][0], _CUT_OFF)


def _frames(block: Block, time_ns: NDArray[np.int64], bus: NDArray[np.uint8], number: int, buses: BusNames) -> Frames:
    return Frames(
        time_ns=time_ns,
        bus=bus,
        can_id=block.can_id,
        flags=block.flags,
        length=block.length,
        data=block.data,
        line=block.line,
        source=np.full(len(time_ns), number, np.uint8),
        bus_names=tuple(buses.numbers),
    )
