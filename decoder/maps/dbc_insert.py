"""Lines put between the lines of a DBC file, whose own bytes stay as they are.

A statement goes behind the last one of its kind; where there is none, behind the last one that usually stands before
it. Where another statement stands on the same line, there is no place for a line between them.
"""

from __future__ import annotations

import re
from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from decoder.maps.dbc_statements import OPEN_ENDED, statements

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from decoder.maps.dbc_statements import Statement

# The order in which statements usually stand (common practice, no source).
_ORDER: Final = (
    "VERSION", "NS_", "BS_", "BU_", "VAL_TABLE_", "BO_", "SG_", "BO_TX_BU_", "EV_", "ENVVAR_DATA_", "CM_",
    "BA_DEF_", "BA_DEF_REL_", "BA_DEF_DEF_", "BA_DEF_DEF_REL_", "BA_", "BA_REL_", "VAL_", "SIG_GROUP_",
    "SIG_VALTYPE_", "SG_MUL_VAL_",
)  # fmt: skip
_RANK: Final = {keyword: rank for rank, keyword in enumerate(_ORDER)}

_LINE: Final = re.compile(r"[^\r\n]*(?:\r\n|\r|\n)|[^\r\n]+")
_LINE_END: Final = re.compile(r"\r\n|\r|\n")


@dataclass(frozen=True, slots=True)
class _Span:
    """Where a statement stands: its first and last line, from 1."""

    keyword: str
    first: int
    last: int


class Places:
    """Where lines of each kind go in a text (LF line ends)."""

    def __init__(self, text: str) -> None:
        """Take the text as the reader of statements takes it."""
        self._spans = [_span(one) for one in statements(text)]

    def behind(self, keyword: str) -> int:
        """Give the line behind which statements of a kind go; 0 for the top of the file."""
        own = [at for at, span in enumerate(self._spans) if span.keyword == keyword]
        before = [at for at, span in enumerate(self._spans) if _RANK.get(span.keyword, len(_ORDER)) < _RANK[keyword]]
        return self._line_behind((own or before)[-1]) if own or before else 0

    def has(self, keyword: str) -> bool:
        """Whether there is a statement of a kind."""
        return any(span.keyword == keyword for span in self._spans)

    def behind_messages(self) -> int:
        """Give the line behind the last message and its signals."""
        blocks = [at for at, span in enumerate(self._spans) if span.keyword in {"BO_", "SG_"}]
        return self._line_behind(blocks[-1]) if blocks else self.behind("BO_")

    def behind_signals(self, message_line: int) -> int | None:
        """Give the line behind the last signal of the message in a line; ``None`` where no line can go there."""
        keywords = [(span.keyword, span.first) for span in self._spans]
        start = keywords.index(("BO_", message_line))
        last = start
        for at in range(start + 1, len(keywords)):
            if keywords[at][0] == "BO_":
                break
            if keywords[at][0] == "SG_":
                last = at
        line = self._spans[last].last
        is_last = last + 1 == len(self._spans) or self._spans[last + 1].first > line
        return line if is_last else None

    def _line_behind(self, at: int) -> int:
        """Give the last line of a statement and of those that begin on the line where one before them ends."""
        line = self._spans[at].last
        for span in self._spans[at + 1 :]:
            if span.first > line:
                break
            line = max(line, span.last)
        return line


def _span(one: Statement) -> _Span:
    text = one.text if one.closed and one.keyword not in OPEN_ENDED else one.text.rstrip()
    return _Span(one.keyword, one.line, one.line + text.count("\n"))


def inserted(text: str, lines_behind: Mapping[int, Sequence[str]]) -> str:
    """Put lines behind those of the given numbers (from 1; 0: at the top), with the line ends of the text."""
    own = _LINE.findall(text)
    ending = _usual_ending(own)
    parts: list[str] = []
    for number in range(len(own) + 1):
        if number:
            parts.append(own[number - 1])
        new = lines_behind.get(number, ())
        if not new:
            continue
        if number == len(own) and own and not _LINE_END.search(own[-1]):
            parts.append(ending + ending.join(new))
        else:
            parts.append("".join(line + ending for line in new))
    return "".join(parts)


def _usual_ending(own: Sequence[str]) -> str:
    count: dict[str, int] = defaultdict(int)
    for line in own:
        if found := _LINE_END.search(line):
            count[found[0]] += 1
    return max(count, key=lambda ending: count[ending]) if count else "\n"


def indent_of(text: str, line: int) -> str:
    """Give the blanks that a line (from 1) of a text begins with."""
    own = text.split("\n")[line - 1]
    return own[: len(own) - len(own.lstrip(" \t"))]
