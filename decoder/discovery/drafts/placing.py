"""Where in the pack the members of arrays sit: module and cell, from labels of readings and cells per module.

Cells are counted through the pack in the order of identifiers, pages and bytes. An array that carries the same cells
as another one, such as answers that are asked for, gets their places. How many cells a module has is given, or solved
for: a label such as 'module 4 cell 11' that was matched with the field of order k fits only some numbers. What several
numbers explain equally is left open, and said.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

from decoder.discovery.drafts.copies import Copy, copies_among
from decoder.discovery.drafts.place_words import place_in
from decoder.discovery.drafts.sensor_places import SURE, sensor_places
from decoder.discovery.spots import Spot, spot
from decoder.maps.pack_sheet import PackSheet, Place

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from decoder.discovery.field_at import FieldAt, Sampled
    from decoder.discovery.inference import ArrayClaim, Member
    from decoder.discovery.pinned import Pinned

# How much rarer modules are that do not fill the pack evenly. Common practice, no source.
_UNEVEN: Final = 0.02
# How likely it is before any label that modules differ, against each number that they may have in common, and that a
# module has one cell more or less than the others then. Common practice, no source.
_DIFFERING: Final = 0.05
_TOLD: Final = 0.01  # hypotheses that are less likely are not told
# The chance that a place was noted or matched wrongly, whatever the likelihoods say. Common practice, no source.
_MISTAKEN: Final = 0.05
_FEWEST_CELLS: Final = 2
_SHOWN: Final = 4


@dataclass(frozen=True, slots=True)
class _Label:
    """A label that names module and cell; `shares`: by a cell's number through the pack, the chance that it is that."""

    module: int
    cell: int
    shares: Mapping[int, float]

    def chance(self, before: int, unsure: int, count: int, most: int) -> float:
        """Give the chance of what it was matched with, if about `before` cells stand before its module.

        unsure : how many more or fewer there may be, all alike likely
        most : cells that a module has at most
        """
        near = range(before + self.cell - unsure, before + self.cell + unsure + 1)
        share = sum(self.shares.get(at, 0.0) for at in near) / len(near) if self.cell <= most else 0.0
        return _MISTAKEN / count + (1 - _MISTAKEN) * share


