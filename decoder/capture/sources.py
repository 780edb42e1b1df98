"""Where captures come from: plain or compressed files, standard input; given out as blocks of whole lines."""

from __future__ import annotations

import bz2
import gzip
import lzma
import sys
import zlib
from contextlib import contextmanager
from pathlib import Path
from typing import IO, TYPE_CHECKING, cast

from decoder.capture.one_file import WholeLines
from decoder.errors import CaptureError, Where

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

STANDARD_INPUT = "-"
# A block that is read at once: small enough for its columns to stay in a processor's cache.
BLOCK_BYTES = 1 << 20
PACKED_MARKS = ((b"\x1f\x8b", "gzip"), (b"\xfd7zXZ\x00", "xz"), (b"BZh", "bzip2"))


class Progress:
    """Adds up what was read of several files, and tells it."""

    def __init__(self, tell: Callable[[int, int | None], None], paths: Sequence[str]) -> None:
        """Take the function that is told bytes done and in total (``None`` where that is not known)."""
        sizes = [_size(path) for path in paths]
        self._tell = tell
        self._done = [0] * len(sizes)
        self._total = None if None in sizes else sum(size or 0 for size in sizes)

    def note(self, number: int, done: int) -> None:
        """Take how many bytes of one file are done."""
        self._done[number] = done
        self._tell(sum(self._done), self._total)


class Source:
    """One capture file while it is read; `cut_short` tells afterwards that a compressed file ended too early."""

    def __init__(self, path: str, progress: Callable[[int], None] | None = None) -> None:
        """Take the path (``-``: standard input) and a function that is told the bytes done."""
        self.path = path
        self.cut_short = False
        self._progress = progress

    def blocks(self, block_bytes: int = BLOCK_BYTES) -> Iterator[bytes]:
        """Give blocks of whole lines; only the last may lack its line feed. Raises `CaptureError`."""
        with _opened(self.path) as raw:
            unpacked, is_packed = _unpacked(raw)
            taken = 0
            lines = WholeLines()
            while part := self._read(unpacked, block_bytes, is_packed=is_packed):
                taken += len(part)
                if self._progress is not None:
                    self._progress(_position(raw, taken))
                if text := lines.take(part):
                    yield text
            if text := lines.rest():
                yield text

    def _read(self, file: IO[bytes], count: int, *, is_packed: bool) -> bytes:
        """Read; what a damaged compressed file still gives is kept."""
        if not is_packed:
            return file.read(count)
        parts: list[bytes] = []
        have = 0
        try:
            while have < count:
                part = file.read1(count - have)  # type: ignore[attr-defined]
                if not part:
                    break
                parts.append(part)
                have += len(part)
        except (EOFError, lzma.LZMAError, zlib.error, OSError):
            self.cut_short = True
        return b"".join(parts)


@contextmanager
def _opened(path: str) -> Iterator[IO[bytes]]:
    if path == STANDARD_INPUT:
        if sys.stdin is None:
            raise CaptureError("there is no standard input to read the capture from")
        yield sys.stdin.buffer
        return
    try:
        with Path(path).open("rb") as file:
            yield file
    except OSError as error:
        raise CaptureError(
            f"the capture cannot be read ({error.strerror or error})",
            where=Where(path),
            expected="a candump text file, plain or compressed",
        ) from error


def _size(path: str) -> int | None:
    try:
        return None if path == STANDARD_INPUT else Path(path).stat().st_size
    except OSError:
        return None


def _position(raw: IO[bytes], taken: int) -> int:
    """Give the place in the file; of a pipe, the bytes of text taken from it."""
    try:
        return raw.tell()
    except OSError:
        return taken


def _unpacked(raw: IO[bytes]) -> tuple[IO[bytes], bool]:
    """Give the stream without its compression, told by its first bytes, and whether there was one."""
    beginning = raw.peek(8)[:8]  # type: ignore[attr-defined]
    for mark, kind in PACKED_MARKS:
        if beginning.startswith(mark):
            if kind == "gzip":
                return cast("IO[bytes]", gzip.GzipFile(fileobj=raw)), True
            if kind == "xz":
                return lzma.LZMAFile(raw), True
            return bz2.BZ2File(raw), True
    return raw, False
