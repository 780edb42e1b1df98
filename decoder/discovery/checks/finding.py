"""Find the checks in the payloads of one identifier.

Known CRCs and sums are tried everywhere on few pairs of payloads; what agrees is weighed on all frames; then any
relation that is linear is solved for. A relation has no direction: any of its bytes can be written as a function of
the others. Which one is the check is told from its place and from how its bits change.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from math import log2
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.discovery.checks.beside_counters import sum_beside_counter
from decoder.discovery.checks.check import Check, Parameters
from decoder.discovery.checks.crc_naming import name_crc, name_crc_of_bits
from decoder.discovery.checks.crc_search import crc_nibbles, crc_relations, crcs_by_counter, crcs_of_bits
from decoder.discovery.checks.evidence import FOUND_BITS, PROVED_BITS, Found, frames_that_agree, narrower, weigh
from decoder.discovery.checks.linear_search import linear_relations
from decoder.discovery.checks.places import BLOCK, FRAME, Attempts
from decoder.discovery.checks.relation import BitsRule, CrcRule, LinearRule, Relation, SumRule
from decoder.discovery.checks.sample import take_sample, xor_rank
from decoder.discovery.checks.sum_naming import name_sum
from decoder.discovery.checks.sum_search import sum_relations

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from numpy.typing import NDArray

    from decoder.bits import Field
    from decoder.discovery.checks.sample import Sample

_FRAMES: Final = 8  # fewer tell nothing; common practice, no source
_MOST_RELATIONS: Final = 64  # that one search looks at closely, the same
_SEARCHES: Final = 7  # kinds of searches, each of which may find a false check
_ALSO: Final = 6  # other forms that are told, the same
# How much the place of a check counts beside how its bits change (0..1); common practice, no source.
_LAST: Final = 0.55
_FIRST: Final = 0.5
_BESIDE_A_COUNTER: Final = 0.25
_AT_AN_EDGE: Final = 0.25  # of eight bytes
_BESIDE_A_COUNTER_NIBBLE: Final = 1.25  # a check of 4 bits, in the same byte
_WIDTH: Final = 0.4  # for twice the width: the parts of a wide check look like checks of their own


def find_checks(data: NDArray[np.uint8], can_id: int) -> tuple[Check, ...]:
    """Find the checks in payloads of one identifier (or of one kind of reassembled message), by place.

    data : uint8, n x width, in the order of time
    """
    if len(data) < _FRAMES or data.shape[1] < 2:
        return ()
    sample = take_sample(data)
    chosen = _choose(sample, _known_forms(sample), ())
    taken = [one.best.relation for one in chosen]
    chosen += _choose(sample, _without_names(sample, taken), taken)
    weak = None if chosen else sum_beside_counter(sample)
    chosen += [] if weak is None else [_Choice(weak, ())]
    checks = [_describe(sample, one, can_id) for one in chosen]
    return tuple(sorted(checks, key=lambda check: min(check.field.bit_numbers())))


@dataclass(frozen=True, slots=True)
class _Choice:
    """The relation that explains a field best, and the others that explain it as well."""

    best: Found
    others: tuple[Found, ...]


def _known_forms(sample: Sample) -> list[Found]:
    """Give the known CRCs and sums that hold."""
    rank = xor_rank(sample.unique)
    found: list[Found] = []
    for size in (1, 2, 4, 8):
        if size < sample.width and rank * size * 8 > FOUND_BITS:
            found += _weighed(sample, partial(crc_relations, size=size))
    if rank * 4 > FOUND_BITS:
        found += _weighed(sample, crc_nibbles) + _weighed(sample, sum_relations)
    if not found and rank * 8 > FOUND_BITS and sample.width <= FRAME:
        found += _weighed(sample, crcs_of_bits) + _weighed(sample, crcs_by_counter)
    return found


def _without_names(sample: Sample, taken: list[Relation]) -> list[Found]:
    """Give the linear relations that hold beside those of the fields `taken`."""
    bits = {bit for relation in taken for bit in relation.field.bit_numbers()}
    return _weighed(sample, lambda sample, attempts: linear_relations(sample, bits, attempts))


def _weighed(sample: Sample, search: Callable[[Sample, Attempts], Iterator[Relation]]) -> list[Found]:
    """Give what one search finds, if it is worth more than its own attempts and those of the other searches."""
    attempts = Attempts()
    relations = list(search(sample, attempts))
    tried = attempts.count * _SEARCHES
    weighed = []
    # Where most bytes are copies of each other very many relations hold, and none of them can be told from the others.
    relations.sort(key=_simplicity)
    for relation in relations[:_MOST_RELATIONS]:
        found = weigh(sample, relation, tried)
        if found is None:
            continue
        weighed.append(found)
        if found.holds < len(sample.data):
            better = [other for other in narrower(sample, relation) if frames_that_agree(sample, other) > found.holds]
            weighed += [other for other in (weigh(sample, relation, tried) for relation in better) if other is not None]
    return weighed


def _choose(sample: Sample, found: list[Found], taken: Sequence[Relation]) -> list[_Choice]:
    """Choose the fields that are checks, each with its best relation."""
    by_field: dict[Field, list[Found]] = {}
    for one in found:
        by_field.setdefault(one.relation.field, []).append(one)
    choices = []
    for alike in by_field.values():
        # A check inside what another one covers adds nothing: so the fewer bytes, if as many frames agree.
        alike.sort(key=lambda one: (-one.holds, _moving(sample, one.relation), _simplicity(one.relation)))
        best, *others = alike
        choices.append(_Choice(best, tuple(other for other in others if other.holds == best.holds)))
    choices.sort(key=lambda choice: -_likeliness(sample, choice.best))
    accepted: list[_Choice] = []
    relations = list(taken)
    for choice in choices:
        relation = choice.best.relation
        if not any(_overlap(relation.field, other.field) or _same(relation, other) for other in relations):
            accepted.append(choice)
            relations.append(relation)
    return accepted


def _moving(sample: Sample, relation: Relation) -> int:
    return int(sample.moves[list(relation.covers)].sum())


def _simplicity(relation: Relation) -> tuple[int, int, int]:
    """Sort keys: CRCs before sums before others, few hidden bytes, many bytes covered."""
    kind = (CrcRule, BitsRule, SumRule, LinearRule).index(type(relation.rule))
    behind = relation.rule.behind if isinstance(relation.rule, CrcRule) else 0
    return kind, behind, -len(relation.covers)


def _likeliness(sample: Sample, found: Found) -> float:
    """Tell how much a field looks like a check: evidence, width, place, flips of about half, and no counter inside."""
    field = found.relation.field
    flips = float(sample.flips[list(field.bit_numbers())].mean())
    likeliness = min(found.bits, PROVED_BITS) / PROVED_BITS + min(flips, 1 - flips) * 2
    likeliness += _WIDTH * log2(field.length / 8) + _place_weight(sample, field)
    counting = [share for counter, share in sample.counters.items() if _overlap(counter, field)]
    return likeliness - max(counting, default=0) * min(1, 4 / field.length)


def _place_weight(sample: Sample, field: Field) -> float:
    """Tell how usual the place is for a check."""
    counters = [counter.first_byte for counter in sample.counters if not _overlap(counter, field)]
    if field.length == 4:
        return _BESIDE_A_COUNTER_NIBBLE if field.first_byte in counters else 0
    if field.last_byte == sample.width - 1:
        return _LAST
    if field.first_byte == 0:
        return _FIRST
    if any(byte in {field.first_byte - 1, field.last_byte + 1} for byte in counters):
        return _BESIDE_A_COUNTER
    return _AT_AN_EDGE if field.first_byte % BLOCK == 0 or field.last_byte % BLOCK == BLOCK - 1 else 0


def _overlap(one: Field, other: Field) -> bool:
    return bool(set(one.bit_numbers()) & set(other.bit_numbers()))


def _same(one: Relation, other: Relation) -> bool:
    """Tell whether each covers the other's field: one relation, read in two directions."""
    return set(one.own_bytes) <= set(other.covers) and set(other.own_bytes) <= set(one.covers)


