"""What was found turned into meanings for a signal map: claims of physics, matched readings, carved fields.

Readings count before arrays, arrays before single channels, both before carved fields: where two of them stand on the
same bits, the first one has its say. Only what is likely enough is taken; all else is told, with why.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.discovery.carving.details import not_available
from decoder.discovery.covering.explained import tells_of_pack
from decoder.discovery.drafts.channel_names import further_head, name_of
from decoder.discovery.drafts.place_words import place_in, quantity_in
from decoder.discovery.drafts.placing import Placing, place_arrays
from decoder.discovery.field_at import FieldAt
from decoder.discovery.meaning import Meaning
from decoder.discovery.pictures.proposal_words import proposal_words
from decoder.discovery.spots import Selectors, spot
from decoder.maps.quantities import quantity as quantity_row
from decoder.printable import printable

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from decoder.discovery.field_at import Sampled, StreamKey
    from decoder.discovery.inference import ArrayClaim, ChannelClaim, Evidence, Inference
    from decoder.discovery.pinned import Match, Pinned
    from decoder.discovery.proposal import Kind, Proposal
    from decoder.discovery.spots import Spot
    from decoder.maps.pack_sheet import PackSheet, Place

# Carved kinds that say what a field is without anybody having named it.
KINDS: Final[tuple[Kind, ...]] = ("multiplexor", "counter", "check", "state", "flag")
# Further ones, which somebody chose by leaving them in a file.
CHOSEN_KINDS: Final[tuple[Kind, ...]] = (*KINDS, "number")
_QUANTITIES: Final = {"counter": "alive counter", "check": "check"}
_EVIDENCE_TOLD: Final = 2
# What a pack has once, so that the likeliest field counts.
_ONE_A_PACK: Final = ("pack voltage", "link voltage", "pack current", "state of charge", "state of health")
ABSENT: Final = "not available"
# What the names of cells begin with that another array has already: asked for, or broadcast once more.
_POLLED: Final = "Polled"
_BROADCAST: Final = "Again"


@dataclass(frozen=True, slots=True)
class Found:
    """What there is to choose from.

    carved : fields with the stream that they are of
    chosen : somebody left only what they want in it
    """

    inference: Inference | None = None
    pinned: tuple[Pinned, ...] = ()
    carved: tuple[tuple[StreamKey, Proposal], ...] = ()
    chosen: bool = False


@dataclass(frozen=True, slots=True)
class LeftOut:
    """Something that does not go into the map: what in words, and why."""

    what: str
    why: str


@dataclass(frozen=True, slots=True)
class Accepted:
    """The meanings, what was left out, and where in the pack arrays were placed."""

    meanings: tuple[Meaning, ...]
    left_out: tuple[LeftOut, ...]
    placing: Placing


def accepted(
    found: Found,
    at_least: float = 0.9,
    sampled: Sampled | None = None,
    cells_per_module: int | tuple[int, ...] | None = None,
    sheet: PackSheet | None = None,
) -> Accepted:
    """Choose what is likely enough, and give it names and places.

    Parameters
    ----------
    at_least : the likelihood or confidence from which on something is taken
    sampled : the capture, to see which arrays carry the same cells
    cells_per_module, sheet : where they say where cells sit
    """
    choice = _Choice(found, at_least, sampled)
    arrays = [one for one in (found.inference.arrays if found.inference else ()) if choice.takes_array(one)]
    placing = place_arrays(arrays, found.pinned, sampled, cells_per_module, sheet)
    for at, array in enumerate(arrays):
        choice.add_array(array, placing.places[at], _ahead(at, arrays, placing))
    choice.add_pinned()
    for channel in found.inference.channels if found.inference else ():
        choice.add_channel(channel)
    choice.settle_unsure()
    for key, proposal in found.carved:
        choice.add_carved(key, proposal)
    meanings = [with_absent(one, sampled) for one in choice.meanings] if sampled is not None else choice.meanings
    return Accepted(tuple(meanings), tuple(choice.left_out), placing)


def with_absent(meaning: Meaning, sampled: Sampled) -> Meaning:
    """Give a meaning whose value table says which raw value means 'not available', where one does.

    Only where decoding cannot know by itself: where that value could be a measurement of the quantity.
    """
    row = quantity_row(meaning.quantity) if meaning.quantity else None
    if row is None or row.plausible is None or meaning.labels or meaning.at.stream not in sampled.streams:
        return meaning
    _, raw = sampled.raw(meaning.at)
    if not len(raw):
        return meaning
    absent = not_available(raw.view(np.int64), meaning.at.field)  # fields of 64 bits have no plain 'not available'
    values = {one: one * meaning.scale + meaning.offset for one in absent}
    low, high = row.plausible
    return replace(meaning, labels={one: ABSENT for one, value in values.items() if low <= value <= high})


def _ahead(at: int, arrays: Sequence[ArrayClaim], placing: Placing) -> str:
    """Give what the names of an array begin with, where another one has the usual names; else empty."""
    quantity = arrays[at].quantity
    if at not in placing.copies:
        number = 1 + sum(one.quantity == quantity for one in arrays[:at])
        return further_head(quantity, number) if number > 1 and quantity != "cell voltage" else ""
    word = _BROADCAST if arrays[at].members[0].at.stream.carrier is None else _POLLED
    before = [other for other in placing.copies if other < at]
    return f"{word}{len(before) + 1}" if before else word


class _Choice:
    """Takes one thing after the other, and keeps what bits are taken."""

    def __init__(self, found: Found, at_least: float, sampled: Sampled | None) -> None:
        self.found = found
        self.sampled = sampled
        self.at_least = at_least
        self.kinds = CHOSEN_KINDS if found.chosen else KINDS
        self.meanings: list[Meaning] = []
        self.left_out: list[LeftOut] = []
        self.at: dict[Spot, int] = {}
        self.selectors = Selectors()
        self.unsure: list[Pinned] = []

    def takes_array(self, one: ArrayClaim) -> bool:
        if one.likelihood >= self.at_least:
            return True
        what = f"{len(one.members)} fields as {one.quantity}, from {shown(one.members[0].at)} on"
        self._unlikely(what, one.likelihood)
        return False

    def add_array(self, one: ArrayClaim, places: Sequence[Place], ahead: str) -> None:
        """Add all members; an array that repeats another one is named otherwise."""
        head = f"one of {len(one.members)} fields as {one.quantity}, likelihood {one.likelihood:.2f}"
        comment = _with_evidence(head, one.evidence)
        for member, place in zip(one.members, places, strict=True):
            meaning = _meaning(member.at, one.quantity, one.unit, one.scale, one.offset, place, comment)
            if ahead:
                meaning = replace(meaning, name=name_of(one.quantity, place, "", 0, ahead).name)
            self._add(meaning)

    def add_pinned(self) -> None:
        """Add the likeliest field of each label; where it is a member of an array already, its comment says so too."""
        for one in self.found.pinned:
            best = one.matches[0] if one.matches else None
            what = f"'{printable(one.label, 60)}'"
            if best is None:
                self.left_out.append(LeftOut(what, "no field carries it"))
            elif best.likelihood >= self.at_least:
                self._pin(one, best)
            else:
                self.unsure.append(one)

    def _pin(self, one: Pinned, best: Match) -> None:
        readings = "1 reading" if one.used == 1 else f"{one.used} readings"
        said = f"matches {readings} of '{one.label}', likelihood {best.likelihood:.2f}"
        known = self._member(best)
        if known is not None:
            why = _contradicts(one, self.meanings[known])
            if why:
                self.left_out.append(LeftOut(f"'{printable(one.label, 60)}'", why))
            else:
                self._say_too(known, said)
            return
        quantity = best.quantity or quantity_in(one.label, one.unit)
        named = quantity_in(one.label, one.unit)
        place = place_in(one.label)
        meaning = _meaning(best.at, named or quantity, one.unit, best.scale, best.offset, place, said)
        self._add(meaning if meaning.quantity else replace(meaning, name=one.label))

    def _member(self, match: Match) -> int | None:
        """Give the number of the meaning that a match is about, or one that carries the same values."""
        return next((self.at[spot(at)] for at in (match.at, *match.same_as) if spot(at) in self.at), None)

    def settle_unsure(self) -> None:
        """Tell of labels whose likeliest field is not likely enough, but for those that fit what is known by now."""
        for one in self.unsure:
            if not self._agrees(one):
                what = f"'{printable(one.label, 60)}', the likeliest {shown(one.matches[0].at)}"
                self._unlikely(what, one.matches[0].likelihood, _ties(one))

    def _agrees(self, one: Pinned) -> bool:
        """Whether one of a label's matches is known to be of the quantity and at the place that it speaks of."""
        place, quantity = place_in(one.label), quantity_in(one.label, one.unit)
        for match in one.matches:
            known = self._member(match)
            if known is None or quantity is None:
                continue
            if (self.meanings[known].place, self.meanings[known].quantity) == (place, quantity):
                self._say_too(known, f"fits the readings of '{one.label}' too, likelihood {match.likelihood:.2f}")
                return True
        return False

    def _say_too(self, number: int, said: str) -> None:
        meaning = self.meanings[number]
        self.meanings[number] = replace(meaning, comment=f"{meaning.comment}; {said}")

    def add_channel(self, one: ChannelClaim) -> None:
        if spot(one.at) in self.at:
            return  # a reading or an array has said what it is
        if one.likelihood < self.at_least:
            self._unlikely(f"{shown(one.at)} as {one.quantity}", one.likelihood)
            return
        if one.quantity in _ONE_A_PACK and any(other.quantity == one.quantity for other in self.meanings):
            why = f"another field is taken for {one.quantity} already, and a pack has one"
            self.left_out.append(LeftOut(f"{shown(one.at)} as {one.quantity}", why))
            return
        comment = _with_evidence(f"{one.quantity} by physics alone, likelihood {one.likelihood:.2f}", one.evidence)
        self._add(_meaning(one.at, one.quantity, one.unit, one.scale, one.offset, one.place, comment))

    def add_carved(self, key: StreamKey, one: Proposal) -> None:
        at = FieldAt(key, one.field, one.multiplexor)
        if spot(at) in self.at or one.kind not in self.kinds or not tells_of_pack(key):
            return
        if one.confidence < self.at_least:
            self._unlikely(f"{shown(at)} as {one.kind}", one.confidence)
            return
        if one.kind == "multiplexor":
            at = self.selectors.used(at) or at
        low, high = _counted(one)
        comment = f"{one.kind} by carving, confidence {one.confidence:.2f}: {proposal_words(one)}"
        quantity = _QUANTITIES.get(one.kind)
        is_multiplexor = one.kind == "multiplexor"
        self._add(Meaning(at, quantity=quantity, low=low, high=high, multiplexor=is_multiplexor, comment=comment))

    def _add(self, meaning: Meaning) -> None:
        why = _not_heard(meaning.at, self.sampled) if self.sampled is not None else ""
        if why:
            self.left_out.append(LeftOut(shown(meaning.at), why))
            return
        meaning = replace(meaning, at=self.selectors.alike(meaning.at))
        self.at[spot(meaning.at)] = len(self.meanings)
        self.meanings.append(meaning)

    def _unlikely(self, what: str, likelihood: float, more: str = "") -> None:
        self.left_out.append(LeftOut(what, f"likelihood {likelihood:.2f}, below {self.at_least:g}{more}"))


