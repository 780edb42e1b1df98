"""Every edit of the work, as a function that gives a new state; one that changes nothing gives the same object.

`payload_bytes` is what the payloads of the field's stream have: no edit leads a field out of them.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

from decoder.discovery.field_at import FieldAt
from decoder.discovery.meaning import Meaning
from decoder.discovery.workbench.borders import moved, span, spanning, turned, with_sign
from decoder.discovery.workbench.scales import next_scale
from decoder.errors import UsageError
from decoder.maps.quantities import quantity as quantity_row

if TYPE_CHECKING:
    from collections.abc import Sequence

    from decoder.bits import Field
    from decoder.discovery.field_at import StreamKey
    from decoder.discovery.workbench.borders import Grip
    from decoder.discovery.workbench.work import Work

_NEW_BITS = 8


def show_stream(work: Work, key: StreamKey) -> Work:
    """Look at another stream; nothing of it is chosen."""
    return work if key == work.stream else replace(work, stream=key, chosen=None, beside=None)


def choose(work: Work, at: FieldAt) -> Work:
    """Choose a field, of `meanings` where it is one of them."""
    number = next((number for number, one in enumerate(work.meanings) if one.at == at), None)
    return replace(work, stream=at.stream, chosen=number, beside=None if number is not None else at)


def choose_number(work: Work, number: int) -> Work:
    """Choose one of `meanings`."""
    return replace(work, stream=work.meanings[number].at.stream, chosen=number, beside=None)


def taken(work: Work, meaning: Meaning) -> Work:
    """Add a meaning and choose it; one that the same field had is replaced."""
    return with_all(work, (meaning,))


def with_all(work: Work, new: Sequence[Meaning]) -> Work:
    """Add meanings and choose the first; those that the same fields had are replaced where they stand."""
    at_place = {one.at: one for one in new}
    before = {one.at for one in work.meanings}
    kept = [at_place.get(one.at, one) for one in work.meanings]
    meanings = (*kept, *(one for one in at_place.values() if one.at not in before))
    number = next(number for number, one in enumerate(meanings) if one.at == new[0].at)
    return choose_number(replace(work, meanings=meanings), number)


def added(work: Work, key: StreamKey, payload_bytes: int) -> Work:
    """Add a field of a byte behind the chosen one, under the same multiplexor; at the beginning where there is none."""
    at = work.at if work.at is not None and work.at.stream == key else None
    order = at.field.byte_order if at is not None else "big"
    top = 8 * payload_bytes - 1
    first = min(span(at.field)[1] + 1, top) if at is not None else 0
    field = spanning(first, min(first + _NEW_BITS - 1, top), order)
    return taken(work, Meaning(FieldAt(key, field, at.multiplexor if at is not None else None)))


def deleted(work: Work) -> Work:
    """Take the chosen one of `meanings` away; the field stays chosen."""
    meaning = _chosen(work)
    number = work.chosen
    left = tuple(one for at, one in enumerate(work.meanings) if at != number)
    return replace(work, meanings=left, chosen=None, beside=meaning.at)


def end_moved(work: Work, grip: Grip, bits: int, payload_bytes: int) -> Work:
    """Move an end of the chosen field."""
    return _with_field(work, moved(_chosen(work).at.field, grip, bits, payload_bytes))


def order_turned(work: Work) -> Work:
    """Turn the byte order of the chosen field."""
    return _with_field(work, turned(_chosen(work).at.field))


def sign_turned(work: Work) -> Work:
    """Read the chosen field with a sign, or without."""
    field = _chosen(work).at.field
    return _with_field(work, with_sign(field, signed=not field.signed))


def scale_stepped(work: Work, direction: int) -> Work:
    """Take the next (1) or the previous (-1) natural scale of the chosen one's quantity."""
    meaning = _chosen(work)
    scale, offset = next_scale(meaning, direction)
    return described(work, scale=scale, offset=offset)


def described(work: Work, **changes: Any) -> Work:  # noqa: ANN401  (fields of `Meaning`)
    """Change what the chosen one means: any fields of `Meaning`."""
    meaning = _chosen(work)
    return _replaced(work, replace(meaning, **changes))


def of_quantity(work: Work, name: str | None) -> Work:
    """Say what the chosen one measures: with its unit, and its most natural scale where it had none."""
    meaning = _chosen(work)
    if name is None:
        return described(work, quantity=None)
    row = quantity_row(name)
    changed = replace(meaning, quantity=name, unit=row.unit)
    if (meaning.scale, meaning.offset) == (1, 0) and meaning.quantity != name:
        scale, offset = next_scale(changed, 0)
        changed = replace(changed, scale=scale, offset=offset)
    return _replaced(work, changed)


def with_reading(work: Work, text: str) -> Work:
    """Keep a reading."""
    return replace(work, readings=(*work.readings, text))


def _chosen(work: Work) -> Meaning:
    if work.meaning is None:
        raise UsageError("no field of yours is chosen", advice="take a proposed one with enter, or add one with a")
    return work.meaning


def _with_field(work: Work, field: Field) -> Work:
    meaning = _chosen(work)
    if field == meaning.at.field:
        return work
    return _replaced(work, replace(meaning, at=replace(meaning.at, field=field)))


def _replaced(work: Work, meaning: Meaning) -> Work:
    if meaning == work.meaning:
        return work
    meanings = tuple(meaning if number == work.chosen else one for number, one in enumerate(work.meanings))
    return replace(work, meanings=meanings)
