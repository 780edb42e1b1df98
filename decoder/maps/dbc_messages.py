"""The statements BO_ and SG_: messages and signals, as written or as near to it as can be made out.

    BO_ number name : bytes sender
     SG_ name [M | mN | mNM] : start | length @ order sign ( scale , offset ) [ minimum | maximum ] "unit" receivers

`order` is 1 for little-endian and 0 for big-endian, `sign` is ``+`` for unsigned and ``-`` for two's complement; bit 31
of `number` is set for a 29-bit identifier. Names begin with a letter or ``_`` and go on with these and digits.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from decoder.bits import MAX_FIELD_BITS, Field
from decoder.maps.dbc_draft import DraftMap, DraftMessage, DraftSignal
from decoder.maps.dbc_numbers import two_numbers, whole_number
from decoder.maps.dbc_statements import KEYWORDS, Statement
from decoder.printable import printable

if TYPE_CHECKING:
    from collections.abc import Callable

EXTENDED_BIT = 0x8000_0000
MOST_STANDARD = 0x7FF
MOST_EXTENDED = 0x1FFF_FFFF

# The pseudo message that holds signals which belong to no message (common practice, no source).
ORPHANS_NAME = "VECTOR__INDEPENDENT_SIG_MSG"
ORPHANS_NUMBER = 0xC000_0000

# No transport carries more: SAE J1939-21 ends at 117,440,505 bytes in theory, but maps describe what fits a table.
MOST_BYTES = 65_535

TEXT = r'"((?:\\"|[^"])*)"'
_MESSAGE = re.compile(
    r'BO_\s+(?P<number>[^\s:"]{1,40})\s*(?P<name>[^:"]{0,200}?)\s*:\s*(?P<length>[^\s:"]+)(?P<tail>.*)', re.DOTALL
)
_SIGNAL = re.compile(
    r'SG_\s*(?P<name>[^"\n]{1,200}?)(?:\s+(?:m(?P<page>[0-9]{1,20}))?(?P<multiplexor>M)?(?<!\s))?\s*:\s*(?P<start>[-+]?[0-9]{1,9})\s*\|\s*(?P<length>[-+]?[0-9]{1,9})\s*'
    r"@\s*(?P<order>[0-9]{1,9})\s*(?P<sign>[-+])\s*\((?P<conversion>[^()\"]*)\)\s*\[(?P<range>[^\]\"]*)\]\s*"
    rf"(?P<unit>{TEXT})(?P<tail>.*)",
    re.DOTALL,
)
_PLAIN_NAME = re.compile(r"[A-Za-z_][A-Za-z0-9_]*")
_SENDER = re.compile(r"\s*([A-Za-z_][A-Za-z0-9_]*)", re.ASCII)
_RECEIVERS = re.compile(r"\s*[A-Za-z_][A-Za-z0-9_]*(?:\s*,\s*[A-Za-z_][A-Za-z0-9_]*)*(?!\w)", re.ASCII)
_LIKE_A_SIGNAL = re.compile(r"\|\s*[0-9]+\s*@|@\s*[01]\s*[-+]|\([-+.0-9eE]+,[-+.0-9eE]+\)|\[[^|\]]*\|[^|\]]*\]")
_LIKE_A_MESSAGE = re.compile(r"[0-9]\s+[^\s:]+\s*:\s*[0-9]+(?:\s|$)")


def plain_text(quoted: str) -> str:
    """Give a text without the backslashes before its quotes."""
    return quoted.replace('\\"', '"')


def name_is_plain(name: str) -> bool:
    """Whether the format allows `name`."""
    return _PLAIN_NAME.fullmatch(name) is not None and name not in KEYWORDS


class MessageReader:
    """Takes BO_ and SG_ statements, and what cannot be read between them, in the order of the file.

    It knows the message that the next SG_ line belongs to, and whether that is still sure.
    """

    def __init__(self, draft: DraftMap) -> None:
        """Read into `draft`."""
        self.draft = draft
        self.current: DraftMessage | None = None
        self.apart = False  # another statement stood since the last BO_ or SG_ line

    def message(self, statement: Statement) -> None:
        """Take a BO_ statement."""
        text, line = statement.text, statement.line
        self.apart = False
        self.current = self._message(text, line) or DraftMessage(line, -1, "", left_out=True)
        self.draft.add(self.current)

    def _message(self, text: str, line: int) -> DraftMessage | None:
        found = _MESSAGE.match(text)
        value = whole_number(found["number"]) if found else None
        length = whole_number(found["length"]) if found else None
        if found is None or value is None or value < 0 or length is None or length < 0:
            self._leave_out(line, f"the message '{_first_line(text)}' cannot be read")
            named = re.match(r"BO_\s+([0-9]{1,12})\b", text)
            return DraftMessage(line, int(named[1]), "", left_out=True) if named else None
        name = found["name"]
        if name == ORPHANS_NAME or value == ORPHANS_NUMBER:
            return DraftMessage(line, value, name, left_out=True)
        message = DraftMessage(line, value, name, length=length)
        self._identify(message)
        if message.left_out:
            return message
        self._check_spelling(message, found)
        self._check_sender(message, found)
        return message

    def _identify(self, message: DraftMessage) -> None:
        """Split bit 31 from the identifier, and see that it has 11 or 29 bits."""
        value = message.number
        message.extended = value >= EXTENDED_BIT
        message.can_id = value - EXTENDED_BIT if message.extended else value
        shown = f"'{printable(message.name, 60)}' has the identifier {value} (0x{value:X})"
        if message.can_id > MOST_EXTENDED:
            self._leave_out(message.line, f"{shown}, more than 29 bits")
            message.left_out = True
        elif not message.extended and value > MOST_STANDARD:
            message.extended = True
            extended = value + EXTENDED_BIT
            self.draft.note(
                message.line,
                f"{shown}: more than 11 bits, but bit 31, which marks 29-bit identifiers, is not set",
                f"read as the 29-bit identifier 0x{value:X} (in a DBC file {extended}, 0x{extended:X})",
            )

    def _check_spelling(self, message: DraftMessage, found: re.Match[str]) -> None:
        note, line = self.draft.note, message.line
        if not message.name:
            message.name = f"Message_{message.can_id:X}"
            note(line, f"the message with identifier 0x{message.can_id:X} has no name", f"called {message.name}")
        else:
            check_name(message.name, line, note)
        if not found["number"].isdecimal():
            note(line, f"identifier '{printable(found['number'], 40)}'", f"read as {message.number}")
        if found["length"] != str(message.length):
            note(line, f"length '{printable(found['length'], 40)}'", f"read as {message.length} bytes")
        if message.length > MOST_BYTES:
            note(line, f"'{printable(message.name, 60)}' has {message.length} bytes", f"taken as {MOST_BYTES}")
            message.length = MOST_BYTES

    def _check_sender(self, message: DraftMessage, found: re.Match[str]) -> None:
        tail = found["tail"]
        sender = _SENDER.match(tail)
        if sender and ("\n" not in sender[0] or sender.end() == len(tail.rstrip())):
            rest = tail[sender.end() :]
        else:
            first, newline, rest = tail.partition("\n")
            rest = newline + rest
            what = f"'{printable(first.strip(), 40)}' is no name of a sender" if first.strip() else "no sender is named"
            self.draft.note(message.line, f"{what} for '{printable(message.name, 60)}'", "read without it")
        self._rest(rest, message.line + found.string.count("\n", 0, len(found.string) - len(rest)))

    def signal(self, statement: Statement) -> None:
        """Take an SG_ statement."""
        text, line = statement.text, statement.line
        message = self.current  # what follows the line can end it
        if message is None:
            self._leave_out(line, f"the signal '{_first_line(text)}' stands in no message that is known for sure")
            return
        if self.apart:
            self.draft.note(
                line,
                f"the signal '{_first_line(text)}' stands apart from its message",
                f"read as part of the last message above, '{printable(message.name, 60)}'",
            )
            self.apart = False
        if message.left_out:
            return
        found = _SIGNAL.match(text)
        signal = self._signal(found, line) if found else None
        if signal is not None:
            message.signals.append(signal)
            return
        named = re.match(r'SG_\s+([^\s:"]+)', text)
        if named:
            message.lost.add(named[1])
        if found is None:
            head, newline, rest = text.partition("\n")
            self._leave_out(line, f"the signal '{_first_line(head)}' cannot be read")
            self._rest(rest, line + len(newline))

    def _signal(self, found: re.Match[str], line: int) -> DraftSignal | None:
        """Give the signal of an SG_ line, ``None`` if it was left out (and reported)."""
        name, page = found["name"], found["page"]
        field = self._field(found, name, line)
        conversion = self._conversion(found["conversion"], name, line)
        if field is None or conversion is None:
            return None
        minimum, maximum = self._range(found["range"], name, line)
        check_name(name, line, self.draft.note)
        self._check_receivers(found, name, line)
        return DraftSignal(
            line=line,
            name=name,
            field=field,
            is_multiplexor=found["multiplexor"] is not None,
            own_page=None if page is None else int(page),
            scale=conversion[0],
            offset=conversion[1],
            minimum=minimum,
            maximum=maximum,
            unit=plain_text(found["unit"][1:-1]),
        )

    def _field(self, found: re.Match[str], name: str, line: int) -> Field | None:
        start, length, order = int(found["start"]), int(found["length"]), int(found["order"])
        shown = f"'{printable(name, 60)}'"
        if not 1 <= length <= MAX_FIELD_BITS:
            self._leave_out(line, f"signal {shown} has {length} bits, not 1 to {MAX_FIELD_BITS}")
            return None
        if not 0 <= start < MOST_BYTES * 8:
            self._leave_out(line, f"signal {shown} starts at bit {start}, outside every message")
            return None
        if order > 1:
            what = f"signal {shown} has byte order {order}, neither 0 (big-endian) nor 1 (little-endian)"
            self.draft.note(line, what, "read as little-endian")
        return Field(start, length, "little" if order else "big", found["sign"] == "-")

    def _conversion(self, written: str, name: str, line: int) -> tuple[int | float, int | float] | None:
        shown, numbers = printable(written.strip(), 60), two_numbers(written, ",")
        if numbers is None:
            self._leave_out(line, f"scale and offset '({shown})' of signal '{printable(name, 60)}' cannot be read")
            return None
        scale, offset, as_it_should_be = numbers
        if not as_it_should_be:
            what = f"scale and offset '({shown})' of signal '{printable(name, 60)}'"
            self.draft.note(line, what, f"read as scale {scale} and offset {offset}")
        if scale == 0:
            what = f"signal '{printable(name, 60)}' has the scale 0"
            self.draft.note(line, what, f"kept: each of its values is {offset}")
        return scale, offset

    def _range(self, written: str, name: str, line: int) -> tuple[int | float | None, int | float | None]:
        shown, numbers = f"'[{printable(written.strip(), 60)}]' of signal '{printable(name, 60)}'", None
        numbers = two_numbers(written, "|")
        if numbers is None:
            self.draft.note(line, f"the range {shown} cannot be read", "taken as not given")
            return None, None
        minimum, maximum, as_it_should_be = numbers
        if minimum > maximum:
            self.draft.note(line, f"the range {shown} ends below its start", "taken as not given")
            return None, None
        if not as_it_should_be:
            self.draft.note(line, f"the range {shown}", f"read as {minimum} to {maximum}")
        return (None, None) if minimum == maximum == 0 else (minimum, maximum)

    def _check_receivers(self, found: re.Match[str], name: str, line: int) -> None:
        tail = found["tail"]
        receivers = _RECEIVERS.match(tail)
        if receivers and (not tail[receivers.end() :].split("\n")[0].strip() or "\n" in receivers[0]):
            rest = tail[receivers.end() :]
        else:
            first, newline, rest = tail.partition("\n")
            rest = newline + rest
            what = (
                f"receivers '{printable(first.strip(), 40)}' cannot be read"
                if first.strip()
                else "no receiver is named"
            )
            self.draft.note(line, f"{what} for signal '{printable(name, 60)}'", "read without them")
        self._rest(rest, line + found.string.count("\n", 0, len(found.string) - len(rest)))

    def other(self) -> None:
        """Take note that a statement of another kind stands here."""
        self.apart = self.current is not None

    def unreadable(self, text: str, line: int, *, after_blank_line: bool = False) -> None:
        """Take lines that no keyword begins.

        Where they could have been a message's first line, it is no longer sure whose the next SG_ lines are.
        """
        lines = text.strip().split("\n")
        more = f" and {len(lines) - 1} more" if len(lines) > 1 else ""
        self._leave_out(line, f"the line '{_first_line(text)}'{more} cannot be read")
        for one in lines:
            looks_like_signal = one[:1].isspace() or _LIKE_A_SIGNAL.search(one) is not None
            if (_LIKE_A_MESSAGE.search(one[:2000]) and "@" not in one) or (after_blank_line and not looks_like_signal):
                self.current = None
            after_blank_line = not one.strip()

    def _rest(self, rest: str, line: int) -> None:
        """Take what follows a BO_ or SG_ line before the next keyword."""
        text = rest.lstrip()
        if text:
            lead = rest[: len(rest) - len(text)]
            self.unreadable(text, line + lead.count("\n"), after_blank_line=lead.count("\n") > 1)

    def _leave_out(self, line: int, what: str) -> None:
        self.draft.note(line, what, "left out")


def check_name(name: str, line: int, note: Callable[[int, str, str], None]) -> None:
    """Report a name that the format does not allow; it is kept all the same."""
    if name_is_plain(name):
        return
    if name in KEYWORDS:
        why = "is a keyword"
    elif name[:1].isdecimal():
        why = "begins with a digit"
    else:
        odd = next((c for c in name if not (c.isascii() and (c.isalnum() or c == "_"))), "")
        why = f"holds '{printable(odd)}', which names must not" if odd else "is no name"
    note(line, f"the name '{printable(name, 60)}' {why}", "the name is kept")


def _first_line(text: str) -> str:
    return printable(text.strip().split("\n", 1)[0].strip(), 80)
