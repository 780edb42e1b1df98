"""The marks of a session: kept in the file beside the capture, or until the screens are closed where there is none."""

from __future__ import annotations

from dataclasses import dataclass, field
from threading import Lock
from typing import TYPE_CHECKING

from decoder.discovery.mark_file import add_marks, load_kept, marks_path, new_mark, remove_mark
from decoder.errors import CellgleanError

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from decoder.discovery.marks import Mark

_NO_FILE = "kept only until you close: this capture has no file that marks could stand beside"


@dataclass
class MarkBook:
    """All marks in order of time; `zero_ns` is the capture's first frame; `trouble`: why the file could not be read."""

    path: Path | None
    zero_ns: int
    marks: tuple[Mark, ...] = ()
    trouble: str | None = None
    _unwritten: tuple[Mark, ...] = ()
    _lock: Lock = field(default_factory=Lock, repr=False)

    @classmethod
    def beside(cls, capture: str | None, zero_ns: int) -> MarkBook:
        """Open the marks beside a capture; ``None`` or ``-``: it has no file."""
        if capture is None or capture == "-":
            return cls(None, zero_ns)
        book = cls(marks_path(capture), zero_ns)
        try:
            book._show(load_kept(marks_path(capture), zero_ns))
        except CellgleanError as error:
            book.trouble = str(error)
        return book

    @property
    def moments_ns(self) -> list[int]:
        """The moments of the marks, on the capture's clock, in order."""
        return [self.moment_ns(mark) for mark in self.marks]

    def moment_ns(self, mark: Mark) -> int:
        """Give the moment of a mark, on the capture's clock."""
        return self.zero_ns + round(mark.time_s * 1e9)

    def new(self, moment_ns: int, label: str) -> Mark:
        """Make a mark of a moment. Raises `UsageError` for a label that is none."""
        return new_mark((moment_ns - self.zero_ns) / 1e9, label)

    def add(self, mark: Mark) -> str | None:
        """Keep a mark. Gives what went wrong with the file, ``None`` if nothing did."""
        with self._lock:
            self._unwritten = (*self._unwritten, mark)
            self._show((*self.marks, mark))
            if self.path is None:
                return _NO_FILE
            try:
                self._show(add_marks(self.path, self._unwritten, self.zero_ns))
            except CellgleanError as error:
                return f"kept only until you close: {error}"
            self._unwritten = ()
            return None

    def remove(self, mark: Mark) -> str | None:
        """Take a mark back. Gives what went wrong with the file, ``None`` if nothing did; the mark then stays."""
        with self._lock:
            if mark in self._unwritten:
                self._unwritten = _without(self._unwritten, mark)
                self._show(_without(self.marks, mark))
                return None
            if self.path is None:
                return None
            try:
                kept = remove_mark(self.path, mark, self.zero_ns)
            except CellgleanError as error:
                return str(error)
            self._show((*kept, *self._unwritten))
            return None

    def _show(self, marks: Iterable[Mark]) -> None:
        self.marks = tuple(sorted(marks, key=lambda mark: mark.time_s))


def _without(marks: tuple[Mark, ...], mark: Mark) -> tuple[Mark, ...]:
    number = marks.index(mark)
    return marks[:number] + marks[number + 1 :]
