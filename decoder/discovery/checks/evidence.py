"""How well a relation holds, and what that is worth.

Each independent difference between payloads that agrees with a relation of w bits would do so by chance once in 2 ** w
times. From the sum of these bits those of the number of relations tried are taken off, and those of choosing which of
the repeated payloads need not agree.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import log2
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.discovery.checks.relation import (
    BitsRule,
    CrcRule,
    LinearRule,
    Relation,
    SumRule,
    covered_data,
    groups,
    residual,
    sum_of,
)
from decoder.discovery.checks.sample import xor_rank

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from decoder.discovery.checks.sample import Sample

MOST_HIDDEN: Final = 2  # bytes behind the covered ones
HOLDS: Final = 0.9  # share of frames in which a check must be right; common practice, no source
FOUND_BITS: Final = 14.0  # the same: one false check in 16,384 identifiers, if the model is right
PROVED_BITS: Final = 48.0  # the same
_COPIES: Final = {
    True: 0.75,
    False: 0.5,
}  # share of a CRC's, of a sum's bits that may be copies of single bits; the same
_ALIKE: Final = 0.97  # share of payloads in which a copy is one: damaged ones may agree with the check; the same
_REPEATS: Final = (
    8  # payloads that must repeat a byte before it can be told that the check follows from it alone; the same
)
_ONE_VALUE: Final = 0.98  # share of these repeats that then have the same check; the same
_SAME_STEP: Final = 0.95  # share of payloads in which check and byte, added or subtracted, give the same; the same
_SUM_VALUES: Final = 5  # different values that a sum takes, the same
_LINEAR_VALUES: Final = 48  # different values that a check without a name takes; the same
_LINEAR_FLIPS: Final = 0.33  # share of steps in which its bits change, half being expected; the same
_LINEAR_SURPLUS: Final = 8  # payloads beyond those that fix the unknowns of a relation without a name; the same


@dataclass(frozen=True, eq=False, slots=True)
class Found:
    """A relation with its constants by group of payloads, and the unique payloads that agree."""

    relation: Relation
    constants: dict[int, int]
    agrees: NDArray[np.bool_]
    holds: int
    rank: int
    bits: float


def weigh(sample: Sample, relation: Relation, tried: int) -> Found | None:
    """Give what a relation is worth, or nothing if it is not enough or the check is a mere copy."""
    left = residual(sample, relation)
    constants, agrees = _constants(sample, relation, left)
    holds = int(sample.counts[agrees].sum())
    if holds < HOLDS * len(sample.data):
        return None
    covered = covered_data(sample, relation)
    rank = _rank(sample, relation, covered, agrees)
    bits = _witnesses(sample, relation, agrees, rank) * _worth(sample, relation) - _price(
        sample, agrees | (groups(sample, relation) < 0), tried
    )
    is_copy = share_of_copies(sample, relation, agrees) > _COPIES[isinstance(relation.rule, CrcRule | BitsRule)]
    if bits < FOUND_BITS or is_copy or not _fits_its_rule(sample, relation, agrees):
        return None
    return Found(relation, constants, agrees, holds, rank, bits)


def held(sample: Sample, relation: Relation, share: float) -> Found | None:
    """Give a relation that holds in at least this share of the frames, whatever else explains it: worth no bits."""
    constants, agrees = _constants(sample, relation, residual(sample, relation))
    holds = int(sample.counts[agrees].sum())
    if holds < share * len(sample.data):
        return None
    return Found(
        relation, constants, agrees, holds, _rank(sample, relation, covered_data(sample, relation), agrees), 0.0
    )


def _price(sample: Sample, agrees: NDArray[np.bool_], tried: int) -> float:
    """Give the bits that the number of attempts costs, and the choice of the repeated payloads that do not agree."""
    repeated = sample.counts > 1
    left_out = int(np.count_nonzero(repeated & ~agrees))
    return log2(max(tried, 1)) + left_out * log2(max(int(np.count_nonzero(repeated)), 1))


def _fits_its_rule(sample: Sample, relation: Relation, agrees: NDArray[np.bool_]) -> bool:
    """Tell whether a relation is more than what fields that are no check have too."""
    if isinstance(relation.rule, CrcRule | BitsRule):
        return True
    if _follows_from_one_byte(sample, relation, agrees):
        return False
    if isinstance(relation.rule, SumRule):
        _, times = np.unique(sample.values.field(relation.field)[agrees], return_counts=True)
        values = np.count_nonzero(times > 1) if relation.field.length == 4 else len(times)  # nibbles agree by chance
        return bool(values >= _SUM_VALUES) and _varied(covered_data(sample, relation)[agrees]) > 1
    return _looks_like_a_check(sample, relation, agrees)


def narrower(sample: Sample, relation: Relation) -> Iterator[Relation]:
    """Give the relations without some of the first or last bytes that hardly move.

    The search takes these for covered, which makes frames look damaged in which one moves that is not.
    """
    rule, covers = relation.rule, relation.covers
    if (
        isinstance(rule, LinearRule | BitsRule)
        or (isinstance(rule, CrcRule) and rule.zeroed)
        or relation.counter is not None
    ):
        return
    moving = np.flatnonzero(sample.moves[list(covers)])
    if not len(moving):
        return
    ends = range(int(moving[-1]) + 1, len(covers) + 1)
    for start in range(int(moving[0]) + 1):
        for end in ends:
            left_out = len(covers) - end
            if start == left_out == 0:
                continue
            if isinstance(rule, SumRule):
                yield replace(relation, covers=covers[start:end])
            elif rule.behind + left_out <= MOST_HIDDEN:
                yield replace(relation, covers=covers[start:end], rule=replace(rule, behind=rule.behind + left_out))


def frames_that_agree(sample: Sample, relation: Relation) -> int:
    """Give in how many frames a relation holds."""
    _, agrees = _constants(sample, relation, residual(sample, relation))
    return int(sample.counts[agrees].sum())


def _varied(rows: NDArray[np.uint8]) -> int:
    """Give how many columns change in more rows than those that agree though they are damaged."""
    usual = np.array([np.bincount(column).argmax() for column in rows.T])
    return int(np.count_nonzero(np.count_nonzero(rows != usual, axis=0) > max(2, (1 - _ALIKE) * len(rows))))


def _constants(
    sample: Sample, relation: Relation, left: NDArray[np.uint64]
) -> tuple[dict[int, int], NDArray[np.bool_]]:
    """Give the constant of each group of payloads, that which most frames have, and who agrees with it."""
    group = groups(sample, relation)
    constants: dict[int, int] = {}
    agrees = np.zeros(len(left), dtype=np.bool_)
    for number in sorted(set(group.tolist()), reverse=True):
        # Payloads whose rest is seldom are held to the constant that most have: else any of them would agree.
        rows = group == number if number >= 0 else np.ones_like(agrees)
        seen, place = np.unique(left[rows], return_inverse=True)
        constants[number] = int(seen[np.argmax(np.bincount(place, weights=sample.counts[rows]))])
        agrees |= (group == number) & (left == constants[number])
    return constants, agrees


def _rank(sample: Sample, relation: Relation, covered: NDArray[np.uint8], agrees: NDArray[np.bool_]) -> int:
    _, first, group = np.unique(groups(sample, relation)[agrees], return_index=True, return_inverse=True)
    within = covered[agrees] ^ covered[agrees][first[group]]
    return xor_rank(np.concatenate([np.zeros_like(within[:1]), within]))


def _witnesses(sample: Sample, relation: Relation, agrees: NDArray[np.bool_], rank: int) -> int:
    """Give how many independent differences bear witness.

    Of a sum the different values of all but the byte that matters most: with that alone it would be a copy. Where the
    relation was solved from payloads, those beyond the solution.
    """
    if isinstance(relation.rule, SumRule):
        return min(rank, _values_beside_one_byte(sample, relation.rule, relation, agrees) - 1)
    if not isinstance(relation.rule, LinearRule):
        return rank
    taps = sorted({bit for row in relation.rule.taps for bit in row})
    bits = np.unpackbits(sample.unique[agrees], axis=1, bitorder="little")[:, taps]
    different = np.unique(bits, axis=0)
    beyond = len(different) - 1 - xor_rank(different)
    return beyond if beyond >= max(_LINEAR_SURPLUS, rank) else 0


def _worth(sample: Sample, relation: Relation) -> int:
    """Give the bits of the check that count: those that move, but for a CRC, which says which do not."""
    if isinstance(relation.rule, CrcRule | BitsRule):
        return relation.field.length
    return sum(int(sample.moving_bits[bit // 8]) >> bit % 8 & 1 for bit in relation.field.bit_numbers())


def share_of_copies(sample: Sample, relation: Relation, agrees: NDArray[np.bool_]) -> float:
    """Give the share of the check's moving bits that equal one other bit, or its opposite; of none all do."""
    signs = np.unpackbits(sample.unique[agrees], axis=1, bitorder="little").astype(np.float32) * 2 - 1
    own = list(relation.field.bit_numbers())
    moving = [bit for bit in own if abs(float(signs[:, bit].mean())) < 1 - 2 * (1 - _ALIKE)]
    if not moving:
        return 1.0
    others = np.delete(signs, own, axis=1)
    alike = np.abs(signs[:, moving].T @ others) >= len(signs) * (2 * _ALIKE - 1)
    return float(alike.any(axis=1).mean())


