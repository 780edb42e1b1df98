"""Where channels sit, read from the numbers and sides in their names.

Names that differ in their numbers only are one family and are read together, because only together they show
which number counts what, whether counting starts at 0, and whether cells count through the pack.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field
from itertools import pairwise
from typing import TYPE_CHECKING

from decoder.maps.pack_sheet import PackSheet, Place
from decoder.maps.patterns import bare_name
from decoder.maps.quantities import quantity as quantity_row
from decoder.maps.words import Word, words_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from decoder.maps.naming import Named

# Behind one of these meanings, or behind nothing, an unlabelled number counts; behind a foreign word it may
# as well be the number of a controller.
_COUNTING = frozenset({"voltage", "current", "cell", "sensor", "plain", "pressure", "balancing", "module", "battery"})
_LETTERS = {"c": "cell", "z": "cell", "m": "module", "b": "module"}
# A single number behind a single letter: only where nothing else is meant by that letter.
_LETTERS_ALONE = {
    ("c", "cell voltage"),
    ("z", "cell voltage"),
    ("m", "module voltage"),
    ("m", "module temperature"),
    ("m", "swelling pressure"),
}
_SIDES = ("precharge", "positive", "negative")
_NOMINAL_V = {12, 24}


@dataclass(frozen=True, slots=True)
class Located:
    """A place and how it was found, the latter empty where there was nothing to find."""

    place: Place = field(default_factory=Place)
    how: str = ""


@dataclass(slots=True)
class _Column:
    """One number of a family's names: the word before it, what that says it counts, and each name's value."""

    word: str
    label: str | None
    foreign: bool
    values: list[int]

    @property
    def constant(self) -> bool:
        return len(self.values) > 1 and len(set(self.values)) == 1


@dataclass(slots=True)
class _Family:
    """Names that differ in their numbers only; `modules` and `inner` hold one value a name."""

    quantity: str
    members: list[int]
    modules: list[int] | None = None
    inner: list[int] | None = None
    inner_kind: str = "sensor"
    module_key: object = None
    notes: list[str] = field(default_factory=list)


def places_from_names(
    channels: Sequence[Named], quantities: Sequence[str | None], sheet: PackSheet | None
) -> list[Located]:
    """Give the place of each channel whose quantity is known, and the whole pack for the others."""
    located = [Located()] * len(channels)
    families = []
    for (quantity, bus, *_), members in _grouped(channels, quantities).items():
        counted = quantity_row(quantity).counted
        if counted == "side":
            for member in members:
                located[member] = _side(channels[member])
            continue
        family = _Family(quantity, members)
        _read_columns(family, channels, bus)
        families.append(family)
    _count_from_one(families)
    for family in families:
        for member, found in zip(family.members, _located(family, channels, sheet), strict=True):
            located[member] = found
    return located


def _grouped(
    channels: Sequence[Named], quantities: Sequence[str | None]
) -> dict[tuple[str, str, tuple[str, ...], bool], list[int]]:
    groups: dict[tuple[str, str, tuple[str, ...], bool], list[int]] = defaultdict(list)
    for member, (channel, quantity) in enumerate(zip(channels, quantities, strict=True)):
        if quantity is None:
            continue
        bus = channel.name.partition(":")[0] if ":" in channel.name else ""
        skeleton = tuple("#" if word.number is not None else word.text for word in words_of(bare_name(channel.name)))
        groups[quantity, bus, skeleton, _page(channel.name) is not None].append(member)
    return groups


def _page(name: str) -> int | None:
    page = name.rpartition("@")[2] if "@" in name else ""
    return int(page) if page.isascii() and page.isdigit() and len(page) <= 9 else None


def _side(channel: Named) -> Located:
    """Read which pole a contactor or insulation resistance belongs to, else its number."""
    words = words_of(bare_name(channel.name))
    for side in _SIDES:
        for word in words:
            if side in word.meanings:
                return Located(Place(sensor=side), f"'{word.written}' is {side}")
    numbers = [word.number for word in words if word.number is not None]
    if len(numbers) == 1:
        return Located(Place(sensor=numbers[0]), f"number {numbers[0]} is the sensor")
    return Located()


def _read_columns(family: _Family, channels: Sequence[Named], bus: str) -> None:
    """Find out which number counts modules, and which one cells or sensors."""
    counted = quantity_row(family.quantity).counted
    names = [channels[member].name for member in family.members]
    words = words_of(bare_name(names[0]))
    meanings = {meaning for word in words for meaning in word.meanings}
    if counted == "nothing" and not (family.quantity.startswith("state of") and meanings & {"cell", "module"}):
        return
    columns = _columns(family.quantity, [words_of(bare_name(name)) for name in names])
    pages = [page for page in map(_page, names) if page is not None]
    if not columns and len(pages) == len(names) > 1:
        columns = [_Column("page", None, foreign=False, values=pages)]
    modules = next((column for column in columns if column.label == "module"), None)
    if modules is None:
        modules = _message_modules([channels[member].message for member in family.members])
    rest = [column for column in columns if column.label != "module"]
    modules, inner = _settled(family, modules, rest)
    is_cell = counted == "cell" or (inner is not None and inner.label == "cell") or "cell" in meanings
    if modules is None and inner is not None and not is_cell and "module" in meanings:
        modules, inner = inner, None
    family.inner_kind = "cell" if is_cell else "sensor"
    if modules is not None:
        family.modules = list(modules.values)
        family.module_key = (bus, modules.word) if modules.label == "module" else id(family)
    if inner is not None:
        family.inner = list(inner.values)


def _columns(quantity: str, names: list[tuple[Word, ...]]) -> list[_Column]:
    words = names[0]
    positions = [index for index, word in enumerate(words) if word.number is not None]
    columns = []
    for index in positions:
        values = [int(name[index].text) for name in names]
        before = words[index - 1] if index else None
        after = words[index + 1].text if index + 1 < len(words) else ""
        if quantity == "supply voltage":
            nominal = after == "v" and set(values) <= _NOMINAL_V
            if nominal or (before is not None and before.text in {"kl", "terminal"}):
                continue  # what the rail is called, not a count
        text = before.text if before is not None and before.number is None else ""
        label = _label(before, several=len(positions) > 1, quantity=quantity)
        counting = before is None or bool(before.meanings & _COUNTING) or before.number is not None
        columns.append(
            _Column(text, label, foreign=label is None and not counting and text not in "vuit", values=values)
        )
    return columns


def _label(word: Word | None, *, several: bool, quantity: str) -> str | None:
    if word is None:
        return None
    for label in ("module", "cell", "sensor"):
        if label in word.meanings:
            return label
    if several or (word.text, quantity) in _LETTERS_ALONE:
        return _LETTERS.get(word.text)
    return None


def _message_modules(messages: list[str]) -> _Column | None:
    """Give the module numbers in the messages' names, where each has one behind a word for module."""
    values = []
    word = ""
    for message in messages:
        words = words_of(message)
        found = [
            (before.text, after.number)
            for before, after in pairwise(words)
            if "module" in before.meanings and after.number is not None
        ]
        if len(found) != 1:
            return None
        word, number = found[0]
        values.append(int(number or 0))
    return _Column(word, "module", foreign=False, values=values)


