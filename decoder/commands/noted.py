"""What a person noted beside a capture, as the command line takes it: readings and marks, from files and typed.

Their times count from the first frame of the whole capture, also where only a part of it is looked at.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from decoder.commands.options import load_frames
from decoder.errors import TableError, UsageError, Where

if TYPE_CHECKING:
    from decoder.discovery.marks import Mark
    from decoder.discovery.readings import Reading
    from decoder.frames import Frames

_NOTES_ENDING = ".toml"


def add_readings(verb: argparse.ArgumentParser) -> None:
    """Add the options for readings."""
    verb.add_argument(
        "--readings",
        action="append",
        default=[],
        metavar="FILE",
        help="readings of a meter: CSV time_s,label,value,unit; may be given several times",
    )
    verb.add_argument(
        "--reading",
        action="append",
        default=[],
        metavar="TEXT",
        help='one reading, such as "t=12.5 module 4 cell 11 3.642 V"; may be given several times',
    )


def add_marks(verb: argparse.ArgumentParser, example: str) -> None:
    """Add the options for marks; `example` is the label in the help."""
    verb.add_argument("--marks", action="append", default=[], metavar="FILE", help="CSV of marks, or kept notes")
    verb.add_argument(
        "--mark", action="append", default=[], metavar="TEXT", help=f'one mark, such as "t=12.5 {example}"'
    )


def whole_and_part(options: argparse.Namespace) -> tuple[Frames, int]:
    """Read the capture; give the part of it that was asked for, and the first frame of the whole (ns)."""
    whole = load_frames(argparse.Namespace(**{**vars(options), "from_s": None, "to_s": None}))
    first_ns = int(whole.time_ns[0]) if len(whole) else 0
    if options.from_s is None and options.to_s is None:
        return whole, first_ns
    time_s = (whole.time_ns - first_ns) / 1e9
    start = -float("inf") if options.from_s is None else options.from_s
    end = float("inf") if options.to_s is None else options.to_s
    return whole.take((time_s >= start) & (time_s < end)), first_ns


def first_of_whole(options: argparse.Namespace) -> int | None:
    """Give the first frame of the whole capture (ns) where only a part from later on is looked at, else ``None``."""
    if options.from_s is None:
        return None
    from decoder.capture.read import read_blocks

    blocks = read_blocks(options.capture, bus=options.bus)
    return next((int(part.time_ns[0]) for part in blocks if len(part)), None)


def readings_of(options: argparse.Namespace, first_ns: int) -> tuple[Reading, ...]:
    """Read all readings. Raises errors of the family, also for files that hold none."""
    from decoder.discovery.readings import load_readings, parse_reading

    readings = [one for name in options.readings for one in load_readings(Path(name), first_ns)]
    readings += [parse_reading(text, first_ns) for text in options.reading]
    if options.readings and not readings:
        raise UsageError("the files of readings hold none", expected="rows such as 12.5,cell 7 voltage,3.642,V")
    return tuple(readings)


def marks_of(options: argparse.Namespace, first_ns: int) -> tuple[Mark, ...]:
    """Read all marks. Raises errors of the family, also for files that hold none."""
    from decoder.discovery.marks import load_marks, parse_mark

    marks: list[Mark] = []
    for name in options.marks:
        path = Path(name)
        marks += _from_notes(path) if path.suffix.lower() == _NOTES_ENDING else load_marks(path, first_ns)
    marks += [parse_mark(text, first_ns) for text in options.mark]
    if options.marks and not marks:
        raise UsageError("the files of marks hold none", advice="note a moment and what was done: 12.5,plug pulled")
    return tuple(marks)


def _from_notes(path: Path) -> list[Mark]:
    """Take the notes that are about a moment as marks."""
    from decoder.discovery.marks import Mark
    from decoder.judgement.notes import load_notes

    if not path.is_file():
        raise TableError("there is no such file", where=Where(str(path)), expected="a CSV of marks, or kept notes")
    notes = [(note.time_s, " ".join(note.text.split())) for note in load_notes(path)]
    return [Mark(time_s, text) for time_s, text in notes if time_s is not None and text]
