"""Files that a person made and a program adds to: the old one is kept beside, and one that changed is not written over.

The old file is kept as ``name.bak``, then ``name.bak2`` and so on: an older copy is never written over.
"""

from __future__ import annotations

import os
from contextlib import suppress
from itertools import count
from typing import TYPE_CHECKING

from decoder.atomic import replacing
from decoder.errors import OutputError, Where

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

_ADVICE = "run it again: what is new in the file is then taken into account"


def replace_kept(path: Path, old: bytes | None, new: bytes) -> Path | None:
    """Write `new` to `path`, whole or not at all, and give the path under which the old file is kept.

    Parameters
    ----------
    path : the file; made if it is not there
    old : what stood in it when it was read, ``None`` if it was not there
    new : what is to stand in it

    Raises
    ------
    OutputError
        where the file is no longer what was read, or cannot be written, or the old one cannot be kept
    """
    _must_be(path, old)
    kept = None if old is None else _keep(path, old)
    try:
        with replacing(path) as temporary:
            temporary.write_bytes(new)
            _must_be(path, old)
    except BaseException:
        if kept is not None:
            with suppress(OSError):
                kept.unlink()
        raise
    return kept


def _must_be(path: Path, old: bytes | None) -> None:
    """Raise `OutputError` where the file does not hold `old`."""
    try:
        now = path.read_bytes()
    except FileNotFoundError:
        now = None
    except (OSError, ValueError) as error:
        raise OutputError(f"cannot be read again ({error})", where=Where(str(path)), advice=_ADVICE) from error
    if now == old:
        return
    if old is None:
        what = "the file was made by somebody else meanwhile, and was left as it is"
    elif now is None:
        what = "the file is gone since it was read; nothing was written"
    else:
        what = "the file changed since it was read, and was left as it is"
    raise OutputError(what, where=Where(str(path)), advice=_ADVICE)


def _keep(path: Path, old: bytes) -> Path:
    """Write `old` beside `path` under the first free name."""
    try:
        mode = path.stat().st_mode & 0o7777
        for name in _names(path):
            try:
                handle = os.open(name, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode)
            except FileExistsError:
                continue
            with os.fdopen(handle, "wb") as file:
                file.write(old)
                file.flush()
                os.fsync(file.fileno())
            return name
    except OSError as error:
        raise OutputError(
            f"the old file cannot be kept beside the new one ({error.strerror or error}), so it was left as it is",
            where=Where(str(path)),
            advice="make the folder writable, or name another file",
        ) from error
    raise AssertionError  # the names do not end


def _names(path: Path) -> Iterator[Path]:
    yield path.with_name(f"{path.name}.bak")
    for number in count(2):
        yield path.with_name(f"{path.name}.bak{number}")
