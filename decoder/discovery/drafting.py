"""Meanings written into a signal map and a pack sheet, new ones or such as are there already.

Nothing that stands in the files is lost or changed; the old ones are kept beside the new ones.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from decoder.discovery.draft_messages import messages_of
from decoder.maps.dbc_add import extension
from decoder.maps.dbc_file import parse_map
from decoder.maps.dbc_text import decode_text
from decoder.maps.kept_file import replace_kept
from decoder.maps.signal_map import SignalMap

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from decoder.discovery.field_at import StreamKey
    from decoder.discovery.meaning import Meaning
    from decoder.maps.dbc_additions import Extended


@dataclass(frozen=True, slots=True)
class Added:
    """A meaning that became a channel; `meaning` is ``None`` for a multiplexor that others needed.

    note : why it has another name than wished; empty where it has that
    """

    meaning: Meaning | None
    message: str
    channel: str
    note: str = ""


@dataclass(frozen=True, slots=True)
class Skipped:
    """A meaning that was not added, and why; `is_there`: the map has a channel on the same bits."""

    meaning: Meaning | None
    reason: str
    is_there: bool = False


@dataclass(frozen=True, slots=True)
class Drafted:
    """What drafting did, or would do.

    map_lines, sheet_lines : the lines added to each file
    map_backup, sheet_backup : where the old files are kept, ``None`` where none was there or nothing was written
    """

    added: tuple[Added, ...]
    skipped: tuple[Skipped, ...]
    map_lines: tuple[str, ...] = ()
    sheet_lines: tuple[str, ...] = ()
    map_backup: Path | None = None
    sheet_backup: Path | None = None


def draft(
    meanings: Iterable[Meaning],
    map_path: str | Path,
    sheet_path: str | Path | None = None,
    capture_name: str = "",
    *,
    lengths: Mapping[StreamKey, int] | None = None,
    write: bool = True,
) -> Drafted:
    """Write meanings into a signal map and a pack sheet.

    Parameters
    ----------
    meanings : what the fields mean, in the order in which names are given
    map_path, sheet_path : the files; they are made where they are not there
    capture_name : the capture's file name, for the comments
    lengths : payload bytes of each stream, where they are known
    write : without it, only what would be done is told

    Raises
    ------
    MapError, SheetError
        where a file cannot be read or cannot be added to
    OutputError
        where it cannot be written, or changed since it was read
    """
    meanings = tuple(meanings)
    path = Path(map_path)
    known = parse_map(decode_text(path.read_bytes()).text, str(path)) if path.is_file() else SignalMap()
    wanted = messages_of(meanings, known, Path(capture_name).name, lengths)
    extended, old = extension(path, wanted.messages)
    added, skipped = _told(extended, wanted.meanings)
    skipped += [Skipped(meaning, reason) for meaning, reason in wanted.refused]
    backup = replace_kept(path, old, extended.raw) if write and extended.lines else None
    return Drafted(tuple(added), tuple(skipped), extended.lines, map_backup=backup)


def _told(extended: Extended, meanings: Mapping[int, tuple[Meaning, object]]) -> tuple[list[Added], list[Skipped]]:
    """Sort what became of the signals."""
    added, skipped = [], []
    for one in extended.outcomes:
        meaning, _ = meanings.get(id(one.signal), (None, None))
        if one.kind == "added":
            added.append(Added(meaning, one.message, one.name, one.reason))
        elif meaning is not None:
            skipped.append(Skipped(meaning, one.reason, one.kind == "there"))
    return added, skipped