def _settled(family: _Family, modules: _Column | None, rest: list[_Column]) -> tuple[_Column | None, _Column | None]:
    """Give the columns of modules and of what is inside them, dropping numbers that count neither."""
    wanted = 1 if modules is not None else 2
    while len(rest) > wanted:
        spare = next((column for column in rest if column.label is None and (column.constant or column.foreign)), None)
        if spare is None:
            family.notes.append("more numbers than module and cell, so the place is left open")
            return None, None
        rest.remove(spare)
    if modules is not None:
        return modules, rest[0] if rest else None
    if len(rest) == 2:
        return _two_numbers(family, *rest)
    return None, rest[0] if rest else None


def _two_numbers(family: _Family, first: _Column, second: _Column) -> tuple[_Column | None, _Column | None]:
    """Two numbers are module and cell in this order, unless one of them numbers something else."""
    if first.foreign and (first.constant or len(first.values) == 1):
        return None, second
    if second.foreign and first.label is not None:
        if second.constant or len(second.values) == 1:
            return None, first
        family.notes.append(f"number behind '{second.word}' not understood, so the place is left open")
        return None, None
    return first, second


def _count_from_one(families: list[_Family]) -> None:
    """Shift numbers that count from 0; module numbers behind one word are counted alike in all families."""
    from_zero = {family.module_key for family in families if family.modules and min(family.modules) == 0}
    for family in families:
        if family.modules and family.module_key in from_zero:
            family.modules = [number + 1 for number in family.modules]
            family.notes.append("modules count from 0 in the names, from 1 here")
        if family.inner and min(family.inner) == 0:
            family.inner = [number + 1 for number in family.inner]
            family.notes.append(f"{family.inner_kind}s count from 0 in the names, from 1 here")


