"""Files of what a person or a meter noted with its time: CSV with a heading, ``time_s,label,...``, RFC 4180.

A time is seconds from the capture's first frame, by the clock of whoever noted it, or a stamp of ISO 8601 such as
2031-04-05T10:20:30.5Z (without a zone: UTC), which is counted from the capture's first frame too.
"""

from __future__ import annotations

import csv
import math
import re
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Final

from decoder.errors import TableError, Where
from decoder.printable import printable

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

# A bench meter's log of a day, ten a second, has 40 MB; what is larger is another file given by mistake.
MOST_BYTES: Final = 100_000_000
_LONGEST_SHOWN: Final = 40
_MOST_S: Final = 9e9  # nanoseconds in 64 bits end after 292 years
_ISO_8601: Final = re.compile(r"\d{4}-\d{2}-\d{2}[T ]\d{2}:\d{2}")


@dataclass(frozen=True, slots=True)
class TimedRow:
    """One row: its line in the file (counted from 1), its time (s), and the cells of the other columns as text."""

    line: int
    time_s: float
    cells: Mapping[str, str]


def read_timed_rows(path: Path, columns: Sequence[str], first_ns: int) -> tuple[TimedRow, ...]:
    """Read a file with the column time_s and `columns`, in any order; more columns are left aside.

    first_ns : the capture's first frame, on its own clock, from which stamps of ISO 8601 are counted

    Raises `TableError` with the line.
    """
    lines = _text(path).splitlines(keepends=True)
    reader = csv.reader(lines, strict=True)
    rows: list[TimedRow] = []
    heading: list[str] | None = None
    try:
        for cells in reader:
            line = reader.line_num
            if not any(cell.strip() for cell in cells):
                continue
            if heading is None:
                heading = _heading(cells, columns, path, line)
                continue
            if len(cells) < len(heading):
                raise _wrong(path, line, f"the row has {len(cells)} cells, the heading {len(heading)}", columns)
            named = dict(zip(heading, (cell.strip() for cell in cells), strict=False))
            time_s = seconds(named["time_s"], first_ns)
            if time_s is None:
                raise _wrong(path, line, f"'{printable(named['time_s'], _LONGEST_SHOWN)}' is no time", columns)
            rows.append(TimedRow(line, time_s, {column: named[column] for column in columns}))
    except csv.Error as error:
        raise _wrong(path, reader.line_num, f"not CSV ({error})", columns) from error
    if heading is None:
        raise _wrong(path, 1, "the file is empty", columns)
    return tuple(rows)


def seconds(text: str, first_ns: int) -> float | None:
    """Give the time that a text tells, in seconds from `first_ns`; ``None`` if it tells none."""
    if _ISO_8601.match(text):
        try:
            stamp = datetime.fromisoformat(text)
        except ValueError:
            return None
        stamp = stamp if stamp.tzinfo is not None else stamp.replace(tzinfo=UTC)
        since = stamp - datetime.fromtimestamp(0, UTC)
        return ((since.days * 86_400 + since.seconds) * 1_000_000 + since.microseconds - first_ns / 1000) / 1e6
    try:
        time_s = float(text)
    except ValueError:
        return None
    return time_s if math.isfinite(time_s) and abs(time_s) < _MOST_S else None


def _heading(cells: Sequence[str], columns: Sequence[str], path: Path, line: int) -> list[str]:
    names = [cell.strip().lower() for cell in cells]
    for column in ("time_s", *columns):
        if names.count(column) != 1:
            raise _wrong(path, line, f"the heading must name the column {column} once", columns)
    return names


def _text(path: Path) -> str:
    try:
        with path.open("rb") as file:
            content = file.read(MOST_BYTES + 1)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise TableError(f"cannot read the file ({reason})", where=Where(str(path)), expected="a CSV file") from error
    if len(content) > MOST_BYTES:
        raise TableError(
            f"the file has more than {MOST_BYTES // 1_000_000} MB", where=Where(str(path)), expected="a CSV file"
        )
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise TableError(
            f"the file is not UTF-8 text (byte {content[error.start]:02X})",
            where=Where(str(path), line),
            expected="CSV as UTF-8",
            advice="save the file as UTF-8",
        ) from error


def _wrong(path: Path, line: int, what: str, columns: Sequence[str]) -> TableError:
    return TableError(
        what,
        where=Where(str(path), line),
        expected=f"a heading time_s,{','.join(columns)}, and times in seconds from the capture's first frame or as "
        "2031-04-05T10:20:30.5Z",
    )
