"""Checks that are linear over two elements but no known CRC: each bit the parity of some bits, or its opposite.

All such relations between the bits of some payloads come out of one elimination. A damaged payload among them costs one
relation each, so several small random choices are solved and what holds in most frames is put together.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.discovery.checks.places import check_fields
from decoder.discovery.checks.relation import LinearRule, Relation

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from decoder.bits import Field
    from decoder.discovery.checks.places import Attempts
    from decoder.discovery.checks.sample import Sample

_CHOICES: Final = 4  # random choices of payloads; common practice, no source
_MORE_ROWS: Final = 8  # than there are unknowns, the same
_BITS: Final = 128  # moving bits; with more, the known CRCs alone are looked for
_HOLDS: Final = 0.8  # share of payloads in which a relation holds while bits that move rarely are left out, the same
_RARELY: Final = 0.035  # share of payloads in which such bits differ from most, the same
_ALIKE: Final = 0.94  # correlation of copies, the same
_TAPS: Final = 2.5  # bits that go into each bit of the check on average; copies have one, Gray codes two


def linear_relations(sample: Sample, taken: set[int], attempts: Attempts) -> Iterator[Relation]:
    """Give bytes whose bits are all parities of bits outside; bits `taken` are those of checks known already.

    A byte that has been given is not used to explain another one.
    """
    bits, rare = _bits_apart(sample)
    if not 16 < len(bits) <= _BITS:
        return
    relations = _relations(sample, bits)
    for bit in taken:
        relations = _without(relations, bit)
    fields = sorted(check_fields(sample, 1), key=lambda field: _order(sample, field))
    for field in fields:
        attempts.count += 1
        solved = _solve_for(relations, list(field.bit_numbers()))
        if solved is None:
            continue
        own, relations_left = solved
        others = set(range(sample.width * 8)) - set(field.bit_numbers())
        rows = [[bit for bit in _ones(number) if bit in others] for number in own]
        taps = tuple(tuple(sorted(row)) for row in _completed(sample, field, rows, rare))
        if sum(map(len, taps)) < _TAPS * len(taps) or min(map(len, taps)) == 0:
            continue
        covers = tuple(sorted({bit // 8 for row in taps for bit in row}))
        relations = relations_left
        yield Relation(field, covers, LinearRule(taps))


def _bits_apart(sample: Sample) -> tuple[list[int], list[tuple[int, ...]]]:
    """Give the bits to solve for, and sets of bits whose parity rarely changes.

    These are bits that move in so few payloads that those may be damaged, and pairs of bits, copies or opposites of
    each other but for so few payloads; of such pairs one is solved for.
    """
    table = np.unpackbits(sample.unique[sample.pool], axis=1, bitorder="little")
    ones = table.mean(axis=0)
    seldom = np.minimum(ones, 1 - ones) <= _RARELY
    rare = np.flatnonzero(seldom & (np.ptp(np.unpackbits(sample.unique, axis=1, bitorder="little"), axis=0) > 0))
    bits = np.flatnonzero(~seldom)
    signs = table[:, bits].astype(np.float32) * 2 - 1
    alike = np.triu(np.abs(signs.T @ signs) >= _ALIKE * len(signs), 1)
    pairs = [(int(bits[one]), int(bits[other])) for one, other in np.argwhere(alike)]
    return bits[~alike.any(axis=1)].tolist(), [*((bit,) for bit in rare.tolist()), *pairs]


def _completed(sample: Sample, field: Field, taps: list[list[int]], rare: list[tuple[int, ...]]) -> list[set[int]]:
    """Combine the parities with sets of bits whose own parity rarely changes, as long as more frames agree."""
    table = np.unpackbits(sample.unique, axis=1, bitorder="little")
    own = set(field.bit_numbers())
    rare = [bits for bits in rare if not own & set(bits)]
    columns = np.stack([np.bitwise_xor.reduce(table[:, list(bits)], axis=1) for bits in rare], axis=1) if rare else None
    completed = []
    for bit, row in zip(field.bit_numbers(), taps, strict=True):
        chosen = set(row)
        parity = np.bitwise_xor.reduce(table[:, [bit, *row]], axis=1)
        wrong = int(_fewest(sample, parity[:, None])[0])
        while columns is not None and wrong:
            less = _fewest(sample, parity[:, None] ^ columns)
            best = int(np.argmin(less))
            if less[best] >= wrong:
                break
            wrong = int(less[best])
            parity ^= columns[:, best]
            chosen ^= set(rare[best])
        completed.append(chosen)
    return completed


def _fewest(sample: Sample, parity: NDArray[np.uint8]) -> NDArray[np.int64]:
    """Give for each column how many frames do not have the value that most have."""
    ones = np.asarray(sample.counts @ parity, dtype=np.int64)
    return np.minimum(ones, len(sample.data) - ones)


def _order(sample: Sample, field: Field) -> tuple[int, float]:
    """Last byte, first byte, then others; among others those whose bits change most like a check's."""
    place = {sample.width - 1: 0, 0: 1}.get(field.first_byte, 2)
    return place, abs(float(sample.flips[list(field.bit_numbers())].mean()) - 0.5)


