r"""The text of a DBC file cut into statements, whatever is wrong in between.

A statement begins with its keyword. Most end in ';'; VERSION, NS_, BS_, BU_, BO_ and SG_ end where the next begins.
Texts in quotes may hold line ends, keywords and ';', and a quote in them as ``\"``; ``//`` begins a comment.
Where something is broken, reading goes on at the next line that begins with a keyword.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator

# Statements that no ';' ends.
OPEN_ENDED = frozenset({"VERSION", "NS_", "BS_", "BU_", "BO_", "SG_"})

KEYWORDS = OPEN_ENDED | {
    "BA_", "BA_DEF_", "BA_DEF_DEF_", "BA_DEF_DEF_REL_", "BA_DEF_REL_", "BA_DEF_SGTYPE_", "BA_REL_", "BA_SGTYPE_",
    "BO_TX_BU_", "BU_BO_REL_", "BU_EV_REL_", "BU_SG_REL_", "CAT_", "CAT_DEF_", "CM_", "ENVVAR_DATA_", "EV_",
    "EV_DATA_", "FILTER", "NS_DESC_", "SGTYPE_", "SGTYPE_VAL_", "SG_MUL_VAL_", "SIGTYPE_VALTYPE_", "SIG_GROUP_",
    "SIG_TYPE_REF_", "SIG_VALTYPE_", "VAL_", "VAL_TABLE_",
}  # fmt: skip

# Keywords that say what another statement is about, and so stand inside it; the first four also begin statements.
_KINDS = frozenset({"BO_", "SG_", "BU_", "EV_", "BU_BO_REL_", "BU_EV_REL_", "BU_SG_REL_"})
_BEFORE_KIND = re.compile(r'(?:CM_|BA_DEF_|BA_DEF_REL_|(?:BA_|BA_REL_)\s*"(?:\\"|[^"])*")\s*')
_TRUE_START = re.compile(r'(?:BO_\s+\w+\s+[^:"\n]*:\s*\d|SG_\s[^:"\n]*:\s*\d+\s*\||BU_\s*:|EV_\s[^:"\n]*:)', re.ASCII)
# These could also be names, so they begin a statement only where a line or the file begins, or after ';'.
_PLAIN_WORDS = frozenset({"VERSION", "FILTER"})

_KEYWORD = "(?:" + "|".join(sorted(KEYWORDS, key=len, reverse=True)) + r")(?!\w)"
_EVENT = re.compile(
    r'(?P<text>"(?:\\"|[^"])*?")'
    r'|(?P<quote>")'
    r"|(?P<comment>//[^\n]*)"
    r"|(?P<semicolon>;)"
    rf"|(?:(?P<indent>^[^\S\n]*)|(?<!\w))(?P<keyword>{_KEYWORD})",
    re.MULTILINE,
)
_KEYWORD_LINE = re.compile(rf"\n[^\S\n]*{_KEYWORD}")
_GAP = r"(?:\s|//[^\n]*+)*"
_NEXT_LINE = rf"(?:\Z|(?<=\n)[^\S\n]*{_KEYWORD})"
_ENDS_STATEMENT = re.compile(rf"{_GAP}(?:;|{_NEXT_LINE})")
# What may follow a text: the next number and label, the next word of an enumeration, the receivers of a signal.
_RECEIVERS = rf"(?=[^\W0-9])\w+(?:{_GAP},{_GAP}\w+)*{_GAP}{_NEXT_LINE}"
_GOES_ON = re.compile(rf'{_GAP}(?:(?<=\s)[-+]?[0-9]+(?=\s){_GAP}"|,{_GAP}"|{_RECEIVERS})')
_LAST_QUOTE = re.compile(r'"\s*;')
_LISTED = re.compile(r"[A-Z][A-Z0-9_]*_|FILTER")
_NEXT_WORD = re.compile(rf"{_GAP}(\S+)")

# What some editors and web pages put in place of a blank.
_ODD_BLANKS = re.compile("[\x0b\x0c\x1c-\x1f\x85\xa0\u1680\u2000-\u200a\u2028\u2029\u202f\u205f\u3000\ufeff]")

# Longer gaps inside a statement are shortened, so that looking for what follows them stays quick.
_LONG_GAP = re.compile(r"\s{1000,}+")


@dataclass(frozen=True, slots=True)
class Note:
    """Something wrong: the line, what, and what was done."""

    line: int
    what: str
    done: str


@dataclass(slots=True)
class Statement:
    """One statement: its keyword ("" where none begins it), its line, its text from the keyword on without ';'."""

    keyword: str
    line: int
    pieces: list[str] = field(default_factory=list)
    closed: bool = False
    after_blank_line: bool = False
    notes: list[Note] = field(default_factory=list)

    @property
    def text(self) -> str:
        """The statement's text; comments are gone, line ends are kept."""
        return "".join(self.pieces)


def statements(text: str) -> Iterator[Statement]:
    """Cut `text` into statements. Nothing but blanks and comments is left out."""
    return _Cutter(text).cut()


