"""Output files that are either whole or not there.

The text goes to a file beside the target, which takes the target's place only when all of it is on disk.
"""

from __future__ import annotations

import os
import stat
import tempfile
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING

from decoder.errors import OutputError, Where

if TYPE_CHECKING:
    from collections.abc import Iterator


@contextmanager
def replacing(path: Path) -> Iterator[Path]:
    """Give a temporary path beside `path`; what is written there becomes `path` when the block ends well.

    A block that raises leaves `path` as it was. A device or a named pipe is not replaced: it is written to.
    Raises `OutputError` where the folder cannot be written.
    """
    try:
        target = path.resolve() if path.is_symlink() else path
    except (OSError, RuntimeError) as error:  # RuntimeError: links that run in a ring
        raise _not_writable(path, error) from error
    if _is_device(target):
        with _as_output_error(path):
            yield target
        return
    try:
        # A name of its own: the target's may be as long as names can be.
        handle, name = tempfile.mkstemp(prefix=".cellglean-", dir=target.parent)
        os.close(handle)
    except OSError as error:
        raise _not_writable(path, error) from error
    temporary = Path(name)
    try:
        with _as_output_error(path):
            yield temporary
            with temporary.open("rb") as written:
                os.fsync(written.fileno())
            temporary.chmod(_mode_for(target))
            temporary.replace(target)
    finally:
        with suppress(OSError):
            temporary.unlink(missing_ok=True)


def write_text(path: Path, text: str) -> None:
    """Write `text` as UTF-8 with LF line ends to `path`, whole or not at all."""
    with replacing(path) as temporary:
        temporary.write_bytes(text.encode("utf-8"))


def _mode_for(target: Path) -> int:
    """Give the mode of the file that is replaced, else what the umask grants a new file."""
    try:
        return target.stat().st_mode & 0o7777
    except OSError:
        mask = os.umask(0)
        os.umask(mask)
        return 0o666 & ~mask


@contextmanager
def _as_output_error(path: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise _not_writable(path, error) from error


def _is_device(target: Path) -> bool:
    try:
        mode = target.stat().st_mode
    except OSError:
        return False
    return not (stat.S_ISREG(mode) or stat.S_ISDIR(mode))


def _not_writable(path: Path, error: Exception) -> OutputError:
    return OutputError(
        f"cannot write the file ({getattr(error, 'strerror', None) or error})",
        where=Where(str(path)),
        advice="choose another place with --out, or make the folder writable",
    )
