"""What the user marked: channels and moments out of range, with a note. Kept in a TOML file beside the capture.

    [[notes]]
    channel = "Cell_4_07_V"     # or left out: the note is about the whole pack at this moment
    time_s = 41.2               # from the capture's first frame; left out: the note is about the whole capture
    text = "reads low on the meter too"
    severity = "caution"        # notice, caution, warning or danger

The file is read and written whole.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import tomlkit

from decoder.atomic import write_text
from decoder.errors import SheetError, Where
from decoder.judgement.finding import Severity

# Nanoseconds since 1970 in 64 bits end after 292 years.
_MOST_S = 9e9
_KEYS: dict[str, type | tuple[type, ...]] = {"channel": str, "time_s": (int, float), "text": str, "severity": str}


@dataclass(frozen=True, slots=True)
class Note:
    """One mark of the user: text, and what it is about."""

    text: str
    channel: str | None = None
    time_s: float | None = None
    severity: Severity = Severity.CAUTION


def notes_path(capture: str | Path) -> Path:
    """Give the place of the notes of a capture: beside it, same name, ending in ``.notes.toml``."""
    path = Path(capture)
    return path.with_name(path.name + ".notes.toml")


def load_notes(path: Path) -> tuple[Note, ...]:
    """Read the notes; none if there is no file. Raises `SheetError` for a file that is not one of notes."""
    try:
        entries = tomllib.loads(path.read_text("utf-8")).get("notes", [])
    except FileNotFoundError:
        return ()
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise SheetError(
            f"the notes cannot be read ({error})",
            where=Where(str(path)),
            expected="a TOML file with [[notes]] entries",
            advice="mend the file, or move it away to begin anew",
        ) from error
    if not isinstance(entries, list):
        entries = [entries]
    return tuple(_note(entry, number, path) for number, entry in enumerate(entries, start=1))


def _note(entry: Any, number: int, path: Path) -> Note:  # noqa: ANN401  (whatever the file holds)
    good = (
        isinstance(entry, dict)
        and "text" in entry
        and entry.keys() <= _KEYS.keys()
        and all(isinstance(value, _KEYS[key]) and not isinstance(value, bool) for key, value in entry.items())
        and abs(entry.get("time_s", 0)) < _MOST_S  # also refuses what is not a number
    )
    if not good:
        raise SheetError(
            f"entry {number} of the notes is not a note",
            where=Where(str(path)),
            expected="text, and if wanted channel and time_s (a number)",
        )
    time_s = entry.get("time_s")
    word = entry.get("severity", Severity.CAUTION.word)
    try:
        severity = Severity[word.upper()]
    except KeyError:
        raise SheetError(
            f"entry {number} of the notes has an unknown severity",
            where=Where(str(path)),
            expected="one of " + ", ".join(known.word for known in Severity),
        ) from None
    return Note(entry["text"], entry.get("channel"), None if time_s is None else float(time_s), severity)


def save_notes(path: Path, notes: tuple[Note, ...]) -> None:
    """Write all notes, whole or not at all. Raises `OutputError`."""
    document = tomlkit.document()
    document.add(tomlkit.comment("Notes to the capture beside this file: what the user marked."))
    entries = tomlkit.aot()
    for note in notes:
        table = tomlkit.table()
        if note.channel is not None:
            table.add("channel", _encodable(note.channel))
        if note.time_s is not None:
            table.add("time_s", note.time_s)
        table.add("text", _encodable(note.text))
        table.add("severity", note.severity.word)
        entries.append(table)
    document.add("notes", entries)
    write_text(path, tomlkit.dumps(document))


def _encodable(text: str) -> str:
    """Give text that UTF-8 can hold: half of a surrogate pair, as from a broken terminal, is written out."""
    return text.encode("utf-8", "backslashreplace").decode("utf-8")
