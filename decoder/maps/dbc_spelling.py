r"""Names, texts and numbers as a DBC file can hold them.

Names are C identifiers of at most 32 characters. A quote in a text is written ``\"``, so a backslash cannot be the
last character of one; line ends become blanks, so that one statement is one line.
"""

from __future__ import annotations

import re
import unicodedata
from typing import TYPE_CHECKING, Final

from decoder.maps.dbc_messages import name_is_plain
from decoder.printable import printable

if TYPE_CHECKING:
    from collections.abc import Container

MOST_NAME: Final = 32
# How much of a long name's end is kept: numbers and units stand there, `_1_03_V`.
_MOST_TAIL: Final = 16
_TAIL: Final = re.compile(r"(?:_[A-Za-z]{0,4}[0-9]*)+$")

_SPELLINGS: Final = str.maketrans(
    {
        "°": "deg",
        "º": "deg",
        "Ω": "ohm",
        "\u2126": "ohm",
        "µ": "u",
        "\u03bc": "u",
        "Δ": "delta ",
        "Ä": "Ae",
        "Ö": "Oe",
        "Ü": "Ue",
        "ä": "ae",
        "ö": "oe",
        "ü": "ue",
        "ß": "ss",
        "æ": "ae",
        "Æ": "Ae",
        "ø": "oe",
        "Ø": "Oe",
        "±": "+/-",
        "×": "x",
        "·": ".",
        "\u2013": "-",
        "\u2014": "-",
        "\u2212": "-",
        "\u2018": "'",
        "\u2019": "'",
        "\u201c": '"',
        "\u201d": '"',
        "\u201e": '"',
        "€": "EUR",
    }
)


def text_for(text: str, encoding: str) -> str:
    """Give a text as it goes between quotes, without them: one line, safe to show, possible in `encoding`."""
    plain = printable(" ".join(text.split()))
    plain = "".join(character if _fits(character, encoding) else ascii_text(character) for character in plain)
    plain = plain.replace('"', '\\"')
    return plain + " " if plain.endswith("\\") else plain


def _fits(character: str, encoding: str) -> bool:
    try:
        character.encode(encoding)
    except UnicodeEncodeError:
        return False
    return True


def ascii_text(text: str) -> str:
    r"""Spell a text in ASCII: ``degC`` for °C, letters without their accents, ``\u....`` for what has no spelling."""
    return text if text.isascii() else "".join(map(_ascii, text))


def _ascii(character: str) -> str:
    spelled = character.translate(_SPELLINGS)
    if spelled.isascii():
        return spelled
    plain = unicodedata.normalize("NFKD", character)
    kept = "".join(part.translate(_SPELLINGS) for part in plain if not unicodedata.combining(part))
    return kept if kept and kept.isascii() else f"\\u{ord(character):04x}"


def legal_name(wished: str) -> str:
    """Make a name legal: letters, digits and ``_``, not beginning with a digit, no keyword, at most 32 characters.

    A long one loses what stands before its numbers and its unit.
    """
    name = re.sub(r"[^A-Za-z0-9_]+", "_", ascii_text(wished)).strip("_")
    name = shortened(name, MOST_NAME)
    if name[:1].isdecimal():
        name = shortened(f"_{name}", MOST_NAME)
    if not name_is_plain(name):
        name = f"{name}_1" if name else "Field"
    return name


def shortened(name: str, most: int) -> str:
    """Cut a name to at most `most` characters, keeping numbers and units at its end."""
    if len(name) <= most:
        return name
    found = _TAIL.search(name)
    tail = found[0] if found else ""
    while len(tail) > min(_MOST_TAIL, most - 1):
        tail = "_" + tail[1:].partition("_")[2] if "_" in tail[1:] else ""
    return name[: most - len(tail)].rstrip("_") + tail


def free_name(wished: str, taken: Container[str]) -> str:
    """Give a legal name that is not among `taken`: `wished`, or with a number behind it."""
    name = legal_name(wished)
    number = 2
    free = name
    while free in taken:
        ending = f"_{number}"
        free = shortened(name, MOST_NAME - len(ending)) + ending
        number += 1
    return free


def number_text(value: float) -> str:
    """Give a number in its shortest exact form, whole ones without a point."""
    if value == int(value) and abs(value) < 1e15:
        return str(int(value))
    return repr(float(value))
