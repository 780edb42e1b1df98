"""A DBC text read statement by statement: what can be read is kept, what cannot is left out alone, and both are told.

Of the statements that only tools for other jobs need (nodes, senders, groups, environment variables), no more than
the shape is checked.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from decoder.maps.dbc_draft import (
    FRAME_FORMATS,
    PAYLOADS,
    Attribute,
    DraftMap,
    DraftMessage,
    DraftSignal,
    Ranges,
)
from decoder.maps.dbc_messages import TEXT, MessageReader, name_is_plain, plain_text
from decoder.maps.dbc_numbers import is_plain, number, whole_number
from decoder.maps.dbc_statements import OPEN_ENDED, Statement, statements
from decoder.printable import printable

if TYPE_CHECKING:
    from collections.abc import Callable

_NUMBER = r"[-+]?[0-9]++(?:\.[0-9]*+)?+(?:[eE][-+]?[0-9]++)?+"  # possessive: a row of them is read in one way only
_WORD = r'[^\s;:,"]+'
_VALUE = rf"(?:{_NUMBER}|{TEXT})"

_LABELS = re.compile(rf'VAL_\s+(?P<number>{_WORD})\s+(?P<name>[^"]*?)(?P<pairs>(?:(?<=\s){_WORD}\s*".*)?)', re.DOTALL)
_LABEL = re.compile(rf"\s*(?P<value>{_WORD})\s*{TEXT}")
_COMMENT = re.compile(
    rf'CM_\s*(?:SG_\s+(?P<signal_of>{_WORD})\s+(?P<signal>[^"]+)|BO_\s+(?P<message>{_WORD})|(?:BU_|EV_)\s+[^"]+)?\s*'
    rf"(?P<comment>{TEXT})(?P<tail>.*)",
    re.DOTALL,
)
_DEFINITION = re.compile(
    rf"BA_DEF_\s*(?:SG_|BO_|EV_|BU_)?\s*{TEXT}\s*(?P<type>[A-Za-z_][A-Za-z0-9_]*)\s*"
    rf"(?P<values>(?:{TEXT}(?:\s*,\s*{TEXT})*|(?:{_NUMBER}\s*)*))\s*",
    re.DOTALL,
)
_DEFAULT = re.compile(rf"BA_DEF_DEF_\s*{TEXT}\s*(?P<value>{_VALUE})\s*", re.DOTALL)
_ATTRIBUTE = re.compile(
    rf"BA_\s*{TEXT}\s*(?:SG_\s+(?P<signal_of>{_WORD})\s+(?P<signal>[^\"]+(?:(?<=\s)|(?=\")))|"
    rf"BO_\s+(?P<message>{_WORD})\s*|(?:BU_|EV_)\s+{_WORD}\s*)?(?P<value>{_VALUE})\s*",
    re.DOTALL,
)
_FLOAT_TYPE = re.compile(
    rf"SIG_VALTYPE_\s+(?P<number>{_WORD})\s+(?P<name>[^\"]+?)(?P<colon>\s*:\s*|\s+)(?P<kind>[0-9]{{1,9}})\s*"
)
_PAGES = re.compile(
    rf"SG_MUL_VAL_\s+(?P<number>{_WORD})\s+(?P<name>{_WORD})\s+(?P<parent>{_WORD})\s+"
    r"(?P<ranges>[0-9]{1,20}\s*-\s*[0-9]{1,20}(?:\s*,\s*[0-9]{1,20}\s*-\s*[0-9]{1,20})*)\s*"
)
_PAYLOAD = "CellgleanPayload"
_ONE_RANGE = re.compile(r"([0-9]+)\s*-\s*([0-9]+)")

# The shapes of statements that say nothing about what a frame carries. N number, W word, S text, A number or text.
_SHAPES = {
    "VERSION": "S",
    "VAL_TABLE_": "W (?:N S )*",
    "BO_TX_BU_": "N : W (?:, W )*",
    "EV_": r"W : N \[ N \| N \] S N N W W (?:, W )*",
    "ENVVAR_DATA_": "W : N",
    "SIG_GROUP_": "N W N : (?:W )*",
    "BA_DEF_REL_": "(?:BU_SG_REL_|BU_BO_REL_|BU_EV_REL_)? S W (?:S (?:, S )*|(?:N )*)",
    "BA_DEF_DEF_REL_": "S A",
    "BA_REL_": "S (?:BU_SG_REL_ W SG_ N W|BU_BO_REL_ W N|BU_EV_REL_ W W) A",
}


def _shape(keyword: str, shape: str) -> re.Pattern[str]:
    parts = {"N": _NUMBER, "W": _WORD, "S": TEXT, "A": _VALUE, " ": r"\s*"}
    return re.compile(keyword + r"\s*" + re.sub(r"\b[NWSA]\b| ", lambda m: parts[m[0]], shape) + r"\s*", re.DOTALL)


_PATTERNS = {keyword: _shape(keyword, shape) for keyword, shape in _SHAPES.items()}
_NODES = re.compile(r"BU_\s*:\s*(?P<names>.*)", re.DOTALL)
_BIT_RATE = re.compile(r"BS_\s*:?\s*(?P<rest>.*)", re.DOTALL)


def mend(text: str, path: str | None = None) -> DraftMap:
    """Read a DBC text (LF line ends). Never fails: faults are listed, and so are messages and signals found."""
    draft = DraftMap(path)
    reader = MessageReader(draft)
    later: list[Statement] = []
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
            later.append(statement)
    notes = _Additions(draft)
    for statement in sorted(later, key=_definitions_first):
        notes.take(statement)
    return draft


def _definitions_first(statement: Statement) -> int:
    return {"BA_DEF_": 0, "BA_DEF_DEF_": 1}.get(statement.keyword, 2)


class _Additions:
    """Takes the statements that add to messages and signals which are known by now."""

    def __init__(self, draft: DraftMap) -> None:
        self.draft = draft
        self.readers: dict[str, Callable[[str, int], bool]] = {
            "VAL_": self.labels,
            "CM_": self.comment,
            "BA_DEF_": self.definition,
            "BA_DEF_DEF_": self.default,
            "BA_": self.attribute,
            "SIG_VALTYPE_": self.float_type,
            "SG_MUL_VAL_": self.pages,
            "BU_": self.nodes,
            "BS_": self.bit_rate,
        }
        self.half_known: set[str] = set()  # attributes whose definition cannot be read

    def take(self, statement: Statement) -> None:
        """Read one statement; report it if it cannot be read, or if its ';' is missing."""
        keyword, text, line = statement.keyword, statement.text, statement.line
        if keyword == "NS_":
            return
        reader = self.readers.get(keyword)
        if reader is not None:
            readable = reader(text, line)
        elif keyword in _PATTERNS:
            readable = _PATTERNS[keyword].fullmatch(text) is not None
        else:
            self.note(line, f"{keyword} statements are not read: '{_shown(text)}'", "left out")
            return
        if not readable:
            self.note(line, f"'{_shown(text)}' cannot be read", "left out")
        elif not statement.closed and keyword not in OPEN_ENDED:
            self.note(line, f"the ';' after '{_shown(text)}' is missing", "read as if it were there")

    def note(self, line: int, what: str, done: str) -> None:
        self.draft.note(line, what, done)

    def messages(self, written: str, line: int, what: str) -> list[DraftMessage] | None:
        """Give the messages of an identifier, ``None`` if it is no number; report one that no message has."""
        value = whole_number(written)
        if value is None:
            return None
        found = self.draft.by_number.get(value, [])
        if not found:
            self.note(line, f"{what} is for the unknown message {value} (0x{value:X})", "left out")
        return found

    def signals(self, written: str, name: str, line: int, what: str) -> list[DraftSignal] | None:
        """Give the signals of a name in the messages of an identifier; report it if there is none."""
        messages = self.messages(written, line, what)
        if not messages:
            return None if messages is None else []
        found = [signal for message in messages for signal in message.signals if signal.name == name]
        if not found and not any(message.left_out or name in message.lost for message in messages):
            where = f"'{printable(messages[0].name, 60)}' (identifier {messages[0].number})"
            self.note(line, f"{what} is for the signal '{printable(name, 60)}', which is not in {where}", "left out")
        return found

    def labels(self, text: str, line: int) -> bool:
        found = _LABELS.fullmatch(text)
        if found is None:
            return False
        if whole_number(found["number"]) is None:
            return True  # labels of an environment variable
        labels: dict[int, str] = {}
        position = found.end("name")
        while pair := _LABEL.match(text, position):
            value = whole_number(pair["value"])
            if value is None:
                break
            if not pair["value"].lstrip("-+").isdecimal():
                self.note(line, f"'{printable(pair['value'], 40)}' labels a value", f"read as {value}")
            labels[value] = plain_text(pair[2])
            position = pair.end()
        signals = self.signals(found["number"], found["name"].strip(), line, "VAL_")
        if signals is None:
            return False
        if rest := text[position:].strip():
            where = line + text.count("\n", 0, len(text) - len(text[position:].lstrip()))
            self.note(where, f"VAL_ cannot be read from '{_shown(rest)}' on", "the labels before it are kept")
        for signal in signals:
            signal.labels = labels or signal.labels
        return True

    def comment(self, text: str, line: int) -> bool:
        found = _COMMENT.fullmatch(text)
        if found is None:
            return False
        comment = plain_text(found["comment"][1:-1])
        if found["signal"]:
            signals = self.signals(found["signal_of"], found["signal"].strip(), line, "CM_")
            for signal in signals or ():
                signal.comment = comment
            if signals is None:
                return False
        elif found["message"]:
            messages = self.messages(found["message"], line, "CM_")
            for message in messages or ():
                message.comment = comment
            if messages is None:
                return False
        if rest := found["tail"].strip():
            where = line + text.count("\n", 0, len(text) - len(found["tail"].lstrip()))
            self.note(where, f"'{_shown(rest)}' after a comment cannot be read", "left out, the comment is kept")
        return True

    def definition(self, text: str, line: int) -> bool:  # noqa: ARG002  (all readers are called alike)
        found = _DEFINITION.fullmatch(text)
        if found is None:
            if named := re.search(TEXT, text):
                self.half_known.add(named[1])
            return False
        choices = tuple(plain_text(one) for one in re.findall(TEXT, found["values"]))
        self.draft.attributes[found[1]] = Attribute(found["type"], choices)
        return True

    def default(self, text: str, line: int) -> bool:
        found = _DEFAULT.fullmatch(text)
        if found is not None and found[1] in self.draft.attributes:
            self.draft.attributes[found[1]].default = _value(found["value"])
            self._check_payload(found[1], _value(found["value"]), line)
        return found is not None

    def _check_payload(self, name: str, written: str, line: int) -> None:
        """Report a wrong word for what a message describes: it would quietly give no samples."""
        if name == _PAYLOAD and _word(self.draft.attributes[name], written, PAYLOADS) not in PAYLOADS:
            what = f"'{printable(written, 40)}' is not among the words of {name}, '{PAYLOADS[0]}' and '{PAYLOADS[1]}'"
            self.note(line, what, f"read as '{PAYLOADS[0]}'")

    def attribute(self, text: str, line: int) -> bool:
        found = _ATTRIBUTE.fullmatch(text)
        if found is None:
            return False
        name, value = found[1], _value(found["value"])
        if name in self.half_known:
            return True  # reported with the definition
        if name not in self.draft.attributes:
            self.note(line, f"BA_ gives the attribute '{printable(name, 60)}', which no BA_DEF_ defines", "left out")
            return True
        what = f"BA_ '{printable(name, 60)}'"
        if found["signal"]:
            signals = self.signals(found["signal_of"], found["signal"].strip(), line, what)
            if signals and name == "SystemSignalLongSymbol":
                for one in signals:
                    one.long_name = value
            return signals is not None
        if found["message"]:
            messages = self.messages(found["message"], line, what)
            if messages:
                self._put(messages, name, value, line)
            return messages is not None
        return True

    def _put(self, messages: list[DraftMessage], name: str, value: str, line: int) -> None:
        self._check_payload(name, value, line)
        for message in messages:
            message.attributes[name] = value
            if name == "SystemMessageLongSymbol":
                message.long_name = value

    def float_type(self, text: str, line: int) -> bool:
        found = _FLOAT_TYPE.fullmatch(text)
        signals = self.signals(found["number"], found["name"].strip(), line, "SIG_VALTYPE_") if found else None
        for signal in signals or ():
            assert found is not None
            signal.float_type = int(found["kind"]), line
        if found is not None and signals and not found["colon"]:
            self.note(line, f"the ':' before the type is missing in '{_shown(text)}'", "read as if it were there")
        return signals is not None

    def pages(self, text: str, line: int) -> bool:
        found = _PAGES.fullmatch(text)
        if found is None:
            return False
        messages = self.messages(found["number"], line, "SG_MUL_VAL_")
        if messages is None:
            return False
        ranges: Ranges = tuple((int(low), int(high)) for low, high in _ONE_RANGE.findall(found["ranges"]))
        if upside_down := [one for one in ranges if one[0] > one[1]]:
            low, high = upside_down[0]
            self.note(line, f"SG_MUL_VAL_ gives the range {low}-{high}, which ends below its start", "left out")
            ranges = tuple(one for one in ranges if one[0] <= one[1])
        if not self.signals(found["number"], found["name"], line, "SG_MUL_VAL_") or not ranges:
            return True
        for message in messages:
            self._put_pages(message, found["name"], found["parent"], ranges, line)
        return True

    def _put_pages(self, message: DraftMessage, name: str, parent_name: str, ranges: Ranges, line: int) -> None:
        children = [signal for signal in message.signals if signal.name == name]
        parent = next((signal for signal in message.signals if signal.name == parent_name), None)
        if children and parent is None:
            if parent_name not in message.lost:
                shown = f"'{printable(parent_name, 60)}', which is not in '{printable(message.name, 60)}'"
                self.note(line, f"SG_MUL_VAL_ names the multiplexor {shown}", "left out")
            return
        for child in children:
            assert parent is not None
            own = child.own_page
            if len(children) > 1 and not (own is not None and any(low <= own <= high for low, high in ranges)):
                continue  # of several signals with one name, those are meant whose own page is among these
            child.listed = parent, ranges
            if not parent.is_multiplexor:
                parent.is_multiplexor = True
                shown = f"'{printable(parent.name, 60)}' (line {parent.line})"
                self.note(line, f"SG_MUL_VAL_ pages by {shown}, which has no mark M", "read as a multiplexor")

    def nodes(self, text: str, line: int) -> bool:
        found = _NODES.fullmatch(text)
        odd = [name for name in (found["names"] if found else "").split() if not name_is_plain(name)]
        if odd:
            self.note(line, f"BU_ holds '{_shown(odd[0])}', which is no name of a node", "not needed, ignored")
        return found is not None

    def bit_rate(self, text: str, line: int) -> bool:
        found = _BIT_RATE.fullmatch(text)
        rest = found["rest"].strip() if found else ""
        if rest:
            self.note(line, f"BS_ holds a bit rate or something else: '{_shown(rest)}'", "not needed, ignored")
        return True


def _value(written: str) -> str:
    return plain_text(written[1:-1]) if written.startswith('"') else written


def _shown(text: str) -> str:
    return printable(" ".join(text[:400].split()), 80)


def cycle_s(draft: DraftMap, message: DraftMessage) -> float | None:
    """Give the sending period in seconds by the attribute GenMsgCycleTime (milliseconds); 0 means none."""
    attribute = draft.attributes.get("GenMsgCycleTime")
    if attribute is None:
        return None
    written = message.attributes.get("GenMsgCycleTime", attribute.default)
    value = number(written.strip()) if written is not None else None
    if value is None:
        return None
    value = value if attribute.type_name == "FLOAT" else int(value)
    return value / 1000 if value > 0 else None


def frame_format(draft: DraftMap, message: DraftMessage) -> str | None:
    """Give the word for the frame format by the attribute VFrameFormat."""
    return _word_of(draft, message, "VFrameFormat", FRAME_FORMATS)


def describes_whole(draft: DraftMap, message: DraftMessage) -> bool:
    """Tell whether the attribute CellgleanPayload says that a message describes payloads put together from frames."""
    return _word_of(draft, message, _PAYLOAD, PAYLOADS) == PAYLOADS[1]


def _word_of(draft: DraftMap, message: DraftMessage, name: str, usual_words: tuple[str, ...]) -> str | None:
    attribute = draft.attributes.get(name)
    if attribute is None:
        return None
    written = message.attributes.get(name, attribute.default)
    return None if written is None else _word(attribute, written, usual_words)


def _word(attribute: Attribute, written: str, usual_words: tuple[str, ...]) -> str | None:
    """Give the word of an enumerated attribute: a number counts within its defined words, or the usual ones."""
    words = attribute.choices or usual_words
    if not is_plain(written):
        return written
    index = whole_number(written)
    return words[index] if index is not None and 0 <= index < len(words) else None
