"""A numbered series: one field again and again along the payload, through the values of a multiplexor, through streams.

Along the payload is innermost, then come the multiplexor's values, then the streams.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import islice, takewhile
from typing import TYPE_CHECKING, Final

from decoder.discovery.field_at import FieldAt
from decoder.discovery.pictures.picture_words import field_text
from decoder.discovery.workbench.borders import fits, span, spanning
from decoder.errors import UsageError
from decoder.maps.pack_sheet import Place
from decoder.maps.quantities import quantity as quantity_row

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from decoder.bits import Field
    from decoder.discovery.field_at import StreamKey
    from decoder.discovery.meaning import Meaning
    from decoder.discovery.workbench.fields import ListedField

MOST_MEMBERS: Final = 2000


@dataclass(frozen=True, slots=True)
class Repeat:
    """How a field is repeated.

    every_bits : from one to the next in a payload, counted the way the field runs
    in_payload : how many a payload holds at most
    keys : the streams, in their order
    values : of the multiplexor that the field stands under; empty where it stands under none
    module_size : members of a module; ``None`` where modules are not known
    module_begins_anew : a module's first member begins a payload, and what is left of the payload before is not used
    most : members of the series; ``None`` for all there is room for
    """

    every_bits: int
    in_payload: int
    keys: tuple[StreamKey, ...]
    values: tuple[int, ...] = ()
    module_size: int | None = None
    module_begins_anew: bool = False
    most: int | None = None


def repeated(meaning: Meaning, how: Repeat, widths: Mapping[StreamKey, int]) -> tuple[Meaning, ...]:
    """Give the members of a series, numbered on from the place of the first, which is `meaning`.

    widths : payload bytes of each stream

    Raises `UsageError` where there are no members, or more than 2000.
    """
    most = MOST_MEMBERS + 1 if how.most is None else how.most
    places = tuple(islice(_places(meaning, how, widths), max(most, 0)))
    if not places:
        raise UsageError("the series has no member", expected="a first field that lies in its payload")
    if len(places) > MOST_MEMBERS:
        raise UsageError(f"the series has more than {MOST_MEMBERS} members", advice="say how many at most")
    return tuple(_member(meaning, at, number, how.module_size) for number, at in enumerate(places))


def _places(meaning: Meaning, how: Repeat, widths: Mapping[StreamKey, int]) -> Iterator[FieldAt]:
    in_module = _first_in_module(meaning)
    selector = meaning.at.multiplexor
    for key in how.keys:
        for under in [replace(selector, value=value) for value in how.values] if selector else [None]:
            for field in _along(meaning, how.every_bits, how.in_payload):
                if not fits(field, widths[key]):
                    break
                yield FieldAt(key, field, under)
                in_module += 1
                if how.module_size is not None and in_module >= how.module_size:
                    in_module = 0
                    if how.module_begins_anew:
                        break


def _along(meaning: Meaning, every_bits: int, count: int) -> Iterator[Field]:
    field = meaning.at.field
    first, last = span(field)
    for number in range(count):
        by = number * every_bits
        yield spanning(first + by, last + by, field.byte_order, signed=field.signed)


def _counts(meaning: Meaning) -> str:
    return quantity_row(meaning.quantity).counted if meaning.quantity is not None else "nothing"


def _first_in_module(meaning: Meaning) -> int:
    """Give where in its module the first member is, counted from 0."""
    number = meaning.place.cell if _counts(meaning) == "cell" else meaning.place.sensor
    return number - 1 if isinstance(number, int) else 0


def _member(meaning: Meaning, at: FieldAt, number: int, module_size: int | None) -> Meaning:
    place, counted = meaning.place, _counts(meaning)
    first = _first_in_module(meaning)
    if module_size is not None and counted in {"cell", "module"}:
        modules, within = divmod(first + number, module_size)
        module = (place.module or 1) + modules
        given = Place(module, within + 1) if counted == "cell" else Place(module, None, within + 1)
        ending = f"{given.module}_{within + 1:02d}"
    elif counted == "cell":
        given = Place(place.module, first + 1 + number)
        ending = f"{first + 1 + number:02d}"
    elif counted == "module":
        given = Place((place.module or 1) + number, None, place.sensor)
        ending = str(given.module)
    else:
        numbered = place.sensor + number if isinstance(place.sensor, int) else number + 1
        given = Place(place.module, place.cell, numbered) if meaning.quantity is not None else Place()
        ending = str(numbered)
    name = f"{meaning.name}_{ending}" if meaning.name else ""
    if not name and meaning.quantity is None:
        name = f"Field_{ending}"
    comment = meaning.comment if not number else f"one of a series from {field_text(meaning.at.field)} on"
    return replace(meaning, at=at, place=given, name=name, comment=comment)


def room_for(meaning: Meaning, every_bits: int, payload_bytes: int, others: Iterable[ListedField] = ()) -> int:
    """Give how many members a payload has room for from the field on, before what others keep for themselves."""
    kept = {bit for one in others if _keeps_its_bits(one) for bit in one.at.field.bit_numbers()}
    _, last = span(meaning.at.field)
    most = max((8 * payload_bytes - 1 - last) // max(every_bits, 1) + 1, 1)
    along = _along(meaning, every_bits, most)
    return max(sum(1 for _ in takewhile(lambda field: kept.isdisjoint(field.bit_numbers()), along)), 1)


def _keeps_its_bits(one: ListedField) -> bool:
    """Tell whether no member of a series can be where a field is: it counts, checks or selects."""
    return one.meaning.multiplexor or one.meaning.quantity in {"alive counter", "check"}