@dataclass(frozen=True, slots=True)
class Placing:
    """Places of the members of arrays.

    places : by array, in the order of its members
    copies : arrays that carry the same cells as another one, by their number
    cells_per_module : a number, one for each module, or ``None`` where it is open
    known_to : up to which cell, counted through the pack, that holds: modules beyond the last label may differ
    hypotheses : cells per module with its chance, the likeliest first, ``None`` for modules that differ; empty where it
        was given or nothing speaks of it
    notes : what is open or odd, in words
    """

    places: tuple[tuple[Place, ...], ...]
    copies: Mapping[int, Copy]
    cells_per_module: int | tuple[int, ...] | None
    cells: int
    known_to: int = 0
    hypotheses: tuple[tuple[int | None, float], ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def modules(self) -> int | None:
        """How many modules the pack has, ``None`` where that is open."""
        return _modules(self.cells_per_module, self.cells)

    @property
    def told(self) -> int | tuple[int, ...] | None:
        """What holds for all modules, ``None`` where some may differ."""
        return self.cells_per_module if self.known_to >= self.cells else None


def place_arrays(
    arrays: Sequence[ArrayClaim],
    pinned: Sequence[Pinned] = (),
    sampled: Sampled | None = None,
    cells_per_module: int | tuple[int, ...] | None = None,
    sheet: PackSheet | None = None,
) -> Placing:
    """Give the places of all members of all arrays.

    Parameters
    ----------
    arrays : their members in order; places that they have already stay
    pinned : labels of readings with the fields that they may belong to
    sampled : the capture, to see which arrays carry the same cells; without it none does
    cells_per_module : where it is known, for all modules or module by module
    sheet : says it too, if it has it
    """
    cells = [at for at, one in enumerate(arrays) if one.quantity == "cell voltage"]
    copies = copies_among([arrays[at] for at in cells], sampled) if sampled is not None else {}
    copies = {cells[at]: Copy(cells[one.of], one.shift) for at, one in copies.items()}
    number = _counted(arrays, cells, copies)
    count = max(number.values(), default=0)
    settled = _settled(_labels(number, pinned), count, cells_per_module, sheet)
    known, notes = settled.cells_per_module, list(settled.notes)
    modules = sheet.modules if sheet is not None and sheet.modules is not None else _modules(known, count)
    places: list[tuple[Place, ...]] = []
    counted: Counter[str] = Counter()
    for at, one in enumerate(arrays):
        if at in cells:
            own = tuple(_cell_place(member, number[spot(member.at)], known, settled.known_to) for member in one.members)
        else:
            own, note = sensor_places(one, modules, pinned, counted[one.quantity])
            counted[one.quantity] += len(one.members)
            notes += [note] if note else []
        places.append(own)
    return Placing(
        tuple(places), copies, known, count, settled.known_to, settled.hypotheses, tuple(dict.fromkeys(notes))
    )


@dataclass(frozen=True, slots=True)
class _Settled:
    """What is known of cells per module: see `Placing`."""

    cells_per_module: int | tuple[int, ...] | None
    known_to: int
    hypotheses: tuple[tuple[int | None, float], ...] = ()
    notes: tuple[str, ...] = ()


def _settled(
    labels: Sequence[_Label], count: int, given: int | tuple[int, ...] | None, sheet: PackSheet | None
) -> _Settled:
    """Take the number that is given, else that of the sheet, else the one that labels speak for."""
    known = given if given is not None else sheet.cells_per_module if sheet is not None else None
    if known is not None or not count:
        return _Settled(known, count, (), _odd(known, count, sheet))
    hypotheses = _solved(labels, count)
    solved = hypotheses[0][0] if hypotheses and hypotheses[0][1] >= SURE else None
    if solved is None:
        return _Settled(None, count, hypotheses, (_open(hypotheses, count), *_odd(None, count, sheet)))
    if not count % solved:
        return _Settled(solved, count, hypotheses, _odd(solved, count, sheet))
    known_to = _last_fitted(labels, solved)
    return _Settled(solved, known_to, hypotheses, (_beyond(solved, known_to, count),))


def _counted(arrays: Sequence[ArrayClaim], cells: Sequence[int], copies: Mapping[int, Copy]) -> dict[Spot, int]:
    """Count the cells through the pack, from 1; a copy has the numbers of what it is a copy of."""
    number: dict[Spot, int] = {}
    count = 0
    for at in sorted(cells, key=lambda at: _order(arrays[at].members[0].at)):
        if at in copies:
            continue
        number |= {spot(member.at): count + member.order for member in arrays[at].members}
        count += max(member.order for member in arrays[at].members)
    for at, copy in copies.items():
        pairs = zip(arrays[at].members, arrays[copy.of].members[copy.shift :], strict=False)
        number |= {spot(own.at): number[spot(other.at)] for own, other in pairs}
    return number


def _order(at: FieldAt) -> tuple[str, bool, int, int, int]:
    selector = at.multiplexor
    value = -1 if selector is None or selector.value is None else selector.value
    return at.stream.bus, at.stream.carrier is not None, at.stream.can_id, value, at.field.first_byte


def _labels(number: Mapping[Spot, int], pinned: Sequence[Pinned]) -> list[_Label]:
    """Give the labels that name module and cell, with the cells that they may mean."""
    found = []
    for one in pinned:
        place, shares = place_in(one.label), _shares(one, number)
        if place.module and place.cell and shares:
            found.append(_Label(place.module, place.cell, shares))
    return found


def _solved(labels: Sequence[_Label], count: int) -> tuple[tuple[int | None, float], ...]:
    """Weigh each number of cells per module, and modules that differ, by the labels."""
    if not any(one.module > 1 for one in labels):
        return ()
    weights: dict[int | None, float] = {None: 0.0}
    for cells in range(_FEWEST_CELLS, count + 1):
        even, differing = (1.0 if not count % cells else _UNEVEN), _DIFFERING
        for one in labels:
            even *= one.chance((one.module - 1) * cells, 0, count, cells)
            differing *= one.chance((one.module - 1) * cells, one.module - 1, count, cells + 1)
        weights[cells] = even
        weights[None] += differing
    total = sum(weights.values())
    ranked = sorted(weights.items(), key=lambda one: (-one[1], one[0] or 0))
    return tuple((cells, weight / total) for cells, weight in ranked if weight / total >= _TOLD)


def _last_fitted(labels: Sequence[_Label], cells: int) -> int:
    """Give the last cell, counted through the pack, up to which labels fit a number of cells per module."""
    fitted = [(one.module - 1) * cells + one.cell for one in labels if one.cell <= cells]
    known = [at for at, one in zip(fitted, labels, strict=False) if one.shares.get(at, 0.0) > 0]
    return max(known, default=0)


def _shares(one: Pinned, number: Mapping[Spot, int]) -> dict[int, float]:
    """Give by the cell's number through the pack the chance that it is what a label means."""
    shares: dict[int, float] = defaultdict(float)
    for match in one.matches:
        found = next((number[spot(at)] for at in (match.at, *match.same_as) if spot(at) in number), None)
        if found is not None:
            shares[found] += match.likelihood
    return dict(shares)


def _cell_place(member: Member, number: int, cells_per_module: int | tuple[int, ...] | None, known_to: int) -> Place:
    if member.place != Place():
        return member.place
    if isinstance(cells_per_module, int) and number <= known_to:
        return Place((number - 1) // cells_per_module + 1, (number - 1) % cells_per_module + 1)
    if isinstance(cells_per_module, tuple):
        within = PackSheet(cells_per_module=cells_per_module).module_of_cell(number)
        if within is not None:
            return Place(*within)
    return Place(cell=number)


def _modules(cells_per_module: int | tuple[int, ...] | None, count: int) -> int | None:
    if isinstance(cells_per_module, int):
        return count // cells_per_module if count and not count % cells_per_module else None
    return len(cells_per_module) if cells_per_module is not None else None


def _open(hypotheses: Sequence[tuple[int | None, float]], count: int) -> str:
    if not hypotheses:
        return (
            f"which of the {count} cells sits in which module is open: read a cell of a known module past the first "
            f"one with the meter, or say --cells-per-module"
        )
    if hypotheses[0][0] is None:
        return (
            "the readings fit no one number of cells for all modules: say it module by module, "
            "--cells-per-module 14,14,12 for example"
        )
    some = ", ".join(f"{cells or 'modules that differ'} ({chance:.0%})" for cells, chance in hypotheses[:_SHOWN])
    return f"cells per module are open, the readings fit several numbers: {some}; say --cells-per-module, or read more"


def _beyond(cells: int, known_to: int, count: int) -> str:
    return (
        f"up to cell {known_to} the readings fit {cells} cells per module, which do not fill a pack of {count} evenly: "
        f"the cells behind it are only counted; read one of them, or say --cells-per-module module by module"
    )


def _odd(known: int | tuple[int, ...] | None, count: int, sheet: PackSheet | None) -> tuple[str, ...]:
    notes = []
    if isinstance(known, int) and count and count % known:
        notes.append(f"{count} cells were found, which {known} cells per module do not divide evenly: some are missing")
    if isinstance(known, tuple) and count and sum(known) != count:
        notes.append(f"{count} cells were found, and the modules are said to have {sum(known)}")
    if sheet is not None and sheet.cells_in_series is not None and count not in (0, sheet.cells_in_series):
        notes.append(f"{count} cells were found, and the pack sheet says {sheet.cells_in_series} in series")
    return tuple(notes)


def with_places(one: ArrayClaim, places: Sequence[Place]) -> ArrayClaim:
    """Give an array whose members have these places."""
    members = tuple(replace(member, place=place) for member, place in zip(one.members, places, strict=True))
    return replace(one, members=members)