def _follows_from_one_byte(sample: Sample, relation: Relation, agrees: NDArray[np.bool_]) -> bool:
    """Tell whether one of the covered bytes alone decides the check: its negative, half of it or the like."""
    check = sample.values.field(relation.field)[agrees].astype(np.int64)
    for byte in set(relation.covers) - set(relation.own_bytes):
        both, times = np.unique(check * 256 + sample.unique[agrees, byte], return_counts=True)
        usual, rows = np.zeros(256, dtype=np.int64), np.zeros(256, dtype=np.int64)
        np.maximum.at(usual, both % 256, times)
        np.add.at(rows, both % 256, times)
        values = np.count_nonzero(rows)
        repeats = len(check) - values
        if repeats >= _REPEATS and usual.sum() - values >= _ONE_VALUE * repeats:
            return True
        column = sample.unique[agrees, byte].astype(np.int64)
        apart = [np.bincount((check + sign * column) % 256).max() for sign in (1, -1)]
        if relation.field.length == 8 and max(apart) >= _SAME_STEP * len(check):
            return True
    return False


def _values_beside_one_byte(sample: Sample, rule: SumRule, relation: Relation, agrees: NDArray[np.bool_]) -> int:
    """Give how many values the sum takes without the byte that matters most, less those that agree by chance.

    Copies and opposites among the others cancel out. The nibble beside a check of four bits is left out too: both
    together may be the negative of a byte.
    """
    places = [place for place, byte in enumerate(relation.covers) if byte not in relation.own_bytes]
    covered = covered_data(sample, relation)[agrees][:, places]
    whole = replace(rule, modulus=1 << 16)
    fewest = min(len(np.unique(sum_of(np.delete(covered, place, axis=1), whole))) for place in range(len(places)))
    return fewest - int(2 * np.count_nonzero(~agrees) >> relation.field.length)


def _looks_like_a_check(sample: Sample, relation: Relation, agrees: NDArray[np.bool_]) -> bool:
    values = len(np.unique(sample.values.field(relation.field)[agrees]))
    flips = sample.flips[list(relation.field.bit_numbers())]
    return values >= min(_LINEAR_VALUES, 1 << relation.field.length - 1) and float(flips.mean()) >= _LINEAR_FLIPS
