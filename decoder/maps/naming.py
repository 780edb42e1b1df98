"""Which quantity a channel measures, judged from its unit and the words of its name.

One row a rule, tried from the top: the unit's dimension must agree and each group of meanings must have a
word in the name. A word of `yields` passes the channel on to the rows below; a word of `blocked` ends the
search without a quantity, because the channel then is an extreme, a limit, a set value or belongs to another
part. All rows are common practice, no source.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from decoder.maps.units import unit_of
from decoder.maps.words import Word, words_of
from decoder.printable import printable

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence


@dataclass(frozen=True, slots=True)
class Named:
    """What a role is judged from: a channel's name, unit, message, whether it has a value table, its bits.

    The name is the signal's, or ``Message.Signal``, ``bus:Signal`` or ``Signal@page`` where that alone is
    ambiguous. `bits` is the width of the raw value, 0 where it is not known.
    """

    name: str
    unit: str = ""
    message: str = ""
    labelled: bool = False
    bits: int = 0


@dataclass(frozen=True, slots=True)
class NameRule:
    """One row; `dimension` is the unit's, ``"none"`` for channels without one."""

    quantity: str
    dimension: str
    groups: tuple[frozenset[str], ...]
    yields: frozenset[str] = frozenset()
    blocked: frozenset[str] = frozenset()
    needs_number: bool = False
    known_words_only: bool = False
    narrowest_bits: int = 1
    widest_bits: int = 64


def _row(
    quantity: str,
    dimension: str,
    *groups: str,
    yields: str = "",
    blocked: str = "",
    needs_number: bool = False,
    known_words_only: bool = False,
    narrowest_bits: int = 1,
    widest_bits: int = 64,
) -> NameRule:
    """Build a row; meanings within a text are separated by commas."""
    return NameRule(
        quantity,
        dimension,
        tuple(_meanings(group) for group in groups),
        _meanings(yields),
        _meanings(blocked),
        needs_number,
        known_words_only,
        narrowest_bits,
        widest_bits,
    )


def _meanings(text: str) -> frozenset[str]:
    return frozenset(part.strip() for part in text.split(",") if part.strip())


_NOT_MEASURED = "extreme, limit, target"

NAME_RULES: tuple[NameRule, ...] = (
    _row("keep-alive voltage", "voltage", "keep, alive", blocked=_NOT_MEASURED),
    _row("supply voltage", "voltage", "supply, 12 V", yields="cell, module, pack", blocked=_NOT_MEASURED),
    _row("link voltage", "voltage", "link", yields="cell", blocked=_NOT_MEASURED),
    _row("link voltage", "voltage", "dc", yields="cell, module, pack, battery", blocked=_NOT_MEASURED),
    _row("cell voltage", "voltage", "cell", blocked=f"{_NOT_MEASURED}, balancing, other part"),
    _row(
        "cell voltage",
        "voltage",
        "cell letter",
        yields="pack, battery, other part",
        blocked=f"{_NOT_MEASURED}, balancing",
    ),
    _row("module voltage", "voltage", "module, module letter", yields="pack", blocked=_NOT_MEASURED),
    _row("pack voltage", "voltage", "pack, battery", blocked=f"{_NOT_MEASURED}, other part"),
    _row("current limit", "current", "limit", yields="cell, module", blocked="target, other part, balancing"),
    _row(
        "pack current",
        "current",
        "pack, battery",
        blocked=f"{_NOT_MEASURED}, other part, cell, module, balancing, supply, keep",
    ),
    _row(
        "pack current",
        "current",
        "current",
        blocked=f"{_NOT_MEASURED}, other part, cell, module, balancing, supply, keep, link, charge, discharge",
    ),
    _row("coolant temperature", "temperature", "coolant", blocked=f"{_NOT_MEASURED}, other part"),
    _row("cell temperature", "temperature", "cell", blocked=f"{_NOT_MEASURED}, other part, balancing"),
    _row("module temperature", "temperature", "module", blocked=f"{_NOT_MEASURED}, other part, balancing"),
    _row(
        "module temperature",
        "temperature",
        "battery, pack",
        blocked=f"{_NOT_MEASURED}, other part, balancing, supply, link, dc, contactor",
        needs_number=True,
    ),
    _row(
        "module temperature",
        "temperature",
        "sensor",
        blocked=f"{_NOT_MEASURED}, other part, balancing, supply, link, dc, contactor",
        needs_number=True,
        known_words_only=True,
    ),
    _row("state of health", "share", "health", blocked=_NOT_MEASURED),
    _row("state of charge", "share", "charge level", blocked=_NOT_MEASURED),
    _row("state of charge", "share", "charge", blocked=f"{_NOT_MEASURED}, discharge, current, voltage"),
    _row("insulation resistance", "resistance", "insulation", blocked=_NOT_MEASURED),
    _row("swelling pressure", "pressure", "pressure", blocked=f"{_NOT_MEASURED}, other part, coolant"),
    _row("power limit", "power", "limit", blocked="target, other part"),
    _row("check", "none", "check", narrowest_bits=4),
    _row(
        "alive counter",
        "none",
        "alive, message counter",
        blocked="keep, other count, charge, discharge, target, pointer",
        narrowest_bits=2,
        widest_bits=16,
    ),
    _row(
        "alive counter",
        "none",
        "counter",
        blocked="keep, other count, charge, discharge, target, cell, contactor, balancing, pointer",
        narrowest_bits=2,
        widest_bits=16,
    ),
    _row("contactor", "none", "contactor", blocked=f"{_NOT_MEASURED}, counter, other count, pointer", widest_bits=8),
    _row(
        "contactor",
        "none",
        "closed",
        "positive, negative, precharge",
        blocked=f"{_NOT_MEASURED}, counter, other count, pointer",
        widest_bits=8,
    ),
    _row("interlock", "none", "interlock", blocked=f"{_NOT_MEASURED}, counter, other count, pointer", widest_bits=8),
    _row("balancing", "none", "balancing", blocked=f"{_NOT_MEASURED}, counter, other count, pointer"),
)

