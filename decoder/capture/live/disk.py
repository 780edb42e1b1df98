"""What is done with files while recording, in one place, so that a disk that fails can be put in its stead."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Final

# Always at the end of the file, and never a file that is there already.
_NEW: Final = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_APPEND | getattr(os, "O_BINARY", 0)
_MODE: Final = 0o644


class Disk:
    """The computer's own files. All but `close` may raise `OSError`."""

    def begin(self, path: str) -> int:
        """Make a new file and give its descriptor. Raises `FileExistsError` if there is one of that name."""
        return os.open(path, _NEW, _MODE)

    def write(self, file: int, text: bytes) -> int:
        """Write at the end, as much as there is room for; give how many bytes that was."""
        return os.write(file, text)

    def cut(self, file: int, size: int) -> None:
        """Cut the file off behind `size` bytes."""
        os.ftruncate(file, size)

    def sync(self, file: int) -> None:
        """Wait until all that was written is on the disk itself."""
        os.fsync(file)

    def remove(self, path: str) -> None:
        """Remove a file that nothing was written to."""
        Path(path).unlink()

    def close(self, file: int) -> None:
        """Let the file go."""
        os.close(file)
