"""Places as people type them: m4 c11, module 4 cell 11, s2, 4/11, positive."""

from __future__ import annotations

import re
from typing import Final

from decoder.errors import UsageError
from decoder.maps.pack_sheet import Place
from decoder.printable import printable

_PAIR: Final = re.compile(r"(\d{1,4})\s*[/.]\s*(\d{1,4})")
_NUMBERED: Final = re.compile(r"\b(m|module|c|cell|s|sensor)\s*(\d{1,4})\b", re.IGNORECASE)
_NAMED: Final = re.compile(r"(?:(?:s|sensor)\s+)?([A-Za-z][A-Za-z_-]{1,30})")
_PACK: Final = "pack"


def place_from_text(text: str) -> Place:
    """Read a place; an empty text and 'pack' are the whole pack. Raises `UsageError`."""
    words = " ".join(text.split())
    if not words or words.lower() == _PACK:
        return Place()
    pair = _PAIR.fullmatch(words)
    if pair:
        return _of({"m": int(pair[1]), "c": int(pair[2])}, words)
    numbers: dict[str, int | str] = {}
    rest = words
    for found in _NUMBERED.finditer(words):
        numbers[found[1][0].lower()] = int(found[2])
        rest = rest.replace(found[0], "", 1)
    rest = " ".join(rest.split())
    if rest:
        named = _NAMED.fullmatch(rest)
        if named is None or "s" in numbers or named[1].lower() in {"module", "cell", "sensor"}:
            raise _no_place(words)
        numbers["s"] = named[1].lower()
    return _of(numbers, words)


def place_text(place: Place) -> str:
    """Write a place so that it can be typed again; the whole pack is empty."""
    parts = []
    if place.module is not None:
        parts.append(f"m{place.module}")
    if place.cell is not None:
        parts.append(f"c{place.cell}")
    if place.sensor is not None:
        parts.append(f"s{place.sensor}" if isinstance(place.sensor, int) else place.sensor)
    return " ".join(parts)


def _of(numbers: dict[str, int | str], words: str) -> Place:
    if any(number == 0 for number in numbers.values()):
        raise _no_place(words)
    module, cell = numbers.get("m"), numbers.get("c")
    assert not isinstance(module, str)
    assert not isinstance(cell, str)
    return Place(module, cell, numbers.get("s"))


def _no_place(words: str) -> UsageError:
    return UsageError(
        f"'{printable(words, 40)}' is no place",
        expected="m4 c11, m4, c7, s2, 4/11 or a sensor's name such as positive; numbers count from 1",
    )
