"""Marks: moments with a label at which something was done, from a CSV ``time_s,label`` or typed as one text.

A mark is noted by a person: up to 2 s late or early.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from decoder.discovery.timed_rows import read_timed_rows, seconds
from decoder.errors import TableError, UsageError, Where
from decoder.printable import printable

if TYPE_CHECKING:
    from pathlib import Path

_TIME: Final = re.compile(r"\s*t\s*=\s*(\S+)\s+(\S.*)", re.DOTALL)
_LONGEST_SHOWN: Final = 60
_LONGEST_LABEL: Final = 200
_EXAMPLE: Final = "t=12.5 plug pulled"


@dataclass(frozen=True, slots=True)
class Mark:
    """One mark: when (s from the capture's first frame), and what was done."""

    time_s: float
    label: str


def load_marks(path: Path, first_ns: int) -> tuple[Mark, ...]:
    """Read a CSV of marks, in the order of the file.

    first_ns : the capture's first frame, on its own clock, from which stamps of ISO 8601 are counted

    Raises `TableError` with the line.
    """
    marks = []
    for row in read_timed_rows(path, ("label",), first_ns):
        try:
            marks.append(Mark(row.time_s, clean_label(row.cells["label"])))
        except ValueError as error:
            raise TableError(
                str(error), where=Where(str(path), row.line), expected="rows such as 12.5,plug pulled"
            ) from error
    return tuple(marks)


def parse_mark(text: str, first_ns: int = 0) -> Mark:
    """Read a typed mark such as ``t=12.5 plug pulled``: time, label. Raises `UsageError`."""
    found = _TIME.fullmatch(text)
    time_s = seconds(found[1], first_ns) if found else None
    if found is None or time_s is None:
        raise _wrong(text, "the mark has no time with a label behind it")
    try:
        return Mark(time_s, clean_label(found[2]))
    except ValueError as error:
        raise _wrong(text, str(error)) from error


def clean_label(text: str) -> str:
    """Give a label with single blanks. Raises `ValueError` for one that is empty or too long."""
    label = " ".join(text.split())
    if not label:
        raise ValueError("the mark has no label")
    if len(label) > _LONGEST_LABEL:
        raise ValueError(f"the label has more than {_LONGEST_LABEL} characters")
    return label


def _wrong(text: str, what: str) -> UsageError:
    return UsageError(f"'{printable(text, _LONGEST_SHOWN)}': {what}", expected=f"a mark such as {_EXAMPLE}")
