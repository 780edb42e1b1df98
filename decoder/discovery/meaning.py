"""What a field means, once somebody or something has said so: the one form in which meanings go into a signal map."""

from __future__ import annotations

from dataclasses import dataclass
from dataclasses import field as with_default
from typing import TYPE_CHECKING

from decoder.maps.pack_sheet import Place

if TYPE_CHECKING:
    from collections.abc import Mapping

    from decoder.discovery.field_at import FieldAt


@dataclass(frozen=True, slots=True)
class Meaning:
    """A field with its name, or with what a name can be made from.

    name : as wished; empty where quantity and place are to give one
    quantity : one of `decoder.maps.quantities`, ``None`` where it is none of them
    scale, offset : value = scale x raw + offset, in `unit`
    labels : raw value -> word, for states
    low, high : the range that the map may state, in `unit`
    multiplexor : the field decides what other fields mean
    comment : on what evidence, from which capture
    """

    at: FieldAt
    name: str = ""
    quantity: str | None = None
    unit: str = ""
    scale: float = 1.0
    offset: float = 0.0
    place: Place = with_default(default_factory=Place)
    labels: Mapping[int, str] = with_default(default_factory=dict)
    low: float | None = None
    high: float | None = None
    multiplexor: bool = False
    comment: str = ""
