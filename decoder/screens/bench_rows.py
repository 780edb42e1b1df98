"""What the mapping bench says of a stream and of its fields: rows of a list, the chosen one in words."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

from decoder.discovery.pictures.picture_words import confidence_text, field_text, selector_text
from decoder.discovery.workbench.scales import scale_number
from decoder.printable import printable
from decoder.screens.symbols import NOTHING, digits_of, number_words, place_words

if TYPE_CHECKING:
    from collections.abc import Mapping

    from decoder.channels import Series
    from decoder.discovery.field_at import FieldAt, StreamKey
    from decoder.discovery.meaning import Meaning
    from decoder.discovery.proposal import Selector
    from decoder.discovery.workbench.bench import Bench
    from decoder.discovery.workbench.borders import Grip
    from decoder.discovery.workbench.fields import ListedField, Whose
    from decoder.maps.pack_sheet import Place

WHOSE_WORDS: Final[Mapping[Whose, str]] = {"mine": "● mine", "map": "■ map", "carved": "○ found"}
HIDDEN: Final = "not shown"


class FieldRow(NamedTuple):
    """One field as the list shows it, cell by cell."""

    whose: str
    field: str
    under: str
    what: str
    scale: str
    now: str
    sure: str


def row_of(listed: ListedField, series: Series | None, now_ns: int) -> FieldRow:
    """Write a field as a row; `series` is what its meaning makes of the payloads, ``None`` where that is not there."""
    meaning = listed.meaning
    return FieldRow(
        whose=WHOSE_WORDS[listed.whose],
        field=field_text(meaning.at.field),
        under=under_text(meaning.at.multiplexor),
        what=what_text(listed),
        scale="" if listed.whose == "carved" else scale_text(meaning),
        now=now_text(meaning, series, now_ns, raw=listed.whose == "carved"),
        sure="" if listed.proposal is None else confidence_text([listed.proposal]),
    )


def under_text(selector: Selector | None) -> str:
    """Write the multiplexor's values that a field stands under, the outermost first."""
    values = []
    while selector is not None:
        values.append("any" if selector.value is None else str(selector.value))
        selector = selector.within
    return f"={'/'.join(reversed(values))}" if values else ""


def what_text(listed: ListedField) -> str:
    """Write what a field is, as far as that is said."""
    meaning = listed.meaning
    if meaning.name:
        return printable(meaning.name, 60)
    if listed.proposal is not None:
        return listed.proposal.kind
    if meaning.quantity is not None:
        return f"{_place_before(meaning.place)}{meaning.quantity}"
    return "multiplexor" if meaning.multiplexor else "not named yet"


def _place_before(place: Place) -> str:
    words = place_words(place)
    return "" if words == "pack" else f"{printable(words, 20)} "


def scale_text(meaning: Meaning) -> str:
    """Write scale, offset and unit: ×0.5 -40 degC."""
    offset = f" {meaning.offset:+.7g}" if meaning.offset else ""
    unit = f" {printable(meaning.unit, 8)}" if meaning.unit else ""
    return f"×{meaning.scale:.7g}{offset}{unit}"


def now_text(meaning: Meaning, series: Series | None, now_ns: int, *, raw: bool) -> str:
    """Write the value at a moment, or the raw value."""
    if series is None:
        return HIDDEN
    index = series.index_at(now_ns) if len(series) else None
    if index is None:
        return NOTHING
    if raw:
        return f"raw {int(series.raw[index])}"
    label = series.label(index)
    if label is not None:
        return printable(label, 16)
    if series.absent is not None and series.absent[index]:
        return "absent"
    unit = f" {printable(meaning.unit, 8)}" if meaning.unit else ""
    return number_words(float(series.number[index]), digits_of(series.channel)) + unit


def stream_words(bench: Bench, key: StreamKey) -> str:
    """Name a stream, with how many payloads it has and how often they come."""
    return bench.heading(key).replace(", ", " · ")


def place_of_field(at: FieldAt) -> str:
    """Tell where a field lies and how it is read."""
    field = at.field
    first, last = field.first_byte, field.last_byte
    where = f"byte {first}" if first == last else f"bytes {first}-{last}"
    sign = "signed" if field.signed else "unsigned"
    under = f", under {selector_text(at.multiplexor)}" if at.multiplexor is not None else ""
    bits = f"{field.length} bit{'s' * (field.length != 1)}"
    return f"{field_text(field)} · {bits}, {field.byte_order}-endian, {sign}, {where}{under}"


def meaning_words(meaning: Meaning) -> str:
    """Tell how the value comes about, and which natural scale that is."""
    number = scale_number(meaning)
    natural = f" ({number[0]} of {number[1]})" if number is not None else " (your own)"
    unit = f" {printable(meaning.unit, 8)}" if meaning.unit else ""
    offset = f" {'-' if meaning.offset < 0 else '+'} {abs(meaning.offset):.7g}" if meaning.offset else ""
    quantity = meaning.quantity or "quantity not said"
    place = place_words(meaning.place)
    where = "" if place == "pack" else f", {printable(place, 20)}"
    return f"{quantity}{where} · {meaning.scale:.7g} × raw{offset}{unit}{natural}"


def grip_words(grip: Grip, at: FieldAt | None) -> str:
    """Say what the arrows move."""
    if grip == "whole" or at is None:
        return "whole field" if grip == "whole" else grip
    is_low = (grip == "begin") == (at.field.byte_order == "little")
    return f"{grip}, the {'least' if is_low else 'most'} significant"
