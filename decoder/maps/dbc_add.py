"""Messages and signals added to a DBC file, of which nothing is lost: its bytes stay, lines are put between them.

What could only be added by changing a line is refused, signal by signal. Before anything is written, the result is
read again and held against what it must say: all that was there, what was added, and no fault that was not there.
"""

from __future__ import annotations

import codecs
import re
from collections import Counter
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from decoder.errors import MapError, Where
from decoder.maps.dbc_additions import Extended, Outcome
from decoder.maps.dbc_file import parse_map
from decoder.maps.dbc_insert import Places, indent_of, inserted
from decoder.maps.dbc_lines import (
    KEYWORDS_ADDED,
    NEW_FILE,
    carriage_lines,
    comment_line,
    labels_line,
    message_line,
    pages_line,
    signal_line,
)
from decoder.maps.dbc_mend import mend
from decoder.maps.dbc_pages import settle_pages
from decoder.maps.dbc_room import Refused, Room, message_for, new_draft_message
from decoder.maps.dbc_text import DbcText, decode_text, read_text
from decoder.maps.kept_file import replace_kept
from decoder.printable import printable

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from decoder.maps.dbc_additions import NewMessage
    from decoder.maps.dbc_draft import DraftMap, DraftMessage, DraftSignal
    from decoder.maps.signal_map import Signal, SignalMap

_BYTES = "latin-1"  # one character a byte: text that is cut at line ends and joined again without loss
_WIDE_MARKS = {"utf-16-le": codecs.BOM_UTF16_LE, "utf-16-be": codecs.BOM_UTF16_BE}
_LINE_NUMBER = re.compile(r"line \d+")


def add_to_file(path: str | Path, messages: Sequence[NewMessage]) -> tuple[Extended, Path | None]:
    """Add messages and signals to the DBC file at `path`, or make it; give what was done and where the old file is.

    Nothing is written where nothing is added. Raises `MapError` where the file cannot be read or cannot be added to,
    `OutputError` where it cannot be written or is no longer what was read.
    """
    path = Path(path)
    extended, old = extension(path, messages)
    if not extended.lines:
        return extended, None
    return extended, replace_kept(path, old, extended.raw)


def extension(path: Path, messages: Sequence[NewMessage]) -> tuple[Extended, bytes | None]:
    """Give what adding would make of the file at `path`, and what it holds now (``None``: it is not there)."""
    if not path.exists() and not path.is_symlink():
        return extended_map(b"", messages, str(path)), None
    read_text(str(path))  # refuses what is no map: packed, too large, not readable
    old = path.read_bytes()
    return extended_map(old, messages, str(path)), old


def extended_map(raw: bytes, messages: Sequence[NewMessage], path: str = "") -> Extended:
    """Add messages and signals to the bytes of a DBC file; empty bytes make a new one.

    Raises `MapError` where the file is no map, or so damaged that lines cannot be added safely.
    """
    before = decode_text(raw, path)
    whole = before if before.text.strip() else DbcText(before.text + NEW_FILE, before.encoding)
    encoding = "ascii" if raw.isascii() else before.encoding
    draft = mend(whole.text, path or None)
    _must_be_a_map(draft, whole.text, path)
    for message in draft.messages:
        settle_pages(draft, message)
    rooms, outcomes = _rooms(draft, messages)
    outcomes += [outcome for room in rooms for outcome in room.outcomes]
    lines_behind = _lines(draft, whole.text, rooms, encoding)
    if not lines_behind:
        return Extended(raw, (), tuple(outcomes))
    top = NEW_FILE if whole is not before else ""
    result = _joined(raw, top, lines_behind, before.encoding, path)
    _check(whole.text, decode_text(result, path).text, rooms, path)
    added = tuple(line for number in sorted(lines_behind) for line in lines_behind[number])
    return Extended(result, (*top.splitlines(), *added), tuple(outcomes))


def _must_be_a_map(draft: DraftMap, text: str, path: str) -> None:
    """Raise `MapError` for a file without a message that does not look like a DBC file either."""
    if draft.messages or re.match(r"\s*(?://.*\s*)*(?:VERSION|NS_|BS_|BU_|VAL_TABLE_|CM_|BA_DEF_)\b", text):
        return
    raise MapError(
        "no message in it, and nothing that a DBC file begins with",
        where=Where(path or None),
        expected="a DBC file, an empty one, or a name that is free",
        advice="was another file given in place of the map?",
    )


def _rooms(draft: DraftMap, messages: Sequence[NewMessage]) -> tuple[list[Room], list[Outcome]]:
    """Add the signals, message by message; what goes into no message is among the outcomes."""
    taken = {name for message in draft.messages for one in message.signals for name in (one.name, one.shown_name)}
    names = {name for message in draft.messages for name in (message.name, message.shown_name)}
    rooms: list[Room] = []
    outcomes: list[Outcome] = []
    for wanted in messages:
        try:
            room = _room_for(draft, wanted, rooms, taken, names)
        except Refused as refused:
            outcomes += [Outcome(one, "refused", wanted.name, one.name, str(refused)) for one in wanted.signals]
            continue
        for one in wanted.signals:
            room.add(one)
    return rooms, outcomes


def _room_for(draft: DraftMap, wanted: NewMessage, rooms: list[Room], taken: set[str], names: set[str]) -> Room:
    """Give the message that signals go into, made if the map has none; raises `Refused`."""
    made = [room for room in rooms if room.is_new and room.is_for(wanted)]
    message = made[0].message if made else message_for(draft, wanted)
    if made and made[0].carriage != wanted.carriage:
        raise Refused(f"a message '{made[0].message.name}' of this identifier was just made for another transport")
    room = next((room for room in rooms if room.message is message), None)
    if room is None:
        is_new = message is None
        message = message or new_draft_message(wanted, names)
        room = Room(message, wanted.carriage, is_new=is_new, taken=taken)
        rooms.append(room)
    return room


