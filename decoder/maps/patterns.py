"""Name patterns of the pack sheet.

``{module}``, ``{cell}`` and ``{sensor}`` match a whole number (1 to 9 digits, leading zeros or not), ``*``
matches anything, also nothing. A character in braces stands for itself: ``{*}``, ``{{}`` and ``{}}`` are
literally ``*``, ``{`` and ``}``. Everything else, upper and lower case too, stands for itself.
"""

from __future__ import annotations

import difflib
import re
from functools import lru_cache

from decoder.printable import printable

PLACEHOLDERS = ("module", "cell", "sensor")

# A number that stands behind another digit is only part of one; nor may digits follow it.
_NUMBER = "(?P<{name}>[0-9]{{1,9}})(?![0-9])"
_LITERAL = {"*": "{*}", "{": "{{}", "}": "{}}"}


class PatternError(ValueError):
    """A pattern that cannot be used; the text says why."""


def literal(name: str) -> str:
    """Give the pattern that fits exactly `name`."""
    return "".join(_LITERAL.get(character, character) for character in name)


@lru_cache(maxsize=1024)
def placeholders(pattern: str) -> tuple[str, ...]:
    """Give the placeholders of `pattern` in their order. Raises `PatternError`."""
    return tuple(part[1:] for part in _parts(pattern) if part[0] == "<")


def bare_name(name: str) -> str:
    """Give the signal's own name: without ``bus:``, ``Message.`` and ``@page``."""
    return name.rpartition(":")[2].rpartition(".")[2].partition("@")[0] or name


def fit(pattern: str, name: str) -> dict[str, int] | None:
    """Give the numbers that `pattern` finds in `name`, whole or as bare signal name; ``None``: no fit."""
    compiled = _compiled(pattern)
    for candidate in dict.fromkeys((name, bare_name(name))):
        found = compiled.fullmatch(candidate)
        if found is not None:
            return {key: int(digits) for key, digits in found.groupdict().items()}
    return None


def _parts(pattern: str) -> list[str]:
    """Split a pattern into ``*``, ``<placeholder`` and literal characters written as ``=x``."""
    parts = []
    position = 0
    while position < len(pattern):
        character = pattern[position]
        if character == "}":
            raise PatternError("a '}' without '{' before it; the character itself is written {}}")
        if character != "{":
            parts.append(character if character == "*" else f"={character}")
            position += 1
            continue
        if pattern[position + 2 : position + 3] == "}":
            parts.append(f"={pattern[position + 1]}")
            position += 3
            continue
        word, end, _ = pattern[position + 1 :].partition("}")
        if not end:
            raise PatternError("a '{' without '}' behind it; the character itself is written {{}")
        if word not in PLACEHOLDERS:
            known = "{module}, {cell}, {sensor}, {*}, {{}, {}}"
            nearest = difflib.get_close_matches(word[:20].lower(), PLACEHOLDERS, n=1, cutoff=0.4)
            hint = f"; the nearest is {{{nearest[0]}}}" if nearest else ""
            raise PatternError(f"'{{{printable(word, 20)}}}' is none of {known}{hint}")
        parts.append(f"<{word}")
        position += len(word) + 2
    return parts


@lru_cache(maxsize=1024)
def _compiled(pattern: str) -> re.Pattern[str]:
    """Compile a pattern so that matching takes no more than length of pattern times length of name.

    What stands between two stars is taken where it fits first and never tried again: sound, since the next
    star takes the rest anyway.
    """
    chunks = [""]
    seen: set[str] = set()
    before = ""
    for part in _parts(pattern):
        if part == "*":
            chunks.append("")
        elif part[0] == "=":
            chunks[-1] += re.escape(part[1:])
        else:
            if part in seen:
                raise PatternError(f"{{{part[1:]}}} stands there twice")
            if before.startswith("<"):
                raise PatternError(f"{{{before[1:]}}} and {{{part[1:]}}} touch: whose digits are whose?")
            seen.add(part)
            chunks[-1] += ("" if chunks[-1] else "(?<![0-9])") + _NUMBER.format(name=part[1:])
        before = part
    if len(chunks) == 1:
        return re.compile(chunks[0], re.DOTALL)
    middle = "".join(f"(?>.*?{chunk})" for chunk in chunks[1:-1] if chunk)
    return re.compile(f"{chunks[0]}{middle}.*?{chunks[-1]}\\Z", re.DOTALL)


def check(pattern: str) -> None:
    """Raise `PatternError` where `pattern` cannot be used."""
    _compiled(pattern)