class _Cutter:
    """Walks through the text once; `position` is how far everything has been handed on."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.position = 0
        self.line = 1
        self.open: Statement | None = None
        self.same_line = True  # as the keyword of the open statement

    def cut(self) -> Iterator[Statement]:
        while event := _EVENT.search(self.text, self.position):
            self._take(event.start() if event["indent"] is None else event.end("indent"))
            if event["keyword"]:
                yield from self._on_keyword(event)
            elif event["semicolon"]:
                yield from self._on_semicolon()
            elif event["comment"]:
                self.position = event.end()
            else:
                self._on_text(event)
        self._take(len(self.text))
        yield from self._finish()

    def _take(self, end: int) -> None:
        """Hand on plain text up to `end`."""
        gap = self.text[self.position : end]
        self.position = end
        if not gap:
            return
        if self.open is None:
            rest = gap.lstrip()
            if rest:
                lead = gap[: len(gap) - len(rest)]
                self._begin("", self.line + lead.count("\n"), blank_before=lead.count("\n") > 1)
                self._append(rest)
        else:
            self._append(gap)
        newlines = gap.count("\n")
        self.line += newlines
        if newlines:
            self.same_line = False

    def _append(self, plain: str) -> None:
        assert self.open is not None
        plain = _LONG_GAP.sub(" ", plain)
        if odd := _ODD_BLANKS.search(plain):
            line = self.line + plain.count("\n", 0, odd.start())
            what = f"a character that only looks like a blank (U+{ord(odd[0]):04X})"
            self.open.notes.append(Note(line, what, "read as a blank"))
            plain = _ODD_BLANKS.sub(" ", plain)
        self.open.pieces.append(plain)

    def _append_quoted(self, shown: str, end: int) -> None:
        if self.open is None:
            self._begin("", self.line)
        assert self.open is not None
        self.open.pieces.append(shown)
        newlines = self.text.count("\n", self.position, end)
        self.line += newlines
        if newlines:
            self.same_line = False
        self.position = end

    def _begin(self, keyword: str, line: int, *, blank_before: bool = False) -> None:
        self.open = Statement(keyword, line, after_blank_line=blank_before)
        self.same_line = True

    def _finish(self, *, closed: bool = False) -> Iterator[Statement]:
        if self.open is not None:
            self.open.closed = closed
            yield self.open
        self.open = None

    def _on_semicolon(self) -> Iterator[Statement]:
        self.position += 1
        if self.open is None or not self.open.keyword or self.open.keyword in OPEN_ENDED:
            self._append_quoted(";", self.position)  # one too many: part of what cannot be read
        else:
            yield from self._finish(closed=True)

    def _on_keyword(self, event: re.Match[str]) -> Iterator[Statement]:
        keyword = event["keyword"]
        if not self._begins(keyword, at_line_start=event["indent"] is not None):
            self._append_quoted(keyword, event.end())
            return
        yield from self._finish()
        self._begin(keyword, self.line)
        self._append_quoted(keyword, event.end())
        if keyword == "NS_":
            self._pass_list()

    def _begins(self, keyword: str, *, at_line_start: bool) -> bool:
        """Whether a keyword at the present position begins a statement."""
        if self.open is None:
            return True
        if at_line_start:
            return not (
                keyword in _KINDS
                and _BEFORE_KIND.fullmatch(self.open.text if len(self.open.pieces) < 12 else "")
                and not _TRUE_START.match(self.text, self.position)
            )
        if self.open.keyword in {"BO_", "SG_"} and len(self.open.pieces) <= 3 and ":" not in self.open.text:
            return False  # it stands where the name should be
        return self.open.keyword in OPEN_ENDED and self.same_line and keyword not in _PLAIN_WORDS

    def _pass_list(self) -> None:
        """Pass over the keywords that NS_ lists: each stands alone on its line, or before another one."""
        end = self.position
        word = _NEXT_WORD.match(self.text, end)
        if word and word[1] == ":":
            end = word.end()
            word = _NEXT_WORD.match(self.text, end)
        elif word and word[1].startswith(":"):
            return
        while word and _LISTED.fullmatch(word[1]):
            following = _NEXT_WORD.match(self.text, word.end())
            if following and not _LISTED.match(following[1]) and "\n" not in following[0]:
                break
            end = word.end()
            word = following
        self._take(end)

    def _on_text(self, event: re.Match[str]) -> None:
        """Take a text in quotes, and find its true end where quotes are missing or stand inside it."""
        start, end = event.span()
        whole = event["text"] is not None
        if whole and self._believable(start, end):
            self._append_quoted(event[0], end)
            return
        if self.open is not None and self.open.keyword == "CM_":
            following = _KEYWORD_LINE.search(self.text, start)
            last = _LAST_QUOTE.search(self.text, start + 1, following.start() if following else len(self.text))
            if last:
                inside = self.text[start + 1 : last.start()]
                self._note("quotes stand inside the comment", "they are read as part of it")
                self._append_quoted('"' + re.sub(r'(?<!\\)"', r"\"", inside) + '"', last.start() + 1)
                return
        line_end = self.text.find("\n", start)
        line_end = len(self.text) if line_end < 0 else line_end
        inside = self.text[start + 1 : line_end].rstrip()
        length = len(inside.removesuffix(";").rstrip())
        self._note("a quote is not closed", "the text is taken to end where the line ends")
        self._append_quoted('"' + re.sub(r'(?<!\\)"', r"\"", inside[:length]).rstrip("\\") + '"', start + 1 + length)

    def _believable(self, start: int, end: int) -> bool:
        """Whether the text in quotes from `start` to `end` is one, and not what stands between two others."""
        ends = _ENDS_STATEMENT.match(self.text, end) is not None
        if ends or (self.open is not None and self.open.keyword == "CM_"):
            return ends
        if "\n" not in self.text[start:end] or not _KEYWORD_LINE.search(self.text, start, end):
            return True
        return _GOES_ON.match(self.text, end) is not None

    def _note(self, what: str, done: str) -> None:
        if self.open is None:
            self._begin("", self.line)
        assert self.open is not None
        self.open.notes.append(Note(self.line, what, done))
