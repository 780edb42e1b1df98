"""Labels of readings in words: what was measured, and where. ``module 4 cell 11``, ``pack voltage``, ``cell 17``."""

from __future__ import annotations

from itertools import pairwise

from decoder.maps.naming import judge_name
from decoder.maps.pack_sheet import Place
from decoder.maps.words import words_of


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


def quantity_in(label: str, unit: str) -> str | None:
    """Give the quantity that a label and its unit speak of, ``None`` if they do not say."""
    return judge_name(label, unit, "", 0).quantity
