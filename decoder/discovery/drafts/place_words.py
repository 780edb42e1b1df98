"""Labels of readings in words: what was measured, and where. ``module 4 cell 11``, ``pack voltage``, ``cell 17``."""

from __future__ import annotations

from itertools import pairwise
from typing import Final

from decoder.maps.naming import judge_name
from decoder.maps.pack_sheet import Place
from decoder.maps.words import words_of

# The unit that a label speaks of by its words, where none is given; the first one that fits counts.
_UNITS: Final = (
    ("voltage", "V"),
    ("current", "A"),
    ("pressure", "kPa"),
    ("insulation", "kohm"),
    ("coolant", "degC"),
    ("charge level", "%"),
    ("health", "%"),
    ("sensor", "degC"),
    ("charge", "%"),
    ("cell", "V"),
    ("module", "V"),
)


def place_in(label: str) -> Place:
    """Give the place that a label names: a number belongs to the word before it. The whole pack, if it names none."""
    module = cell = sensor = None
    for word, number in pairwise(words_of(label)):
        if number.number is None or number.number == 0:
            continue
        if "module" in word.meanings or word.text == "m":
            module = number.number
        elif "cell" in word.meanings or word.text in {"c", "z"}:
            cell = number.number
        elif "sensor" in word.meanings:
            sensor = number.number
    return Place(module, cell, sensor)


def quantity_in(label: str, unit: str = "") -> str | None:
    """Give the quantity that a label and its unit speak of, ``None`` if they do not say.

    Without a unit the words have to tell.
    """
    return judge_name(label, unit or _unit_in(label), "", 0).quantity


def _unit_in(label: str) -> str:
    meanings = {meaning for word in words_of(label) for meaning in word.meanings}
    return next((unit for word, unit in _UNITS if word in meanings), "")