def _meaning(
    at: FieldAt, quantity: str | None, unit: str, scale: float, offset: float, place: Place, comment: str
) -> Meaning:
    row = quantity_row(quantity) if quantity else None
    return Meaning(
        at, quantity=quantity, unit=unit or (row.unit if row else ""), scale=scale, offset=offset, place=place,
        comment=comment,
    )  # fmt: skip


def _not_heard(at: FieldAt, sampled: Sampled) -> str:
    """Say why a capture has no field there; empty where it has."""
    stream = sampled.streams.get(at.stream)
    if stream is None:
        return "the capture does not have this identifier, or not carried so"
    width = stream.data.shape[1]
    return "" if at.field.last_byte < width else f"the payloads in the capture have only {width} bytes"


def _counted(one: Proposal) -> tuple[float | None, float | None]:
    """Give the lowest and the highest value of a counter."""
    modulus, lowest = one.detail.get("modulus"), one.detail.get("lowest")
    if one.kind != "counter" or not isinstance(modulus, int) or not isinstance(lowest, int):
        return None, None
    return float(lowest), float(lowest + modulus - 1)


def _contradicts(one: Pinned, known: Meaning) -> str:
    """Say in what the label of readings contradicts what their field is known as; empty where it does not."""
    place, quantity = place_in(one.label), quantity_in(one.label, one.unit)
    if quantity is not None and known.quantity not in (quantity, None):
        return f"its readings match {shown(known.at)}, which is taken for {known.quantity}"
    if place.module is not None and known.place.module is not None and place != known.place:
        return f"its readings match {shown(known.at)}, which is placed at {known.place}"
    return ""


def _ties(one: Pinned) -> str:
    return f"; {one.tied} fields fit equally" if one.tied > 1 else ""


def _with_evidence(head: str, evidence: Iterable[Evidence]) -> str:
    said = [one.text or one.what for one in evidence][:_EVIDENCE_TOLD]
    return f"{head}: {'; '.join(said)}" if said else head


def shown(at: FieldAt) -> str:
    """Name a field in words: identifier, what it is carried by, page, bits."""
    return " ".join(_parts(at))


def _parts(at: FieldAt) -> Iterator[str]:
    key = at.stream
    yield f"{key.can_id:0{8 if key.extended else 3}X}"
    if key.carrier is not None:
        yield f"group {key.carrier.pgn}" if key.carrier.pgn is not None else key.carrier.prefix.hex(" ").upper()
    selector = at.multiplexor
    while selector is not None:
        if selector.value is not None:
            yield f"page {selector.value}"
        selector = selector.within
    order = "1" if at.field.byte_order == "little" else "0"
    yield f"{at.field.start}|{at.field.length}@{order}{'-' if at.field.signed else '+'}"