_WHY_NOT = {
    "extreme": "makes it an extreme, a mean or a spread, not a sensor's own value",
    "limit": "makes it a limit, not a measurement",
    "target": "makes it a set value, a threshold or a fault, not a measurement",
    "other part": "names another part",
    "pointer": "makes it the number of one, not its state",
}

# What says nothing about whose voltage, current or temperature it is.
_NEUTRAL = frozenset({"voltage", "current", "sensor", "plain"})
_UNIT_WORDS = {"v", "mv", "a", "ma", "c", "k", "f", "deg", "degc", "m"}
_NO_UNIT = {
    "",
    "-",
    "--",
    "1",
    "bit",
    "bits",
    "bool",
    "boolean",
    "flag",
    "state",
    "status",
    "enum",
    "count",
    "#",
}
# Endings that are the unit in which the quantity is shown, for maps that leave the unit out.
_UNIT_ENDING = re.compile(r"_(V|A|degC|kPa|kohm|kW)$")
_LETTERS = {"c": "cell letter", "z": "cell letter", "m": "module letter"}


@dataclass(frozen=True, slots=True)
class Judged:
    """The quantity, ``None`` if no row fits, and why."""

    quantity: str | None
    why: str


def judge_name(bare: str, unit: str, message: str, bits: int) -> Judged:
    """Judge the quantity of the signal `bare` in `message`, `bits` wide (0: not known)."""
    own = words_of(bare)
    readings = list(_dimensions(bare, unit))
    if not readings:
        return Judged(None, f"unit '{printable(unit, 20)}' goes with no quantity")
    for dimension, unit_text in readings:
        judged = _first_row(own, dimension, unit_text, bits)
        if judged is None and dimension != "none" and message and all(map(_is_neutral, own)):
            judged = _first_row((*words_of(message), *own), dimension, f"{unit_text}, the message's name", bits)
        if judged is not None:
            return judged
    return Judged(None, f"{readings[0][1]}, but the name does not say of what, or of which")


def _dimensions(bare: str, unit: str) -> Iterator[tuple[str, str]]:
    """Give the dimensions to try and how to say so: the unit's, else that of the name's ending, else none."""
    known = unit_of(unit)
    if known is not None:
        yield known.dimension, f"unit {printable(unit, 20)}"
        return
    if unit.strip().lower() not in _NO_UNIT:
        return
    ending = _UNIT_ENDING.search(bare)
    ended = unit_of(ending.group(1)) if ending is not None else None
    if ending is not None and ended is not None:
        yield ended.dimension, f"the ending _{ending.group(1)}"
    yield "none", "no unit"


def _first_row(words: Sequence[Word], dimension: str, unit_text: str, bits: int) -> Judged | None:
    meanings = _meanings_in(words)
    for row in NAME_RULES:
        if row.dimension != dimension or not all(group & meanings.keys() for group in row.groups):
            continue
        if row.yields & meanings.keys() or (bits and not row.narrowest_bits <= bits <= row.widest_bits):
            continue
        if row.needs_number and not any(word.number is not None for word in words):
            continue
        if row.known_words_only and not all(map(_is_known, words)):
            continue
        for blocked in ("extreme", "limit", "target", "other part", *sorted(row.blocked)):
            if blocked in row.blocked & meanings.keys():
                why = _WHY_NOT.get(blocked, "belongs to something else")
                return Judged(None, f"would be {row.quantity}, but '{meanings[blocked]}' {why}")
        found = dict.fromkeys(meanings[hit] for group in row.groups for hit in sorted(group & meanings.keys()))
        shown = ", ".join(f"'{word}'" for word in found)
        return Judged(row.quantity, f"{unit_text} and the word{'s' if len(found) > 1 else ''} {shown}")
    return None


def _meanings_in(words: Sequence[Word]) -> dict[str, str]:
    """Give each meaning in the name with its word; a number behind it gives some letters a meaning."""
    found: dict[str, str] = {}
    for index, word in enumerate(words):
        for meaning in word.meanings:
            found.setdefault(meaning, printable(word.written, 40))
        follower = words[index + 1] if index + 1 < len(words) else None
        if follower is None:
            if word.meanings & {"module", "cell"}:
                found.setdefault("pointer", printable(word.written, 40))  # which module, which cell
            continue
        if word.text in _LETTERS and follower.number is not None:
            found.setdefault(_LETTERS[word.text], f"{word.written}{follower.written}")
        # Behind another number it counts something: module 4, cell 12, in volts.
        counts = index > 0 and words[index - 1].number is not None
        if word.text in {"12", "24"} and follower.text == "v" and "cell" not in found and not counts:
            found.setdefault("12 V", f"{word.written}{follower.written}")
    return found


def _is_neutral(word: Word) -> bool:
    return word.number is not None or word.text in _UNIT_WORDS or bool(word.meanings & _NEUTRAL)


def _is_known(word: Word) -> bool:
    return word.number is not None or word.text in _UNIT_WORDS or bool(word.meanings)
