"""The one family of errors, and the faults that are reported without stopping.

    CellgleanError            anything a user can put right; the command line ends with status 2
    |-- CaptureError          a capture that cannot be read
    |-- MapError              a signal map (DBC) that cannot be read
    |-- SheetError            a pack sheet (TOML) that cannot be used
    |-- TableError            readings or marks (CSV) that cannot be used
    |-- WorkError             saved work of the bench that cannot be read
    |-- ChannelError          a channel that is not there
    |-- OutputError           a file that cannot be written
    `-- UsageError            arguments that cannot be used together

Each error takes facts and builds its own text: what is wrong, where, what was expected, what to do.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Where:
    """A place in a file: path as given by the user, line and byte counted from 1, each ``None`` if unknown."""

    path: str | None = None
    line: int | None = None
    byte: int | None = None

    def __str__(self) -> str:
        parts = [self.path or "input"]
        if self.line is not None:
            parts.append(f"line {self.line}")
        if self.byte is not None:
            parts.append(f"byte {self.byte}")
        return ", ".join(parts)


@dataclass(frozen=True, slots=True)
class Fault:
    """Something wrong in a file that was read all the same: where, what, and what was done about it."""

    where: Where
    what: str
    done: str

    def __str__(self) -> str:
        return f"{self.where}: {self.what}; {self.done}"


class CellgleanError(Exception):
    """Something the user can put right.

    Parameters
    ----------
    what : what is wrong, as a sentence without full stop
    where : the file, line and byte, if there is such a place
    expected : what would have been right
    advice : what to do now
    """

    def __init__(
        self,
        what: str,
        *,
        where: Where | None = None,
        expected: str | None = None,
        advice: str | None = None,
    ) -> None:
        self.what = what
        self.where = where
        self.expected = expected
        self.advice = advice
        super().__init__(self._text())

    def _text(self) -> str:
        lines = [f"{self.where}: {self.what}" if self.where else self.what]
        if self.expected:
            lines.append(f"expected: {self.expected}")
        if self.advice:
            lines.append(f"to do: {self.advice}")
        return "\n".join(lines)


class CaptureError(CellgleanError):
    """A capture that cannot be read."""


class MapError(CellgleanError):
    """A signal map that cannot be read."""


class SheetError(CellgleanError):
    """A pack sheet that cannot be used."""


class TableError(CellgleanError):
    """A file of readings or marks that cannot be used."""


class WorkError(CellgleanError):
    """Saved work of the bench that cannot be read."""


class ChannelError(CellgleanError):
    """A channel that is not there."""


class OutputError(CellgleanError):
    """A file that cannot be written."""


class UsageError(CellgleanError):
    """Arguments that cannot be used, or not together."""
