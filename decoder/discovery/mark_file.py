"""Marks kept beside a capture, same name, ending in ``.marks.csv``: ``time_s,label``, as `load_marks` reads them.

Times are seconds from the capture's first frame. What stands in the file stays as it is, more columns and stamps of
ISO 8601 too; the file is written whole or not at all.
"""

from __future__ import annotations

import csv
import io
from pathlib import Path
from typing import TYPE_CHECKING, Final

from decoder.atomic import write_text
from decoder.discovery.marks import Mark, clean_label, load_marks
from decoder.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

_HEADING: Final = ("time_s", "label")


def marks_path(capture: str | Path) -> Path:
    """Give the place of the marks of a capture."""
    path = Path(capture)
    return path.with_name(path.name + ".marks.csv")


def new_mark(time_s: float, label: str) -> Mark:
    """Make a mark as the file can hold it: to a microsecond, in text that UTF-8 can say. Raises `UsageError`."""
    try:
        cleaned = clean_label(label.encode("utf-8", "backslashreplace").decode("utf-8"))
    except ValueError as error:
        raise UsageError(str(error), expected="a few words, such as plug pulled") from error
    return Mark(round(time_s, 6), cleaned)


def load_kept(path: Path, first_ns: int) -> tuple[Mark, ...]:
    """Read the marks kept in `path`; none if there is no file, or nothing in it. Raises `TableError` with the line."""
    return () if _is_new(path) else load_marks(path, first_ns)


def add_marks(path: Path, marks: Sequence[Mark], first_ns: int) -> tuple[Mark, ...]:
    """Write marks behind those that the file holds; give all. Raises `TableError`, `OutputError`; nothing is then lost.

    first_ns : the capture's first frame, on its own clock
    """
    kept, rows = load_kept(path, first_ns), _rows(path)
    heading = [cell.strip().lower() for cell in next((row for row in rows if _is_filled(row)), _HEADING)]
    for mark in marks:
        cells = {"time_s": f"{mark.time_s:.6f}", "label": mark.label}
        rows.append([cells.get(column, "") for column in heading])
    _write(path, rows)
    return (*kept, *marks)


def remove_mark(path: Path, mark: Mark, first_ns: int) -> tuple[Mark, ...]:
    """Take a mark out of the file, of equal ones the last; give those that stay. Raises `TableError`, `OutputError`."""
    kept, rows = load_kept(path, first_ns), _rows(path)
    if mark not in kept:
        return kept
    number = len(kept) - 1 - kept[::-1].index(mark)
    del rows[[at for at, row in enumerate(rows) if _is_filled(row)][number + 1]]  # the first one is the heading
    _write(path, rows)
    return kept[:number] + kept[number + 1 :]


def _is_new(path: Path) -> bool:
    try:
        return path.stat().st_size == 0
    except FileNotFoundError:
        return True
    except (OSError, ValueError):
        return False


def _rows(path: Path) -> list[list[str]]:
    """Give the rows of a file that `load_kept` could read, the heading too."""
    if _is_new(path):
        return [list(_HEADING)]
    return list(csv.reader(path.read_bytes().decode("utf-8-sig").splitlines(keepends=True), strict=True))


def _is_filled(row: Sequence[str]) -> bool:
    return any(cell.strip() for cell in row)


def _write(path: Path, rows: Sequence[Sequence[str]]) -> None:
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerows(rows)
    write_text(path, text.getvalue())