def _describe(sample: Sample, choice: _Choice, can_id: int) -> Check:
    found = choice.best
    form, parameters, also = _name(found, sample, can_id)
    others = [_in_words(other, _name(other, sample, can_id)[0]) for other in choice.others]
    also = tuple(dict.fromkeys((*also, *others)))[:_ALSO]
    damaged = np.flatnonzero(~found.agrees[sample.inverse])
    return Check(
        found.relation.field,
        found.relation.covers,
        form,
        parameters,
        found.holds,
        len(sample.data),
        found.rank,
        round(found.bits, 1),
        found.bits >= PROVED_BITS,
        also,
        tuple(damaged.tolist()),
    )


def _name(found: Found, sample: Sample, can_id: int) -> tuple[str, Parameters, tuple[str, ...]]:
    rule = found.relation.rule
    if isinstance(rule, CrcRule):
        return name_crc(found, sample, can_id)
    if isinstance(rule, BitsRule):
        return name_crc_of_bits(found, rule, sample)
    if isinstance(rule, SumRule):
        return name_sum(found, sample, can_id)
    return "linear", Parameters(found.relation.field.length, constant=found.constants[0], taps=rule.taps), ()


def _in_words(found: Found, form: str) -> str:
    covers = found.relation.covers
    behind = found.relation.rule.behind if isinstance(found.relation.rule, CrcRule) else 0
    hidden = f" and {behind} hidden behind" if behind else ""
    return f"{form} over bytes {', '.join(map(str, covers))}{hidden}"
