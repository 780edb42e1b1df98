"""Text that is still being written: a file that grows, or a pipe. Reading never waits."""

from __future__ import annotations

import os
import stat
from io import FileIO
from pathlib import Path
from queue import Empty, Queue
from threading import Thread
from typing import IO, Final, Literal, Protocol

from decoder.errors import CaptureError, Where

# What came through a pipe and was not taken yet: so many pieces of at most so many bytes. Then the writer has to wait.
_MOST_PIECES: Final = 512
_PIECE_BYTES: Final = 1 << 16
# Where the system has it: a named pipe is opened without waiting for its writer.
_WITHOUT_WAITING: Final = getattr(os, "O_NONBLOCK", 0)

Fate = Literal["same", "shorter", "replaced"]


class Growing(Protocol):
    """Text that is still being written."""

    path: str

    @property
    def is_there(self) -> bool:
        """Whether there is anything to read from yet."""

    @property
    def is_over(self) -> bool:
        """Whether nothing will come any more."""

    def read(self, most: int) -> bytes:
        """Give what came since, at most so many bytes; nothing where nothing came. Raises `CaptureError`."""

    def fate(self) -> Fate:
        """Tell what became of it; asked when nothing was left to read."""

    def close(self) -> None:
        """Let go of it."""


class GrowingFile:
    """A file that grows; it need not be there yet."""

    is_over = False

    def __init__(self, path: str) -> None:
        self.path = path
        self._file: FileIO | None = None
        self._position = 0

    @property
    def is_there(self) -> bool:
        """Whether the file is opened."""
        return self._file is not None

    def read(self, most: int) -> bytes:
        """Give what came since; nothing while there is no file. Raises `CaptureError`."""
        try:
            if self._file is None:
                self._file = FileIO(self.path, opener=_without_waiting)
            part = self._file.read(most) or b""
        except FileNotFoundError:
            return b""
        except OSError as error:
            raise CaptureError(
                f"the capture cannot be read ({error.strerror or error})",
                where=Where(self.path),
                expected="a candump text file",
            ) from error
        self._position += len(part)
        return part

    def fate(self) -> Fate:
        """Tell a file that is shorter than what was read of it, and one in whose place another one stands.

        A file that was emptied and is already longer again is not told.
        """
        if self._file is None:
            return "same"
        mine = os.fstat(self._file.fileno())
        if stat.S_ISREG(mine.st_mode) and mine.st_size < self._position:
            return "shorter"
        try:
            there = Path(self.path).stat()
        except OSError:  # taken away; what is written into it still comes
            return "same"
        return "same" if (there.st_dev, there.st_ino) == (mine.st_dev, mine.st_ino) else "replaced"

    def close(self) -> None:
        """Close the file."""
        if self._file is not None:
            self._file.close()


def _without_waiting(path: str, flags: int) -> int:
    return os.open(path, flags | _WITHOUT_WAITING)


class GrowingPipe:
    """A stream that a thread reads, so that asking for what came never waits."""

    is_there = True
    path = "-"

    def __init__(self, stream: IO[bytes]) -> None:
        self._pieces: Queue[bytes] = Queue(_MOST_PIECES)
        self._left = b""
        self._reader = Thread(target=self._read_all, args=(stream.fileno(),), name="pipe", daemon=True)
        self._stream = stream  # must stay open as long as its number is read from
        self._reader.start()

    @property
    def is_over(self) -> bool:
        """Whether the writer has closed the pipe and all is taken."""
        return not self._reader.is_alive() and not self._left and self._pieces.empty()

    def _read_all(self, number: int) -> None:
        try:
            while piece := os.read(number, _PIECE_BYTES):
                self._pieces.put(piece)
        except OSError:  # as if the writer had closed it
            return

    def read(self, most: int) -> bytes:
        """Give what came since."""
        pieces = [self._left]
        have = len(self._left)
        while have < most:
            try:
                pieces.append(self._pieces.get_nowait())
            except Empty:
                break
            have += len(pieces[-1])
        text = b"".join(pieces)
        self._left = text[most:]
        return text[:most]

    def fate(self) -> Fate:
        """Give that it is the same: a pipe is not replaced."""
        return "same"

    def close(self) -> None:
        """Leave the thread to itself: it ends with the pipe or the program."""