def _relations(sample: Sample, bits: list[int]) -> list[int]:
    """Give independent sets of bits (as numbers; one bit above all others stands for 1) whose parity is mostly 0."""
    one = sample.width * 8
    chance = np.random.default_rng(len(sample.unique))
    table = np.unpackbits(sample.unique[sample.pool], axis=1, bitorder="little")[:, bits]
    table = np.pad(table, ((0, 0), (0, 1)), constant_values=1)
    names = [*bits, one]
    rows = len(names) + _MORE_ROWS
    if len(table) < rows // 2:
        return []
    kept: list[int] = []
    for _ in range(_CHOICES if len(table) > rows else 1):
        chosen = table[chance.permutation(len(table))[:rows]]
        null = _null_space(chosen)
        if not len(null):
            continue
        odd = (table.astype(np.float32) @ null.T.astype(np.float32)) % 2
        share = (odd == 0).mean(axis=0)
        kept += [sum(1 << names[column] for column in np.flatnonzero(row)) for row in null[share >= _HOLDS]]
    return _independent(kept)


def _null_space(rows: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Give the sets of columns that have an even number of ones in every row: sets x columns."""
    width = rows.shape[1]
    packed = [int.from_bytes(row.tobytes(), "little") for row in np.packbits(rows, axis=1, bitorder="little")]
    basis: dict[int, int] = {}  # by lowest bit, each cleared from all others
    for row in packed:
        left = row
        for pivot, other in basis.items():
            if left >> pivot & 1:
                left ^= other
        if left:
            pivot = (left & -left).bit_length() - 1
            for place, other in basis.items():
                if other >> pivot & 1:
                    basis[place] = other ^ left
            basis[pivot] = left
    free = [column for column in range(width) if column not in basis]
    null = np.zeros((len(free), width), dtype=np.uint8)
    for place, column in enumerate(free):
        null[place, column] = 1
        for pivot, row in basis.items():
            null[place, pivot] = row >> column & 1
    return null


def _independent(numbers: list[int]) -> list[int]:
    basis: dict[int, int] = {}
    for number in numbers:
        left = number
        while left and left.bit_length() in basis:
            left ^= basis[left.bit_length()]
        if left:
            basis[left.bit_length()] = left
    return list(basis.values())


def _solve_for(relations: list[int], bits: list[int]) -> tuple[list[int], list[int]] | None:
    """Give a relation for each of `bits` without the others of them, and the relations with none; or nothing."""
    left = list(relations)
    own: list[int] = []
    for bit in bits:
        pivot = next((number for number in left if number >> bit & 1), None)
        if pivot is None:
            return None
        left = [number ^ pivot if number >> bit & 1 else number for number in left if number != pivot]
        own = [number ^ pivot if number >> bit & 1 else number for number in own]
        own.append(pivot)
    return own, left


def _without(relations: list[int], bit: int) -> list[int]:
    pivot = next((number for number in relations if number >> bit & 1), None)
    return relations if pivot is None else [n ^ pivot if n >> bit & 1 else n for n in relations if n != pivot]


def _ones(number: int) -> Iterator[int]:
    while number:
        low = number & -number
        yield low.bit_length() - 1
        number ^= low
