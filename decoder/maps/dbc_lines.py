"""The lines of a DBC file that new messages and signals need, statement by statement."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from decoder.maps.dbc_draft import FRAME_FORMATS, PAYLOADS, Attribute
from decoder.maps.dbc_spelling import number_text, text_for

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from decoder.maps.dbc_additions import Carriage
    from decoder.maps.dbc_draft import DraftMessage, DraftSignal

# The name that stands for no node, as sender and as receiver (common practice, no source).
NOBODY: Final = "Vector__XXX"
# Of the words of VFrameFormat that have no name, those of a definition are called so (common practice, no source).
_NO_FORMAT: Final = "reserved"
_ATTRIBUTES: Final[dict[Carriage, str]] = {"reassembled": "CellgleanPayload", "j1939": "VFrameFormat"}
_WORDS: Final[dict[Carriage, str]] = {"reassembled": PAYLOADS[1], "j1939": "J1939PG"}
_CHOICES: Final[dict[Carriage, tuple[str, ...]]] = {
    "reassembled": PAYLOADS,
    "j1939": tuple(word or _NO_FORMAT for word in FRAME_FORMATS),
}

# What stands before the messages of a new file.
NEW_FILE: Final = 'VERSION ""\n\nNS_ :\n\nBS_:\n\nBU_:\n'

# What is added behind the messages, in the order in which it is written.
KEYWORDS_ADDED: Final = ("CM_", "BA_DEF_", "BA_DEF_DEF_", "BA_", "VAL_", "SG_MUL_VAL_")


def message_line(message: DraftMessage) -> str:
    """Give the BO_ line."""
    return f"BO_ {message.number} {message.name}: {message.length} {NOBODY}"


def signal_line(signal: DraftSignal, encoding: str) -> str:
    """Give the SG_ line, without what it is indented by."""
    field = signal.field
    page = "" if signal.own_page is None else f"m{signal.own_page}"
    mark = page + ("M" if signal.is_multiplexor else "")
    bits = f"{field.start}|{field.length}@{'1' if field.byte_order == 'little' else '0'}{'-' if field.signed else '+'}"
    ends = "|".join(number_text(end or 0) for end in (signal.minimum, signal.maximum))
    conversion = f"({number_text(signal.scale)},{number_text(signal.offset)})"
    unit = text_for(signal.unit, encoding)
    return f'SG_ {signal.name}{" " + mark if mark else ""} : {bits} {conversion} [{ends}] "{unit}" {NOBODY}'


def comment_line(number: int, signal_name: str | None, comment: str, encoding: str) -> str:
    """Give the CM_ line of a message, or of one of its signals."""
    about = f"BO_ {number}" if signal_name is None else f"SG_ {number} {signal_name}"
    return f'CM_ {about} "{text_for(comment, encoding)}";'


def labels_line(number: int, signal: DraftSignal, encoding: str) -> str:
    """Give the VAL_ line."""
    pairs = " ".join(f'{value} "{text_for(word, encoding)}"' for value, word in sorted(signal.labels.items()))
    return f"VAL_ {number} {signal.name} {pairs};"


def pages_line(number: int, signal: DraftSignal) -> str:
    """Give the SG_MUL_VAL_ line."""
    assert signal.parent is not None
    ranges = ", ".join(f"{low}-{high}" for low, high in signal.pages)
    return f"SG_MUL_VAL_ {number} {signal.name} {signal.parent.name} {ranges};"


def carriage_lines(carriages: Mapping[int, Carriage], attributes: Mapping[str, Attribute]) -> Iterator[tuple[str, str]]:
    """Give keyword and line of what says that messages, by number, do not describe single frames."""
    for carriage, name in _ATTRIBUTES.items():
        numbers = [number for number, own in carriages.items() if own == carriage]
        if not numbers:
            continue
        known = attributes.get(name)
        if known is None:
            choices = ",".join(f'"{word}"' for word in _CHOICES[carriage])
            yield "BA_DEF_", f'BA_DEF_ BO_ "{name}" ENUM {choices};'
            yield "BA_DEF_DEF_", f'BA_DEF_DEF_ "{name}" "{_CHOICES[carriage][0]}";'
        choice = _choice(known, carriage)
        for number in numbers:
            yield "BA_", f'BA_ "{name}" BO_ {number} {choice};'


def _choice(known: Attribute | None, carriage: Carriage) -> str:
    """Give the value as an attribute is given it: the number of its word, where the definition has it."""
    words = known.choices if known is not None and known.choices else _CHOICES[carriage]
    wanted = _WORDS[carriage]
    return str(words.index(wanted)) if wanted in words else f'"{wanted}"'
