"""Bringing files to the disk itself, in a thread of its own: a slow disk keeps nobody else waiting."""

from __future__ import annotations

import contextlib
import threading
from collections import deque
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Callable

    from decoder.capture.live.disk import Disk

_EVERY_S: Final = 0.4  # so that no more than half a second is not on the disk


class Syncer:
    """Syncs the file that is written, and syncs and closes those that were.

    told : is called in the thread with `None` after each sync that went well, else with the error
    """

    def __init__(self, disk: Disk, told: Callable[[OSError | None], None]) -> None:
        self._disk = disk
        self._told = told
        self._current: int | None = None
        self._done: deque[int] = deque()
        self._end = threading.Event()
        self._thread = threading.Thread(target=self._run, name="recording to disk", daemon=True)
        self._thread.start()

    def change(self, file: int | None) -> None:
        """Sync this file from now on; the one before is closed when it is on the disk."""
        before, self._current = self._current, file
        if before is not None:
            self._done.append(before)

    def finish(self) -> None:
        """Bring everything to the disk, close it, and end."""
        self.change(None)
        self._end.set()
        self._thread.join()

    def _run(self) -> None:
        while not self._end.wait(_EVERY_S):
            self._close_done()
            if self._current is not None:
                self._sync(self._current)
        self._close_done()

    def _close_done(self) -> None:
        while self._done:
            file = self._done.popleft()
            self._sync(file)
            with contextlib.suppress(OSError):
                self._disk.close(file)

    def _sync(self, file: int) -> None:
        try:
            self._disk.sync(file)
        except OSError as error:
            self._told(error)
        else:
            self._told(None)
