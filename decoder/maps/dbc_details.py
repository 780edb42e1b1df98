"""The statements that add to messages and signals: labels, comments, attributes, float types, pages.

VAL_ number signal raw "label" ... ;                 CM_ [BO_ number | SG_ number signal] "comment" ;
BA_DEF_ [kind] "attribute" type ... ;                BA_DEF_DEF_ "attribute" default ;
BA_ "attribute" [BO_ number | SG_ number signal] value ;
SIG_VALTYPE_ number signal : 1|2 ;                   SG_MUL_VAL_ number signal multiplexor low-high, ... ;
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from decoder.maps.dbc_draft import Attribute, DraftMap, DraftMessage, DraftSignal
from decoder.maps.dbc_messages import ORPHANS_NUMBER, TEXT, plain_text
from decoder.maps.dbc_numbers import whole_number
from decoder.printable import printable

if TYPE_CHECKING:
    from collections.abc import Callable

    from decoder.maps.dbc_statements import Statement

_VALUES = re.compile(r"VAL_\s+(\d+)\s+(\S+)\s+(.*)", re.DOTALL)
_VALUE = re.compile(rf"\s*([-+]?[0-9.eE+]+)\s*{TEXT}")
_COMMENT = re.compile(rf"CM_\s*(?:(BO_)\s+(\d+)|(SG_)\s+(\d+)\s+(\S+?))?\s*{TEXT}\s*$", re.DOTALL)
_COMMENT_ELSEWHERE = re.compile(r"CM_\s*(?:BU_|EV_)\s")
_DEFINITION = re.compile(r'BA_DEF_\s*(?:BU_|BO_|SG_|EV_)?\s*"([^"]*)"\s*(\w+)(.*)', re.DOTALL)
_DEFAULT = re.compile(r'BA_DEF_DEF_\s*"([^"]*)"\s*(.*)', re.DOTALL)
_ATTRIBUTE = re.compile(
    r'BA_\s*"([^"]*)"\s*(?:(BO_)\s+(\d+)\s|(SG_)\s+(\d+)\s+(\S+)\s|(?:BU_|EV_)\s+\S+\s)?\s*(.*)', re.DOTALL
)
_FLOAT = re.compile(r"SIG_VALTYPE_\s+(\d+)\s+(\S+?)\s*:?\s*([0-9]+)\s*$")
_PAGES = re.compile(r"SG_MUL_VAL_\s+(\d+)\s+(\S+)\s+(\S+)\s+(.*)", re.DOTALL)
_RANGE = re.compile(r"(\d+)\s*-\s*(\d+)")


def take_detail(draft: DraftMap, statement: Statement) -> None:
    """Take one statement; what it says about something unknown is reported and left out."""
    reader = _READERS.get(statement.keyword)
    if reader is None:
        return
    if not statement.closed:
        draft.note(statement.line, f"{statement.keyword} has no ';' at its end", "read without it")
    reader(draft, statement)


def _first(statement: Statement) -> str:
    return printable(" ".join(statement.text.split()), 80)


def _unreadable(draft: DraftMap, statement: Statement) -> None:
    draft.note(statement.line, f"'{_first(statement)}' cannot be read", "left out")


def _messages(draft: DraftMap, number: str, statement: Statement) -> list[DraftMessage]:
    """Find the messages of a number; an unknown one is reported."""
    value = int(number)
    found = draft.by_number.get(value, [])
    if not found and value != ORPHANS_NUMBER:
        draft.note(statement.line, f"{statement.keyword} speaks of message {value}, which is not there", "left out")
    return [message for message in found if not message.left_out]


def _signals(draft: DraftMap, number: str, name: str, statement: Statement) -> list[DraftSignal]:
    """Find the signals of a message number and a name; an unknown one is reported."""
    messages = _messages(draft, number, statement)
    found = [signal for message in messages for signal in message.signals if signal.name == name]
    if messages and not found and not any(name in message.lost for message in messages):
        what = f"{statement.keyword} speaks of signal '{printable(name, 60)}', which message {number} does not have"
        draft.note(statement.line, what, "left out")
    return found


def _take_values(draft: DraftMap, statement: Statement) -> None:
    found = _VALUES.match(statement.text)
    if found is None:
        if not re.match(r"VAL_\s+[A-Za-z_]", statement.text):  # labels of an environment variable
            _unreadable(draft, statement)
        return
    labels: dict[int, str] = {}
    end = 0
    for label in _VALUE.finditer(found[3]):
        raw = whole_number(label[1])
        if raw is None or label.start() != end:
            break
        labels[raw] = plain_text(label[2])
        end = label.end()
    rest = found[3][end:].strip()
    if rest:
        what = f"the labels of '{printable(found[2], 60)}' from '{printable(rest, 30)}' on cannot be read"
        draft.note(statement.line, what, "left out")
    for signal in _signals(draft, found[1], found[2], statement):
        signal.labels.update(labels)


def _take_comment(draft: DraftMap, statement: Statement) -> None:
    found = _COMMENT.match(statement.text)
    if found is None:
        if not _COMMENT_ELSEWHERE.match(statement.text):
            _unreadable(draft, statement)
        return
    text = plain_text(found[6])
    if found[1]:
        for message in _messages(draft, found[2], statement):
            message.comment = text
    elif found[3]:
        for signal in _signals(draft, found[4], found[5], statement):
            signal.comment = text


def _take_definition(draft: DraftMap, statement: Statement) -> None:
    found = _DEFINITION.match(statement.text)
    if found is None:
        _unreadable(draft, statement)
        return
    choices = tuple(re.findall(r'"([^"]*)"', found[3])) if found[2] == "ENUM" else ()
    draft.attributes[found[1]] = Attribute(found[2], choices)


def _take_default(draft: DraftMap, statement: Statement) -> None:
    found = _DEFAULT.match(statement.text)
    if found is None:
        _unreadable(draft, statement)
    elif found[1] not in draft.attributes:
        what = f"a default for attribute '{printable(found[1], 60)}', which is not defined"
        draft.note(statement.line, what, "left out")
    else:
        draft.attributes[found[1]].default = _value(found[2])


def _value(text: str) -> str:
    return text.strip().removeprefix('"').removesuffix('"')


def _take_attribute(draft: DraftMap, statement: Statement) -> None:
    found = _ATTRIBUTE.match(statement.text)
    if found is None:
        _unreadable(draft, statement)
        return
    name, value = found[1], _value(found[7])
    if name not in draft.attributes:
        draft.note(statement.line, f"attribute '{printable(name, 60)}' is not defined", "left out")
    elif found[2]:
        for message in _messages(draft, found[3], statement):
            message.attributes[name] = value
            if name == "SystemMessageLongSymbol":
                message.long_name = value
    elif found[4]:
        for signal in _signals(draft, found[5], found[6], statement):
            if name == "SystemSignalLongSymbol":
                signal.long_name = value


def _take_float(draft: DraftMap, statement: Statement) -> None:
    found = _FLOAT.match(statement.text)
    if found is None:
        _unreadable(draft, statement)
        return
    for signal in _signals(draft, found[1], found[2], statement):
        signal.float_type = int(found[3]), statement.line


def _take_pages(draft: DraftMap, statement: Statement) -> None:
    found = _PAGES.match(statement.text)
    ranges = tuple((int(low), int(high)) for low, high in _RANGE.findall(found[4])) if found else ()
    if found is None or not ranges:
        _unreadable(draft, statement)
        return
    for signal in _signals(draft, found[1], found[2], statement):
        parents = [
            other
            for message in draft.by_number.get(int(found[1]), [])
            if signal in message.signals
            for other in message.signals
            if other.name == found[3]
        ]
        if parents:
            signal.listed = parents[0], ranges
        else:
            what = f"the pages of '{printable(found[2], 60)}' name '{printable(found[3], 60)}', which is not there"
            draft.note(statement.line, what, "left out")


_READERS: dict[str, Callable[[DraftMap, Statement], None]] = {
    "VAL_": _take_values,
    "CM_": _take_comment,
    "BA_DEF_": _take_definition,
    "BA_DEF_DEF_": _take_default,
    "BA_": _take_attribute,
    "SIG_VALTYPE_": _take_float,
    "SG_MUL_VAL_": _take_pages,
}
