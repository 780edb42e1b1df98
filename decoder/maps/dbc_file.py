"""Reading signal maps (DBC): whatever can be read is, and every fault is told with its line and what was done."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

from decoder.errors import Fault, MapError, Where
from decoder.maps.dbc_details import take_detail
from decoder.maps.dbc_draft import DraftMap
from decoder.maps.dbc_messages import MessageReader
from decoder.maps.dbc_settle import settled_messages
from decoder.maps.dbc_statements import Statement, statements
from decoder.maps.dbc_text import read_text
from decoder.maps.signal_map import Message, SignalMap
from decoder.printable import printable

if TYPE_CHECKING:
    from collections.abc import Sequence

_MOST_TOLD = 20
_EXPECTED = "a DBC file, with lines such as: BO_ 288 PackState: 8 Pack"
_TRANSPARENT = frozenset({"VERSION", "NS_", "BS_", "BU_"})


def load_map(paths: str | os.PathLike[str] | Sequence[str | os.PathLike[str]], *, strict: bool = False) -> SignalMap:
    """Load one DBC file or several as one signal map.

    Faults are mended where that cannot change what the rest means, and listed in ``SignalMap.faults`` with line and
    what was done. Raises `MapError` for a file that cannot be read or has no message, and with `strict` for any fault.
    """
    names = [os.fspath(path) for path in ([paths] if isinstance(paths, (str, os.PathLike)) else paths)]
    messages: list[Message] = []
    faults: list[Fault] = []
    encodings = []
    for name in names:
        text = read_text(name)
        draft = _draft(text.text, name)
        found = settled_messages(draft)
        if not found:
            raise _no_message(name, text.text, draft)
        faults += sorted([*text.faults, *draft.faults], key=lambda fault: fault.where.line or 0)
        faults += _twins_across(messages, found)
        messages += found
        encodings.append(text.encoding)
    if strict and faults:
        raise _refused(faults)
    return SignalMap(tuple(messages), tuple(faults), tuple(names), tuple(encodings))


def _draft(text: str, path: str) -> DraftMap:
    """Read all statements: messages and signals as they come, then what is said about them."""
    draft = DraftMap(path)
    reader = MessageReader(draft)
    details: list[Statement] = []
    for statement in statements(text):
        draft.note_all(statement.notes)
        if statement.keyword == "BO_":
            reader.message(statement)
        elif statement.keyword == "SG_":
            reader.signal(statement)
        elif not statement.keyword:
            reader.unreadable(statement.text, statement.line, after_blank_line=statement.after_blank_line)
        else:
            reader.other()
            details.append(statement)
            if statement.keyword == "BS_":
                _check_bit_timing(draft, statement)
    for statement in sorted(details, key=lambda one: one.keyword not in {"BA_DEF_", "BA_DEF_DEF_"}):
        if statement.keyword not in _TRANSPARENT:
            take_detail(draft, statement)
    return draft


def _check_bit_timing(draft: DraftMap, statement: Statement) -> None:
    rest = statement.text.removeprefix("BS_").replace(":", "", 1).strip()
    if rest:
        draft.note(statement.line, f"BS_ holds a bit rate ('{printable(rest, 40)}')", "the section is not used")


def _twins_across(earlier: list[Message], later: list[Message]) -> list[Fault]:
    """Report messages of one identifier in two files."""
    known = {(message.can_id, message.extended): message for message in earlier}
    return [
        Fault(
            Where(message.path),
            f"'{printable(message.name, 60)}' has the identifier of '{printable(twin.name, 60)}' in {twin.path} "
            f"(0x{message.can_id:X})",
            "both are decoded",
        )
        for message in later
        if (twin := known.get((message.can_id, message.extended))) is not None
    ]


def _no_message(path: str, text: str, draft: DraftMap) -> MapError:
    first = next((line for line in text.split("\n") if line.strip()), "")
    what = "there is no message in it"
    if not first:
        what = "the file is empty"
    elif first.lstrip().startswith("(") and "#" in first:
        what += "; it looks like a capture"
    elif first.lstrip().startswith("["):
        what += "; it looks like a pack sheet"
    if first:
        what += f"; it begins with: {printable(first.strip(), 60)}"
    line = draft.faults[0].where.line if draft.faults else 1
    return MapError(what, where=Where(path, line), expected=_EXPECTED)


def _refused(faults: list[Fault]) -> MapError:
    told = [printable(str(fault)) for fault in faults[:_MOST_TOLD]]
    more = f"\n... and {len(faults) - _MOST_TOLD} more" if len(faults) > _MOST_TOLD else ""
    count = "1 fault" if len(faults) == 1 else f"{len(faults)} faults"
    return MapError(
        f"the signal map has {count}:\n" + "\n".join(told) + more,
        where=faults[0].where,
        advice="mend the lines, or load it without --strict",
    )
