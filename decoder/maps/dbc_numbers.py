"""Numbers as DBC files write them, and as they write them wrongly: decimal commas, a missing nought, hex.

A whole number becomes an `int`, anything else a `float`.
"""

from __future__ import annotations

import math
import re

# Longer ones are no numbers that anybody wrote.
_MOST_DIGITS = 400

_NUMBER = re.compile(r"[-+]?[0-9]+(?:\.[0-9]*)?(?:[eE][-+]?[0-9]+)?")
_LOOSE_NUMBER = re.compile(r"[-+]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][-+]?[0-9]+)?")
_COMMA_NUMBER = re.compile(r"[-+]?[0-9]*,[0-9]+(?:[eE][-+]?[0-9]+)?")
_WHOLE = re.compile(r"[-+]?[0-9]+")


def number(text: str) -> int | float | None:
    """Give the number that `text` is, ``None`` if it is none or not finite."""
    if len(text) > _MOST_DIGITS or not _LOOSE_NUMBER.fullmatch(text):
        return None
    if _WHOLE.fullmatch(text):
        value = int(text)
        return value if math.isfinite(_as_float(value)) else None
    value_with_fraction = float(text)
    return value_with_fraction if math.isfinite(value_with_fraction) else None


def is_plain(text: str) -> bool:
    """Whether `text` is a number in the form that the format knows: digits before the point, no comma."""
    return _NUMBER.fullmatch(text) is not None


def whole_number(text: str) -> int | None:
    """Give the whole number that `text` is: decimal, hex with ``0x``, or with nothing but noughts after the point."""
    if len(text) > _MOST_DIGITS:
        return None
    if text[:2].lower() == "0x" and re.fullmatch(r"[0-9A-Fa-f]+", text[2:]):
        return int(text, 16)
    value = number(text)
    return int(value) if value is not None and value == int(value) else None


def two_numbers(text: str, separator: str) -> tuple[int | float, int | float, bool] | None:
    """Read two numbers parted by `separator`; the third result says whether they were written as they should be.

    With decimal commas and a comma as separator, ``0,1,0`` is 0.1 and 0: of the ways to part it, that one counts in
    which the first number (a scale) is not 0 and no fraction ends in a nought. ``None`` if none or several are left.
    """
    parts = [part.strip() for part in text.split(separator)]
    if len(parts) == 2:
        first, second = number(_pointed(parts[0])), number(_pointed(parts[1]))
        return None if first is None or second is None else (first, second, all(map(is_plain, parts)))
    if separator != "," or len(parts) not in {3, 4}:
        return None
    ways = [(f"{parts[0]}.{parts[1]}", ".".join(parts[2:]))]
    if len(parts) == 3:
        ways.append((parts[0], f"{parts[1]}.{parts[2]}"))
    readings = []
    for way in ways:
        first, second = number(way[0]), number(way[1])
        if first and second is not None and not any("." in one and one.endswith("0") for one in way):
            readings.append((first, second, False))
    return readings[0] if len(readings) == 1 else None


def _pointed(text: str) -> str:
    return text.replace(",", ".") if _COMMA_NUMBER.fullmatch(text) else text


def _as_float(value: int) -> float:
    try:
        return float(value)
    except OverflowError:
        return math.inf
