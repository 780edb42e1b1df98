"""Where what a verb found goes: standard output or the file that --out names, as text or as JSON."""

from __future__ import annotations

import shutil
import sys
from os.path import realpath
from pathlib import Path
from typing import TYPE_CHECKING, Final

from decoder.errors import UsageError

if TYPE_CHECKING:
    import argparse
    from collections.abc import Iterable


# What the options that name files to read are called.
_READ: Final = (
    "capture",
    "second",
    "map",
    "sheet",
    "second_map",
    "second_sheet",
    "against",
    "readings",
    "marks",
    "take",
)


def keep_what_is_read(options: argparse.Namespace) -> None:
    """Refuse an --out that names a file which is read: a capture cannot be made again. Raises `UsageError`."""
    if out := getattr(options, "out", None):
        refuse_what_is_read(options, out)


def refuse_what_is_read(options: argparse.Namespace, target: str | Path, also: Iterable[str | Path] = ()) -> None:
    """Refuse to write to a file that the options name to be read, or one of `also`. Raises `UsageError`."""
    named = [getattr(options, name, None) or () for name in _READ]
    read = [path for paths in named for path in ((paths,) if isinstance(paths, str) else paths)]
    if any(path != "-" and realpath(path) == realpath(target) for path in [*read, *also]):
        raise UsageError(f"{target} is read here", expected="--out with another name")


def add_output(verb: argparse.ArgumentParser) -> None:
    """Add the options --json and --out."""
    verb.add_argument("--json", action="store_true", help="print one JSON object")
    verb.add_argument("--out", metavar="FILE", help="write there instead of to standard output")


def columns(out: str | None, unseen: int) -> int:
    """Give how wide lines may be: as the terminal that they are shown on, else `unseen`."""
    return shutil.get_terminal_size().columns if not out and sys.stdout.isatty() else unseen


def put(text: str, out: str | None) -> None:
    """Write `text` to the file `out`, whole or not at all, or print it. Raises `OutputError`."""
    from decoder.atomic import write_text

    if out:
        write_text(Path(out), text + "\n")
    else:
        print(text)
