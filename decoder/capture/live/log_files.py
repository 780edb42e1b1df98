"""The files of a recording, one after the other: never over an existing one, whole lines, a full disk outlived.

After capture.log comes capture.0002.log, then capture.0003.log: when the last one has its size or its age.
"""

from __future__ import annotations

import contextlib
import errno
import os
import time
from collections import deque
from pathlib import Path
from typing import TYPE_CHECKING, Final

from decoder.capture.live.syncing import Syncer
from decoder.errors import OutputError, Where
from decoder.printable import printable

if TYPE_CHECKING:
    from collections.abc import Callable

    from decoder.capture.live.disk import Disk
    from decoder.capture.live.event import Kind

MOST_KEPT_FRAMES: Final = 1_000_000  # in memory while the disk is full: some 50 MB, two minutes of a full bus
_AGAIN_S: Final = 1.0
_MOST_NUMBER: Final = 1_000_000
_FULL: Final = {errno.ENOSPC, errno.EDQUOT} if hasattr(errno, "EDQUOT") else {errno.ENOSPC}


class LogFiles:
    """Writes whole lines into one file after the other. For one thread.

    path : the file that is being written
    written, bytes : frames and bytes in all files
    dropped : frames given up, the oldest first, while nothing could be written
    tell : is told of files begun and of a disk that is full and back; may be called from another thread
    """

    def __init__(
        self,
        path: str,
        most_bytes: int | None,
        most_s: float | None,
        disk: Disk,
        tell: Callable[[Kind, str], None],
    ) -> None:
        self.path = path
        self.written = self.bytes = self.dropped = 0
        self._first_path = Path(path)
        self._most_bytes = most_bytes
        self._most_s = most_s
        self._disk = disk
        self._tell = tell
        self._number = 1
        self._file: int | None = None
        self._size = 0
        self._began_s = 0.0
        self._kept: deque[bytes] = deque()
        self._kept_frames = 0
        self._stopped_s: float | None = None  # since when nothing can be written; tried again each second
        self._try_s = 0.0
        self._sync_fails = False
        try:
            self._begin(path)
        except OSError as error:
            raise _cannot_begin(path, error) from error
        self._syncer = Syncer(disk, self._synced)
        self._syncer.change(self._file)

    def put(self, lines: bytes) -> None:
        """Write whole lines, or keep them until they can be written. Without lines, try to write what is kept."""
        if lines:
            self._kept.append(lines)
            self._kept_frames += lines.count(b"\n")
            self._bound_memory()
        if self._kept and (self._stopped_s is None or time.monotonic() >= self._try_s):
            self._write_kept()

    def finish(self) -> None:
        """Write what is kept, bring all to the disk and close it; what cannot be written is counted as dropped."""
        self._try_s = 0.0
        self.put(b"")
        if self._kept_frames:
            self.dropped += self._kept_frames
            self._tell("disk-full", f"{self._kept_frames} frames could not be written any more and are lost")
            self._kept.clear()
            self._kept_frames = 0
        self._syncer.finish()

    def _bound_memory(self) -> None:
        while self._kept_frames > MOST_KEPT_FRAMES and len(self._kept) > 1:
            frames = self._kept.popleft().count(b"\n")
            self._kept_frames -= frames
            self.dropped += frames

    def _write_kept(self) -> None:
        try:
            while self._kept:
                self._write_some()
        except OSError as error:
            self._stop(error)
            return
        if self._stopped_s is not None:
            lost = f"; {self.dropped} frames in all were lost" if self.dropped else "; no frame was lost"
            gone_s = time.monotonic() - self._stopped_s
            self._stopped_s = None
            self._tell("disk-back", f"recording goes on in {self._shown_path()} after {gone_s:.0f} s{lost}")

    def _write_some(self) -> None:
        """Write from the oldest lines what fits into the file; raise `OSError` where the disk takes no more."""
        lines = self._kept[0]
        if self._file is None or self._is_old() or self._room(lines) == 0:
            self._next()
        part = lines[: self._room(lines)]
        done = 0
        try:
            while done < len(part):
                done += self._written(part[done:])
        finally:
            self._account(lines, done)

    def _written(self, text: bytes) -> int:
        """Write as much as there is room for. Of too little room only the next call says why."""
        assert self._file is not None
        count = self._disk.write(self._file, text)
        if not count:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return count

    def _account(self, lines: bytes, done: int) -> None:
        """Count and forget the whole lines among the first `done` bytes written; cut off what is behind them."""
        assert self._file is not None
        whole = lines.rfind(b"\n", 0, done) + 1
        frames = lines.count(b"\n", 0, whole)
        self.bytes += whole
        self.written += frames
        self._kept_frames -= frames
        if whole == len(lines):
            self._kept.popleft()
        else:
            self._kept[0] = lines[whole:]
        self._size += whole
        if whole < done:
            self._disk.cut(self._file, self._size)

    def _room(self, lines: bytes) -> int:
        """Give how many bytes of whole lines the file still takes; an empty one takes a line in any case."""
        if self._most_bytes is None or self._size + len(lines) <= self._most_bytes:
            return len(lines)
        fits = lines.rfind(b"\n", 0, max(self._most_bytes - self._size, 0)) + 1
        return fits or (0 if self._size else lines.find(b"\n") + 1)

    def _is_old(self) -> bool:
        return self._most_s is not None and self._size > 0 and time.monotonic() - self._began_s >= self._most_s

    def _next(self) -> None:
        """Begin the file of the next free number."""
        for number in range(self._number + 1, _MOST_NUMBER):
            name = f"{self._first_path.stem}.{number:04d}{self._first_path.suffix}"
            try:
                self._begin(str(self._first_path.with_name(name)))
            except FileExistsError:
                continue
            self._number = number
            self._syncer.change(self._file)
            return
        raise OSError(errno.EEXIST, "no number is left for another file")

    def _begin(self, path: str) -> None:
        self._file = self._disk.begin(path)
        self.path = path
        self._size = 0
        self._began_s = time.monotonic()
        self._tell("file", f"recording to {self._shown_path()}")

    def _stop(self, error: OSError) -> None:
        """Remember and tell that nothing can be written; where it is more than a full disk, leave the file."""
        was_begun = self._size > 0
        if error.errno not in _FULL:
            self._leave()
        if error.errno == errno.EFBIG and was_begun:
            return  # the file system takes no larger file: the next one is begun at once
        now_s = time.monotonic()
        self._try_s = now_s + _AGAIN_S
        if self._stopped_s is None:
            self._stopped_s = now_s
            self._tell(
                "disk-full",
                f"{self._shown_path()} cannot be written: {_said(error)}; make room, the newest {MOST_KEPT_FRAMES} "
                "frames are kept in memory",
            )

    def _leave(self) -> None:
        """Write no more to the file; another is begun when there is something to write."""
        if self._file is None:
            return
        self._file = None
        self._syncer.change(None)
        if not self._size:
            with contextlib.suppress(OSError):
                self._disk.remove(self.path)
        self._size = 0

    def _synced(self, error: OSError | None) -> None:
        """Tell once that the disk refuses what was written, and once that it does so no more."""
        if error is not None and not self._sync_fails:
            said = f"the disk did not take what was written last to {self._shown_path()}: {_said(error)}"
            self._tell("disk-full", said + "; some of it may be lost")
        if error is None and self._sync_fails:
            self._tell("disk-back", "the disk takes what is written")
        self._sync_fails = error is not None

    def _shown_path(self) -> str:
        return printable(self.path)


def _said(error: OSError) -> str:
    return printable(error.strerror or str(error) or type(error).__name__)


def _cannot_begin(path: str, error: OSError) -> OutputError:
    if isinstance(error, FileExistsError):
        return OutputError(
            "the file is there already and is not written over",
            where=Where(printable(path)),
            advice="name another file",
        )
    return OutputError(f"the file cannot be made: {_said(error)}", where=Where(printable(path)))