def _located(family: _Family, channels: Sequence[Named], sheet: PackSheet | None) -> list[Located]:
    if family.modules is None and family.inner is None:
        note = "; ".join(family.notes)
        return [_whole(channels[member], family, note) for member in family.members]
    places = _through_the_pack(family, sheet)
    if places is None:
        places = _as_numbered(family)
    clashing = {place for place in places if places.count(place) > 1} if len(set(places)) < len(places) else set()
    note = "".join(f"; {note}" for note in family.notes)
    return [
        Located(Place(), f"several channels would be {place}, so the place is left open")
        if place in clashing
        else Located(place, f"the number{'s say' if _has_both(place) else ' says'} {place}{note}")
        for place in places
    ]


def _has_both(place: Place) -> bool:
    return place.module is not None and (place.cell is not None or place.sensor is not None)


def _whole(channel: Named, family: _Family, note: str) -> Located:
    if family.quantity == "coolant temperature":
        for word in words_of(bare_name(channel.name)):
            if word.text in {"inlet", "outlet"}:
                return Located(Place(sensor=word.text), f"'{word.written}' is where it sits")
    return Located(Place(), note)


def _as_numbered(family: _Family) -> list[Place]:
    empty = [None] * len(family.members)
    inner = family.inner or empty
    modules = family.modules or empty
    if family.inner_kind == "cell":
        return [Place(module=module, cell=number) for module, number in zip(modules, inner, strict=True)]
    return [Place(module=module, sensor=number) for module, number in zip(modules, inner, strict=True)]


def _through_the_pack(family: _Family, sheet: PackSheet | None) -> list[Place] | None:
    """Turn cell numbers that run through the pack into module and cell; ``None`` where they do not."""
    if family.inner_kind != "cell" or not family.inner:
        return None
    if family.modules is None:
        return _by_the_sheet(family, sheet)
    return _by_their_order(family)


def _by_the_sheet(family: _Family, sheet: PackSheet | None) -> list[Place] | None:
    if sheet is None or not sheet.cells_per_module or family.inner is None:
        return None
    cells = sum(sheet.cells_per_module)
    if family.quantity == "cell temperature" and len(family.members) != cells:
        family.inner_kind = "sensor"  # fewer sensors than cells: their numbers are their own
        return None
    places = []
    for number in family.inner:
        within = sheet.module_of_cell(number)
        places.append(Place(cell=number) if within is None else Place(module=within[0], cell=within[1]))
    family.notes.append(f"cells count through the pack, and the sheet has {cells} cells in modules")
    return places


def _by_their_order(family: _Family) -> list[Place] | None:
    """See whether each module's cell numbers go on where those of the module before end."""
    cells: dict[int, list[int]] = defaultdict(list)
    for module, number in zip(family.modules or (), family.inner or (), strict=True):
        cells[module].append(number)
    ordered = [sorted(cells[module]) for module in sorted(cells)]
    goes_on = all(before[-1] + 1 == after[0] for before, after in pairwise(ordered))
    if len(ordered) < 2 or ordered[0][0] != 1 or not goes_on or len(family.members) == len(ordered):
        return None
    family.notes.append("cells count through the pack in the names, within their module here")
    return [
        Place(module=module, cell=number - min(cells[module]) + 1)
        for module, number in zip(family.modules or (), family.inner or (), strict=True)
    ]
