"""What inferring gives: arrays of like channels and single channels, each with its evidence, likelihood and rivals.

Nothing of it needs a reading: it is what physics alone says of the fields of a capture. As a record (`as_record`):

    {"schema": "cellglean.infer/1",
     "arrays": [{"quantity", "unit", "scale", "offset", "members": [{FIELD..., "order": 1.., "place": PLACE}],
                 "likelihood", "evidence": [EVIDENCE], "rivals": [RIVAL]}],
     "channels": [{FIELD..., "quantity", "unit", "scale", "offset", "place": PLACE, "likelihood",
                   "evidence": [EVIDENCE], "rivals": [RIVAL]}]}
    EVIDENCE    {"what", "numbers": {name: number or text}, "text"}
    RIVAL       {"quantity", "scale", "offset", "likelihood", "why"}
    FIELD       see `decoder.discovery.field_at`
    PLACE       null for the whole pack, else {"module", "cell", "sensor"}, each null where unknown
"""

from __future__ import annotations

from dataclasses import dataclass
from dataclasses import field as with_default
from typing import TYPE_CHECKING, Any, Final

from decoder.discovery.field_at import to_record
from decoder.maps.pack_sheet import Place

if TYPE_CHECKING:
    from collections.abc import Mapping

    from decoder.discovery.field_at import FieldAt

SCHEMA: Final = "cellglean.infer/1"


@dataclass(frozen=True, slots=True)
class Evidence:
    """One thing that speaks for or against a claim.

    what : a short key, the same wherever this kind of evidence is meant, such as `sum equals pack voltage`
    numbers : what was computed, by name, units in the names (`scale_v`, `share`)
    text : the same in words, with the numbers
    """

    what: str
    numbers: Mapping[str, float | str] = with_default(default_factory=dict)
    text: str = ""


@dataclass(frozen=True, slots=True)
class Rival:
    """Another meaning that the same fields may have; ``None`` for a quantity that none of the known ones is.

    likelihood : 0..1; with the claim's own at most 1
    why : why it is less likely, in words
    """

    quantity: str | None
    scale: float
    offset: float
    likelihood: float
    why: str = ""


@dataclass(frozen=True, slots=True)
class Member:
    """One field of an array.

    order : from 1, by identifier, values of multiplexors, place in the payload
    place : module, cell and sensor, each ``None`` where it is unknown
    """

    at: FieldAt
    order: int
    place: Place = with_default(default_factory=Place)


@dataclass(frozen=True, slots=True)
class ArrayClaim:
    """Fields that measure one quantity at one scale at many places: value = scale x raw + offset, in `unit`.

    likelihood : the chance that quantity, scale and offset are right and that the members are all there are, in order
    """

    quantity: str
    unit: str
    scale: float
    offset: float
    members: tuple[Member, ...]
    likelihood: float
    evidence: tuple[Evidence, ...] = ()
    rivals: tuple[Rival, ...] = ()


@dataclass(frozen=True, slots=True)
class ChannelClaim:
    """One field with what it measures: value = scale x raw + offset, in `unit`; no unit for states.

    likelihood : the chance that quantity, scale and offset are right
    """

    at: FieldAt
    quantity: str
    unit: str
    scale: float
    offset: float
    place: Place
    likelihood: float
    evidence: tuple[Evidence, ...] = ()
    rivals: tuple[Rival, ...] = ()


@dataclass(frozen=True, slots=True)
class Inference:
    """All claims of a capture, the likeliest first; no two of them share a bit."""

    arrays: tuple[ArrayClaim, ...] = ()
    channels: tuple[ChannelClaim, ...] = ()


def as_record(inference: Inference) -> dict[str, Any]:
    """Give an inference as plain mappings, as JSON holds them."""
    return {
        "schema": SCHEMA,
        "arrays": [_array(one) for one in inference.arrays],
        "channels": [{**to_record(one.at), **_meaning(one), "place": _place(one.place)} for one in inference.channels],
    }


def _array(one: ArrayClaim) -> dict[str, Any]:
    members = [
        {**to_record(member.at), "order": int(member.order), "place": _member_place(member.place)}
        for member in one.members
    ]
    meaning = _meaning(one)
    return {**meaning, "members": members}


def _meaning(one: ArrayClaim | ChannelClaim) -> dict[str, Any]:
    return {
        "quantity": one.quantity,
        "unit": one.unit,
        "scale": float(one.scale),
        "offset": float(one.offset),
        "likelihood": round(float(one.likelihood), 4),
        "evidence": [{"what": some.what, "numbers": dict(some.numbers), "text": some.text} for some in one.evidence],
        "rivals": [
            {
                "quantity": some.quantity,
                "scale": float(some.scale),
                "offset": float(some.offset),
                "likelihood": round(float(some.likelihood), 4),
                "why": some.why,
            }
            for some in one.rivals
        ],
    }


def _member_place(place: Place) -> dict[str, int | str | None]:
    return {"module": place.module, "cell": place.cell, "sensor": place.sensor}


def _place(place: Place) -> dict[str, int | str | None] | None:
    return None if place == Place() else _member_place(place)
