"""Single numbers and states that may be channels of their own, in every length that changes their values."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.discovery.field_at import FieldAt, key_of
from decoder.discovery.physics.like_fields import with_length
from decoder.discovery.physics.series import Track, track_of

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from decoder.bits import Field
    from decoder.discovery.field_at import Sampled
    from decoder.discovery.physics.picking import Occupied
    from decoder.discovery.proposal import Carving, Proposal

_LONGEST: Final = 24
_FEWEST_SAMPLES: Final = 5
_FEWEST_BITS: Final = 4  # of a number
_USUAL_LENGTHS: Final = (8, 16, 12, 10, 14, 24)


@dataclass(frozen=True, eq=False, slots=True)
class Single:
    """One number in one length.

    at : the longest field with these values; shortest : bits of the shortest
    place : what tells it from others; the same number in another length has the same place
    likely : bits that it probably has, as carving has it
    sure : how sure carving is of it
    """

    at: FieldAt
    shortest: int
    place: tuple[object, ...]
    track: Track
    sure: float
    likely: int = 0

    def named(self, bits: tuple[int, int]) -> FieldAt:
        """Name it in a usual length between two, for bits above that never changed do not tell how long it is."""
        if self.at.field.signed:
            return self.at
        least, most = max(self.shortest, bits[0]), min(self.at.field.length, bits[1])
        fitting = [length for length in (self.likely, *_USUAL_LENGTHS) if least <= length <= most]
        return with_length(self.at, fitting[0]) if fitting else self.at


def singles_of(carvings: Sequence[Carving], sampled: Sampled, occupied: Occupied) -> list[Single]:
    """Give all numbers that stand in free bits, each in all lengths that change its values, signed and not."""
    found: list[Single] = []
    for one in carvings:
        taken = _taken(one.proposals, one.stream.data.shape[1] * 8)
        for proposal in one.proposals:
            if proposal.kind != "number" or proposal.field.length < _FEWEST_BITS:
                continue
            at = FieldAt(key_of(one.stream), replace(proposal.field, signed=False), proposal.multiplexor)
            if occupied.is_free(at):
                found += _in_lengths(at, proposal, taken, sampled)
    return found


def _taken(proposals: Sequence[Proposal], bits: int) -> list[bool]:
    """Tell which bits of a stream move in some field."""
    taken = [False] * bits
    for proposal in proposals:
        if proposal.kind not in {"constant", "text"}:
            certain = _certain(proposal)
            for bit in certain.bit_numbers():
                taken[bit] = True
    return taken


def _certain(proposal: Proposal) -> Field:
    """Give the bits that changed."""
    place = proposal.detail.get("certain")
    if isinstance(place, dict):
        return replace(proposal.field, start=int(place["start"]), length=int(place["length"]), signed=False)
    return replace(proposal.field, signed=False)


def _likely_length(proposal: Proposal) -> int:
    """Give how many bits carving thinks likely, from the lowest that changed on; 0 where it does not say."""
    place = proposal.detail.get("likely")
    if not isinstance(place, dict):
        return 0
    likely = replace(proposal.field, start=int(place["start"]), length=int(place["length"]), signed=False)
    return likely.length if likely.bit_numbers()[0] == _certain(proposal).bit_numbers()[0] else 0


def _in_lengths(at: FieldAt, proposal: Proposal, taken: list[bool], sampled: Sampled) -> Iterator[Single]:
    certain = replace(at, field=_certain(proposal))
    lowest = min_bit(certain)
    place = (at.stream, at.multiplexor, lowest, at.field.byte_order)
    runs: list[Single] = []
    for length in range(certain.field.length, _LONGEST + 1):
        try:
            longer = with_length(certain, length)
        except ValueError:
            break
        bits = longer.field.bit_numbers()
        if max(bits) >= len(taken) or any(taken[bit] for bit in bits[certain.field.length :]):
            break
        track = track_of(sampled, longer)
        if len(track) < _FEWEST_SAMPLES:
            break
        if runs and _same(runs[-1].track, track):
            runs[-1] = replace(runs[-1], at=longer, track=track)
        else:
            runs.append(Single(longer, length, place, track, proposal.confidence, _likely_length(proposal)))
    yield from runs
    for run in runs:
        for length in range(run.shortest, run.at.field.length + 1):
            signed = _signed(run, length, sampled)
            if signed is not None:
                yield signed


def _same(one: Track, other: Track) -> bool:
    return len(one) == len(other) and bool(np.array_equal(one.raw, other.raw))


def _signed(run: Single, length: int, sampled: Sampled) -> Single | None:
    """Read a number as signed where its top bit says so at some time."""
    at = with_length(run.at, length)
    at = replace(at, field=replace(at.field, signed=True))
    track = track_of(sampled, at)
    if len(track) < _FEWEST_SAMPLES or not (track.raw < 0).any():
        return None
    return Single(at, length, run.place, track, run.sure)


def min_bit(at: FieldAt) -> int:
    """Give the number of a field's lowest bit."""
    return at.field.bit_numbers()[0]
