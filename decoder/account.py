"""What became of every line of a capture, and what is odd about its time stamps."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from collections.abc import Mapping

# utc: seconds since 1970; local: dates and times without zone, taken as if UTC; relative: since the first line or
# since a zero of the recorder; summed: differences between lines, added up; counted: no stamps, 1 ms a frame.
TimeBase = Literal["utc", "local", "relative", "summed", "counted"]


@dataclass(frozen=True, slots=True)
class SkippedLine:
    """A line that could not be read: its file, its number from 1, and why, in plain words."""

    path: str
    line: int
    reason: str


@dataclass(frozen=True, slots=True)
class TimeFault:
    """A place where time is odd: at which line, what (`backwards`, `gap`), and by how much in nanoseconds."""

    path: str
    line: int
    kind: Literal["backwards", "gap"]
    by_ns: int


@dataclass(frozen=True, slots=True)
class Account:
    """The account of a capture: ``frames + notes + skipped + blank == lines``, always.

    Notes are lines that carry no frame by design: drop notices, detail lines of error frames, CAN XL frames,
    comments. `skipped_lines` and `time_faults` hold the first 1000 each; the counts are of all.
    """

    paths: tuple[str, ...] = ()
    lines: int = 0
    frames: int = 0
    notes: int = 0
    skipped: int = 0
    blank: int = 0
    notes_by_kind: Mapping[str, int] = field(default_factory=dict)
    skipped_reasons: Mapping[str, int] = field(default_factory=dict)
    skipped_lines: tuple[SkippedLine, ...] = ()
    time_bases: tuple[TimeBase, ...] = ()
    backwards: int = 0
    gaps: int = 0
    duplicate_stamps: int = 0
    time_faults: tuple[TimeFault, ...] = ()
    remarks: tuple[str, ...] = ()

    def adds_up(self) -> bool:
        """Tell whether every line is accounted for."""
        return self.frames + self.notes + self.skipped + self.blank == self.lines
