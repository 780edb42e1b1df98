"""From the cut of a part to proposals: sign, kind, what is known, how sure."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.bits import Payloads
from decoder.discovery.carving import confidence
from decoder.discovery.carving.details import counter_detail, is_cyclic, number_detail, place_detail, value_detail
from decoder.discovery.carving.field_costs import KINDS
from decoder.discovery.carving.signs import is_signed
from decoder.discovery.proposal import Proposal

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from decoder.bits import Field
    from decoder.discovery.carving.cutting import Found
    from decoder.discovery.carving.parts import Part
    from decoder.discovery.checks import Check
    from decoder.discovery.proposal import Kind

_MOST_STATES: Final = 16
_STATE_BITS: Final = 4
_EXCEPTIONS: Final = 0.1  # of the steps of a counter: where frames are lost
_FEWEST_STEPS: Final = 8


def proposal_of(found: Found, part: Part, time_ns: NDArray[np.int64], indexes: Sequence[int]) -> Proposal | None:
    """Give the proposal for a field of a cut, or nothing where it never changes in this part.

    time_ns : int64, times of the part's payloads
    indexes : of a series, the values of its multiplexor
    """
    raw = Payloads(part.data).field(found.certain).astype(np.int64)
    changes = _changes(raw)
    if not changes:
        return None
    kind = _kind(found, raw)
    signed = kind == "number" and is_signed(raw, found.certain.length)
    field = replace(found.certain, signed=True) if signed else found.field
    likely = field if signed else found.likely
    detail = place_detail(found.certain, likely, changes)
    if kind == "counter":
        field = found.certain  # all its bits move
        detail |= counter_detail(raw, found.certain.length)
    elif kind in {"flag", "state"}:
        detail |= value_detail(raw, time_ns)
    elif kind == "number":
        detail |= number_detail(Payloads(part.data).field(field).astype(np.int64), field)
    if indexes:
        detail["indexes"] = list(indexes)
    sure = confidence.corrected(found.chance, changes, kind, under_multiplexor=part.selector is not None)
    return Proposal(field, kind, sure, part.selector, detail)


def _changes(raw: NDArray[np.int64]) -> int:
    """Count how often a value differs from the one before."""
    return int(np.count_nonzero(raw[1:] != raw[:-1]))


def _kind(found: Found, raw: NDArray[np.int64]) -> Kind:
    if found.certain.length == found.likely.length == 1:
        return "flag"
    kind: Kind = KINDS[found.kind]
    if kind in {"number", "state"} and _counts(raw, found.certain.length):
        return "counter"
    if kind == "unknown" and found.certain.length <= _STATE_BITS and len(np.unique(raw)) <= _MOST_STATES:
        return "state"
    return kind


def _counts(raw: NDArray[np.int64], length: int) -> bool:
    """Tell whether values nearly always go on by one or two, through their whole range: a number has no such habit."""
    told = counter_detail(raw, length)
    step, exceptions = told["step"], told["exceptions"]
    steady = isinstance(exceptions, int) and exceptions <= _EXCEPTIONS * len(raw)
    moving = _changes(raw) >= (1 - _EXCEPTIONS) * (len(raw) - 1)
    return length > 1 and len(raw) > _FEWEST_STEPS and steady and moving and step in {-2, -1, 1, 2}


def check_proposal(check: Check) -> Proposal:
    """Give the proposal for a check."""
    sure = confidence.CHECK_PROVED if check.proved else confidence.CHECK_UNPROVED
    return Proposal(check.field, "check", sure, None, {**check.plain(), "changes": check.frames})


def multiplexor_proposal(part: Part, field: Field, time_ns: NDArray[np.int64]) -> Proposal:
    """Give the proposal for the multiplexor of a part."""
    raw = Payloads(part.data).field(field).astype(np.int64)
    changes = _changes(raw)
    detail = place_detail(field, field, changes) | value_detail(raw, time_ns) | {"cyclic": is_cyclic(raw)}
    return Proposal(field, "multiplexor", confidence.MULTIPLEXOR, part.selector, detail)
