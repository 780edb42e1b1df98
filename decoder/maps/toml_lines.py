"""Line numbers of keys and array elements in TOML text, which the standard reader does not give.

Works on text that `tomllib` accepts (TOML 1.0.0), so it only has to find its way, not to judge.
"""

from __future__ import annotations

import re
from bisect import bisect_right
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator

KeyPath = tuple[str | int, ...]

_BLANK = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_SPACE = re.compile(r"[ \t]*")
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_SCALAR = re.compile(r"[^,\]}#\n]*")
# Longest first: a text of several lines may end in up to two quotes of its own.
_TEXT = re.compile(
    r'"""(?:[^\\"]|\\.|"{1,2}(?!"))*"{3,5}|'
    r"'''(?:[^']|'{1,2}(?!'))*'{3,5}|"
    r'"(?:[^\\"\n]|\\.)*"|'
    r"'[^'\n]*'",
    re.DOTALL,
)


def header_lines(text: str) -> list[int]:
    """Give the lines, from 1, on which a table begins (``[name]`` or ``[[name]]``), in their order."""
    return _Walk(text).headers


def key_lines(text: str) -> dict[KeyPath, int]:
    """Give the line, from 1, of each key, table header and array element of a valid TOML text.

    ``("channels", 2, "low")`` is the key `low` of the third ``[[channels]]``, ``("case", "rows", 0, 1)`` the
    second number of the first row. A table that is only implied by a longer header has that header's line.
    """
    return _Walk(text).lines


class _Walk:
    def __init__(self, text: str) -> None:
        self.text = text
        self.position = 0
        self.breaks = [found.start() for found in re.finditer("\n", text)]
        self.lines: dict[KeyPath, int] = {}
        self.headers: list[int] = []
        self.elements: dict[KeyPath, int] = {}
        self._document()

    def _document(self) -> None:
        table: KeyPath = ()
        self._skip(_BLANK)
        while self.position < len(self.text):
            if self._next() == "[":
                table = self._header()
            else:
                self._pair(table)
            self._skip(_BLANK)

    def _header(self) -> KeyPath:
        start = self.position
        self.headers.append(self._line(start))
        brackets = 2 if self.text.startswith("[[", start) else 1
        self.position += brackets
        path: KeyPath = ()
        keys = list(self._keys())
        for number, key in enumerate(keys, start=1):
            path += (key,)
            self._note(path, start)
            if brackets == 2 and number == len(keys):
                self.elements[path] = self.elements.get(path, 0) + 1
            if path in self.elements:
                path += (self.elements[path] - 1,)
                self._note(path, start)
        self._skip(_SPACE)
        self.position += brackets
        return path

    def _pair(self, table: KeyPath) -> None:
        start = self.position
        path = table
        for key in self._keys():
            path += (key,)
            self._note(path, start)
        self._skip(_SPACE)
        self.position += 1  # the equals sign
        self._skip(_SPACE)
        self._value(path)

    def _keys(self) -> Iterator[str]:
        while True:
            self._skip(_SPACE)
            yield self._key()
            self._skip(_SPACE)
            if self._next() != ".":
                return
            self.position += 1

    def _key(self) -> str:
        quoted = self._next() in {'"', "'"}
        written = self._take(_TEXT if quoted else _BARE_KEY)
        if not quoted:
            return written
        return written[1:-1] if written[0] == "'" else _unescaped(written[1:-1])

    def _value(self, path: KeyPath) -> None:
        opening = self._next()
        if opening in {'"', "'"}:
            self._take(_TEXT)
        elif opening == "[":
            self._array(path)
        elif opening == "{":
            self._inline_table(path)
        else:
            self._take(_SCALAR)

    def _array(self, path: KeyPath) -> None:
        self.position += 1
        self._skip(_BLANK)
        number = 0
        while self._next() not in {"]", ""}:
            self._note((*path, number), self.position)
            self._value((*path, number))
            self._skip(_BLANK)
            if self._next() == ",":
                self.position += 1
                self._skip(_BLANK)
            number += 1
        self.position += 1

    def _inline_table(self, path: KeyPath) -> None:
        self.position += 1
        self._skip(_BLANK)
        while self._next() not in {"}", ""}:
            self._pair(path)
            self._skip(_BLANK)
            if self._next() == ",":
                self.position += 1
                self._skip(_BLANK)
        self.position += 1

    def _next(self) -> str:
        return self.text[self.position : self.position + 1]

    def _skip(self, what: re.Pattern[str]) -> None:
        found = what.match(self.text, self.position)
        if found is not None:
            self.position = found.end()

    def _take(self, what: re.Pattern[str]) -> str:
        """Step over what must stand here, one character at least, so that the walk always ends."""
        found = what.match(self.text, self.position)
        end = found.end() if found is not None else self.position
        taken = self.text[self.position : end]
        self.position = max(end, self.position + 1)
        return taken or "?"

    def _note(self, path: KeyPath, position: int) -> None:
        self.lines.setdefault(path, self._line(position))

    def _line(self, position: int) -> int:
        return bisect_right(self.breaks, position - 1) + 1


_ESCAPES = {"b": "\b", "t": "\t", "n": "\n", "f": "\f", "r": "\r", '"': '"', "\\": "\\"}


def _unescaped(written: str) -> str:
    """Turn the escapes of a basic string (TOML 1.0.0, 'String') into characters."""

    def character(found: re.Match[str]) -> str:
        code = found.group(1)
        return _ESCAPES[code] if code in _ESCAPES else chr(int(code[1:], 16))

    return re.sub(r'\\([btnfr"\\]|u[0-9A-Fa-f]{4}|U[0-9A-Fa-f]{8})', character, written)
