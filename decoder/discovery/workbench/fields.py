"""All fields of one stream side by side: those of the work, those of the signal map, and those that were carved."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

from decoder.discovery.field_at import FieldAt
from decoder.discovery.meaning import Meaning
from decoder.discovery.pictures.picture_words import confidence_text
from decoder.discovery.proposal import Proposal, path_of
from decoder.maps.quantities import quantity as quantity_row

if TYPE_CHECKING:
    from collections.abc import Iterable

    from decoder.discovery.field_at import StreamKey
    from decoder.discovery.proposal import Carving, Selector
    from decoder.discovery.workbench.work import Work

Whose = Literal["mine", "map", "carved"]

# What a kind of field measures, where the kind alone says so.
_QUANTITY_OF_KIND: Final = {"counter": "alive counter", "check": "check"}
# A proposed field does not show where others have so much of it.
_MOST_SHARED: Final = 0.5


@dataclass(frozen=True, slots=True)
class ListedField:
    """One field of the list.

    proposal : what carving says, of a field that it proposed
    absent : raw values that carving takes as 'not available'
    """

    whose: Whose
    meaning: Meaning
    proposal: Proposal | None = None
    absent: tuple[int, ...] = ()

    @property
    def at(self) -> FieldAt:
        """Where it is."""
        return self.meaning.at


def fields_of(
    key: StreamKey, work: Work, in_map: Sequence[Meaning], carving: Carving | None, capture: str = ""
) -> tuple[ListedField, ...]:
    """Give the fields of one stream: what all payloads have first, then by multiplexor value; each by place.

    Proposals are left out that never change, and those whose bits others have.
    """
    carved = carving.proposals if carving is not None else ()
    absent = {FieldAt(key, one.field, one.multiplexor): _absent(one) for one in carved}
    mine = [ListedField("mine", one, absent=absent.get(one.at, ())) for one in work.meanings if one.at.stream == key]
    own = {one.at for one in mine}
    mapped = [ListedField("map", one) for one in in_map if one.at not in own]
    known = [*mine, *mapped]
    proposed = [
        ListedField("carved", _meaning(key, one, capture), one, _absent(one))
        for one in carved
        if one.kind != "constant" and not _is_known(one, known)
    ]
    return tuple(sorted([*known, *proposed], key=_place))


def as_proposals(fields: Iterable[ListedField]) -> tuple[Proposal, ...]:
    """Give fields in the form that pictures of a payload are laid out from."""
    return tuple(one.proposal or _drawn(one.meaning) for one in fields)


def _drawn(meaning: Meaning) -> Proposal:
    kind = "multiplexor" if meaning.multiplexor else "flag" if meaning.at.field.length == 1 else "number"
    return Proposal(meaning.at.field, kind, 1.0, meaning.at.multiplexor)  # type: ignore[arg-type]


def _meaning(key: StreamKey, one: Proposal, capture: str) -> Meaning:
    quantity = _QUANTITY_OF_KIND.get(one.kind)
    return Meaning(
        FieldAt(key, one.field, one.multiplexor),
        quantity=quantity,
        unit=quantity_row(quantity).unit if quantity is not None else "",
        multiplexor=one.kind == "multiplexor",
        comment=f"carved as {one.kind}, {confidence_text([one])}{f', from {capture}' if capture else ''}",
    )


def _absent(one: Proposal) -> tuple[int, ...]:
    found = one.detail.get("not_available")
    return tuple(int(raw) for raw in found) if isinstance(found, Sequence) and not isinstance(found, str) else ()


def _is_known(one: Proposal, known: Iterable[ListedField]) -> bool:
    bits = set(one.field.bit_numbers())
    shared: set[int] = set()
    for other in known:
        if _meet(one.multiplexor, other.at.multiplexor):
            shared |= bits.intersection(other.at.field.bit_numbers())
    return len(shared) >= _MOST_SHARED * len(bits)


def _meet(one: Selector | None, other: Selector | None) -> bool:
    """Tell whether what stands under one can stand in the same payload as what stands under the other."""
    if one is None or other is None or one.field != other.field:
        return True
    return None in {one.value, other.value} or (one.value == other.value and _meet(one.within, other.within))


def _place(one: ListedField) -> tuple[tuple[tuple[int, int], ...], int, int]:
    return path_of(one.at.multiplexor), min(one.at.field.bit_numbers()) // 8, _first(one.at)


def _first(at: FieldAt) -> int:
    field = at.field
    return field.start if field.byte_order == "little" else field.wire_start
