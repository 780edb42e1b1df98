"""A capture that is still being written: what came since, as `Frames`, by the same reader as `read_capture`."""

from __future__ import annotations

import os
from collections import deque
from dataclasses import replace
from typing import IO, TYPE_CHECKING, Final

from decoder.capture.growing import GrowingFile, GrowingPipe
from decoder.capture.one_file import OneFile, WholeLines
from decoder.capture.rows import BusNames
from decoder.capture.sources import PACKED_MARKS
from decoder.capture.tally import Tally
from decoder.errors import CaptureError, Where
from decoder.frames import concatenate
from decoder.printable import printable

if TYPE_CHECKING:
    from collections.abc import Iterator

    from decoder.account import Account
    from decoder.capture.growing import Growing
    from decoder.frames import Frames

# Read at once: more than a second of a full bus, and short enough not to hold anything up.
_MOST_BYTES: Final = 1 << 20
_MARK_BYTES: Final = max(len(mark) for mark, _ in PACKED_MARKS)
_MOST_FILES: Final = 256  # their numbers fill a byte; from then on the last number stands for all that follow
_SAID: Final = {
    "shorter": "the file became shorter while it was followed; it is read again from its beginning",
    "replaced": "another file took this one's place while it was followed; reading goes on there",
}


class Follower:
    """Follows a file that grows; `of_pipe` follows a pipe.

    Buses keep their numbers, the account is that of all that was read so far, over all files. Where stamps of a screen
    may be differences, frames come when the first 1000 have decided it, as in `read_capture`.

    `behind` tells that more is there already: poll again at once. `ended` tells that nothing will come any more.
    """

    def __init__(self, path: str | os.PathLike[str], *, text: Growing | None = None) -> None:
        """Take the file; it need not be there yet. `text`: read this instead, whatever it is."""
        self.behind = False
        self.ended = False
        self._tally = Tally(())
        self._buses = BusNames()
        self._next: deque[str] = deque()
        self._open(GrowingFile(os.fspath(path)) if text is None else text)

    @classmethod
    def of_pipe(cls, stream: IO[bytes]) -> Follower:
        """Follow a pipe, read by a thread of its own, until its writer closes it."""
        return cls(GrowingPipe.path, text=GrowingPipe(stream))

    def _open(self, text: Growing) -> None:
        paths = (*self._tally.paths[: _MOST_FILES - 1], text.path)
        self._tally.paths = paths
        self._text = text
        self._lines = WholeLines()
        self._file = OneFile(text.path, len(paths) - 1, self._tally, self._buses)
        self._beginning = b""

    @property
    def path(self) -> str:
        """The file that is read now; ``-`` for a pipe."""
        return self._text.path

    @property
    def is_waiting(self) -> bool:
        """Whether the file is not there yet."""
        return not self._text.is_there

    @property
    def account(self) -> Account:
        """What became of every line read so far."""
        return self._tally.account()

    def next_file(self, path: str | os.PathLike[str]) -> None:
        """Go on with another file, once all that is in the present one is read."""
        self._next.append(os.fspath(path))

    def poll(self) -> Frames:
        """Give the frames that came since, none where none came; never waits.

        Raises `CaptureError` where the file cannot be read or is compressed; it may be asked again.
        """
        return self._joined(list(self._new()))

    def close(self) -> Frames:
        """Give what was held until now, the last line too where it has no line end; nothing comes after that."""
        parts = [] if self.ended else list(self._finished())
        self.ended = True
        return self._joined(parts)

    def _joined(self, parts: list[Frames]) -> Frames:
        return replace(concatenate(parts, self.account), bus_names=tuple(self._buses.numbers))

    def _new(self) -> Iterator[Frames]:
        self.behind = False
        if self.ended:
            return
        part = self._text.read(_MOST_BYTES)
        if part:
            self.behind = len(part) == _MOST_BYTES or bool(self._next)
            self._beginning += part[: _MARK_BYTES - len(self._beginning)]
            self._refuse_packed()
            if text := self._lines.take(part):
                yield from self._checked(self._file.take(text))
            return
        fate = self._text.fate()
        if fate != "same":
            self._tally.said[f"{printable(self.path)}: {_SAID[fate]}"] = None
            self._next.appendleft(self.path)
        if self._next:
            yield from self._finished()
            self._open(GrowingFile(self._next.popleft()))
            self.behind = True
        elif self._text.is_over:
            yield from self._finished()
            self.ended = True
        else:
            self._refuse_packed()

    def _finished(self) -> Iterator[Frames]:
        if text := self._lines.rest():
            yield from self._checked(self._file.take(text))
        yield from self._checked(self._file.finish())
        self._text.close()

    def _checked(self, parts: Iterator[Frames]) -> Iterator[Frames]:
        for part in parts:
            self._tally.check.take(part.time_ns, part.bus, part.line, part.source)
            yield part

    def _refuse_packed(self) -> None:
        """Refuse a compressed file by its first bytes."""
        for mark, kind in PACKED_MARKS:
            if self._beginning.startswith(mark):
                raise CaptureError(
                    f"this is {kind} data, which cannot be followed while it is written",
                    where=Where(self.path),
                    expected="plain candump text",
                    advice="open the whole file without --follow, or unpack it on the way: "
                    "gzip -dc, xz -dc or bzip2 -dc FILE | cellglean open -",
                )
