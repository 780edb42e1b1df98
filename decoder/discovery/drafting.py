"""Meanings written into a signal map and a pack sheet, new ones or such as are there already.

Nothing that stands in the files is lost or changed; the old ones are kept beside the new ones.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from decoder.discovery.drafts.draft_messages import messages_of
from decoder.discovery.drafts.sheet_rules import NewChannel, needed_rules
from decoder.maps.dbc_add import extension
from decoder.maps.dbc_file import parse_map
from decoder.maps.dbc_text import decode_text
from decoder.maps.kept_file import replace_kept
from decoder.maps.patterns import literal
from decoder.maps.sheet_add import PackFacts, SheetText, read_or_new, with_additions
from decoder.maps.sheet_file import parse_sheet
from decoder.maps.signal_map import SignalMap

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from decoder.discovery.drafts.channel_names import ChannelName
    from decoder.discovery.field_at import StreamKey
    from decoder.discovery.meaning import Meaning
    from decoder.maps.dbc_additions import Extended, NewSignal
    from decoder.maps.signal_map import Signal


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
    notes : where the sheet goes on saying something else than was drafted
    """

    added: tuple[Added, ...]
    skipped: tuple[Skipped, ...]
    map_lines: tuple[str, ...] = ()
    sheet_lines: tuple[str, ...] = ()
    map_backup: Path | None = None
    sheet_backup: Path | None = None
    notes: tuple[str, ...] = ()


def draft(
    meanings: Iterable[Meaning],
    map_path: str | Path,
    sheet_path: str | Path | None = None,
    capture_name: str = "",
    *,
    lengths: Mapping[StreamKey, int] | None = None,
    facts: PackFacts | None = None,
    write: bool = True,
) -> Drafted:
    """Write meanings into a signal map and a pack sheet.

    Parameters
    ----------
    meanings : what the fields mean, in the order in which names are given
    map_path, sheet_path : the files; they are made where they are not there
    capture_name : the capture's file name, for the comments
    lengths : payload bytes of each stream, where they are known
    facts : what became known of the pack, for the sheet
    write : without it, only what would be done is told

    Raises
    ------
    MapError, SheetError
        where a file cannot be read or cannot be added to
    OutputError
        where it cannot be written, or changed since it was read
    """
    path = Path(map_path)
    known = parse_map(decode_text(path.read_bytes()).text, str(path)) if path.is_file() else SignalMap()
    wanted = messages_of(tuple(meanings), known, Path(capture_name).name, lengths)
    extended, old = extension(path, wanted.messages)
    added, skipped = _told(extended, wanted.meanings)
    skipped += [Skipped(meaning, reason) for meaning, reason in wanted.refused]
    sheet: SheetText | None = None
    notes: tuple[str, ...] = ()
    if sheet_path is not None:
        sheet, notes = _sheet(Path(sheet_path), extended, wanted.meanings, facts or PackFacts())
    map_backup = sheet_backup = None
    if write and extended.lines:
        map_backup = replace_kept(path, old, extended.raw)
    if write and sheet is not None and sheet.lines:
        sheet_backup = replace_kept(Path(sheet_path or ""), sheet.old, sheet.text.encode("utf-8"))
    sheet_lines = sheet.lines if sheet is not None else ()
    return Drafted(tuple(added), tuple(skipped), extended.lines, sheet_lines, map_backup, sheet_backup, notes)


def _sheet(
    path: Path, extended: Extended, meanings: Mapping[int, tuple[Meaning, ChannelName]], facts: PackFacts
) -> tuple[SheetText, tuple[str, ...]]:
    """Give the sheet with rules for the channels that were added, and what it says otherwise.

    A channel that the map had before, alike, gets one too, where nothing else says what it is.
    """
    sheet, old = read_or_new(path)
    signal_map = parse_map(decode_text(extended.raw).text)
    signals = {signal.name: signal for message in signal_map.messages for signal in message.signals}
    channels = []
    for one in extended.outcomes:
        meaning, named = meanings.get(id(one.signal), (None, None))
        if meaning is None or named is None or one.kind == "refused" or meaning.quantity is None:
            continue
        there = signals.get(one.name)
        if one.kind == "there" and (there is None or _conversion(there) != _conversion(one.signal)):
            continue
        pattern = named.pattern if one.name == named.name else literal(one.name)
        channels.append(NewChannel(one.name, pattern, meaning.quantity, meaning.place, one.kind == "there"))
    missing = facts.missing_in(sheet)
    known = parse_sheet(with_additions(sheet, old, (), missing).text, str(path)) if missing else sheet
    rules, notes = needed_rules(channels, signal_map, known)
    if not rules and not missing:
        return SheetText((old or b"").decode("utf-8"), (), old), notes
    return with_additions(sheet, old, rules, missing), notes


def _conversion(one: Signal | NewSignal) -> tuple[object, float, float]:
    return one.field, one.scale, one.offset


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