def _lines(draft: DraftMap, text: str, rooms: Iterable[Room], encoding: str) -> dict[int, list[str]]:
    """Give the new lines by the number of the line behind which they go."""
    places = Places(text)
    behind: dict[int, list[str]] = {}
    rooms = [room for room in rooms if room.new]
    for room in rooms:
        own = [signal_line(one, encoding) for one in room.new]
        if room.is_new:
            block = ["", message_line(room.message), *(f" {line}" for line in own)]
            behind.setdefault(places.behind_messages(), []).extend(block)
            continue
        number = places.behind_signals(room.message.line)
        if number is None:
            raise _no_place(draft.path, room.message)
        indent = indent_of(text, room.old[-1].line) if room.old else " "
        behind[number] = [indent + line for line in own] + behind.get(number, [])
    further: dict[str, list[str]] = {}
    for keyword, line in _statements(draft, rooms, encoding):
        further.setdefault(keyword, []).append(line)
    for keyword in KEYWORDS_ADDED:
        new = further.get(keyword)
        if new:
            first_of_kind = [] if places.has(keyword) or keyword in ("BA_DEF_DEF_", "BA_") else [""]
            behind.setdefault(places.behind(keyword), []).extend(first_of_kind + new)
    return behind


def _statements(draft: DraftMap, rooms: Sequence[Room], encoding: str) -> Iterator[tuple[str, str]]:
    """Give keyword and line of what else new messages and signals need."""
    for room in rooms:
        number = room.message.number
        if room.is_new and room.message.comment:
            yield "CM_", comment_line(number, None, room.message.comment, encoding)
        for signal in room.new:
            if signal.comment:
                yield "CM_", comment_line(number, signal.name, signal.comment, encoding)
            if signal.labels:
                yield "VAL_", labels_line(number, signal, encoding)
        for signal in room.listed():
            yield "SG_MUL_VAL_", pages_line(number, signal)
    carriages = {room.message.number: room.carriage for room in rooms if room.is_new}
    yield from carriage_lines(carriages, draft.attributes)


def _joined(raw: bytes, top: str, lines_behind: dict[int, list[str]], encoding: str, path: str) -> bytes:
    """Put the lines between the bytes of the file, which `top` is added to where it is blank."""
    if encoding in _WIDE_MARKS:
        mark = _WIDE_MARKS[encoding]
        try:
            own = raw.removeprefix(mark).decode(encoding)
        except UnicodeDecodeError as error:
            raise MapError(
                "not all of its bytes are UTF-16, so nothing can be put between them safely",
                where=Where(path or None),
                advice="save the file as UTF-8, and add to that",
            ) from error
        return mark + inserted(own + top, lines_behind).encode(encoding)
    mark = codecs.BOM_UTF8 if raw.startswith(codecs.BOM_UTF8) else b""
    own = raw.removeprefix(mark).decode(_BYTES)
    as_bytes = {n: [line.encode(encoding).decode(_BYTES) for line in new] for n, new in lines_behind.items()}
    return mark + inserted(own + top, as_bytes).encode(_BYTES)


def _check(before: str, after: str, rooms: Iterable[Room], path: str) -> None:
    """Hold the result against what it must say."""
    old, new = parse_map(before, path), parse_map(after, path)
    rooms = [room for room in rooms if room.new]
    if _faults(new) - _faults(old):
        raise _cannot_add(path)
    grown = {id(m): n for m, n in zip(old.messages, new.messages, strict=False)}
    for message in old.messages:
        now = grown.get(id(message))
        if now is None or replace(now, signals=now.signals[: len(message.signals)]) != message:
            raise _cannot_add(path)
    wanted = [signal for room in rooms for signal in room.new]
    found = [s for m in new.messages for s in m.signals]
    if len(found) != sum(len(m.signals) for m in old.messages) + len(wanted):
        raise _cannot_add(path)
    by_name = {s.name: s for s in found}
    for signal in wanted:
        now_there = by_name.get(signal.name)
        if now_there is None or not _says(now_there, signal):
            raise _cannot_add(path)


def _says(found: Signal, meant: DraftSignal) -> bool:
    """Whether a signal is read as it was meant; of texts only that they are there."""
    page = None if meant.parent is None else (meant.parent.name, meant.pages)
    return (
        found.field == meant.field
        and (found.scale, found.offset) == (meant.scale, meant.offset)
        and (found.minimum or 0, found.maximum or 0) == (meant.minimum or 0, meant.maximum or 0)
        and found.is_multiplexor == meant.is_multiplexor
        and (None if found.page is None else (found.page.multiplexor, found.page.values)) == page
        and set(found.labels) == set(meant.labels)
        and bool(found.comment) == bool(meant.comment.strip())
    )


def _faults(signal_map: SignalMap) -> Counter[tuple[str, str]]:
    """Count the faults by what they say, whatever their line."""
    return Counter((_LINE_NUMBER.sub("line", f.what), _LINE_NUMBER.sub("line", f.done)) for f in signal_map.faults)


def _cannot_add(path: str) -> MapError:
    return MapError(
        "lines put into this file would be read otherwise than meant, so it was left as it was",
        where=Where(path or None),
        expected="a DBC file without faults near the messages that are added to",
        advice="correct the faults that 'cellglean decode' tells of this map, or draft into a new file",
    )


def _no_place(path: str | None, message: DraftMessage) -> MapError:
    return MapError(
        f"behind the signals of '{printable(message.shown_name, 60)}' another statement stands on the same line",
        where=Where(path, message.line),
        expected="each statement on a line of its own",
        advice="break the line there by hand, or draft into a new file",
    )
