"""Which bits are a sum of which bytes or nibbles, tried on pairs of payloads.

Sum modulo 255 is what adding with the carry wrapped around gives. One's and two's complement differ by a constant only.
"""

from __future__ import annotations

from itertools import accumulate
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.discovery.checks.crc_search import AGREE
from decoder.discovery.checks.places import SHORT, check_fields, check_nibbles, runs_beside
from decoder.discovery.checks.relation import Relation, SumRule, other_bits

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from decoder.bits import Field
    from decoder.discovery.checks.places import Attempts
    from decoder.discovery.checks.relation import Parts, SumKind
    from decoder.discovery.checks.sample import Sample

_BYTE_RULES: Final = (
    SumRule("exclusive or", "bytes", 256),
    SumRule("plus", "bytes", 256),
    SumRule("minus", "bytes", 256),
    SumRule("plus", "bytes", 255),
    SumRule("minus", "bytes", 255),
    SumRule("plus", "nibbles", 256),
    SumRule("minus", "nibbles", 256),
)
_WORD_RULES: Final = (SumRule("plus", "bytes", 65536), SumRule("minus", "bytes", 65536))
_NIBBLE_RULES: Final = (
    SumRule("exclusive or", "nibbles", 16),
    SumRule("plus", "nibbles", 16),
    SumRule("minus", "nibbles", 16),
)


def sum_relations(sample: Sample, attempts: Attempts) -> Iterator[Relation]:
    """Give the sums in a byte, two bytes or a nibble that most pairs agree with."""
    for field in check_fields(sample, 1):
        yield from _runs_of_bytes(sample, field, _BYTE_RULES, attempts)
    if sample.width > 3:
        for field in check_fields(sample, 2):
            yield from _runs_of_bytes(sample, field, _WORD_RULES, attempts)
    for field in check_nibbles(sample):
        yield from _runs_of_bytes(sample, field, _NIBBLE_RULES, attempts)
        own = field.first_byte
        if int(sample.moving_bits[own]) & other_bits(field, own):
            order = tuple(range(sample.width))
            last = sample.width - 1
            short = sample.width <= SHORT
            starts = [start for start in range(own + 1) if start == 0 or (short and sample.moves[start - 1])]
            ends = [end for end in range(own, last + 1) if end == last or (short and sample.moves[end + 1])]
            yield from _agreeing(sample, field, order, [(s, e) for s in starts for e in ends], _NIBBLE_RULES, attempts)


def _runs_of_bytes(sample: Sample, field: Field, rules: tuple[SumRule, ...], attempts: Attempts) -> Iterator[Relation]:
    runs = runs_beside(sample, field, (0,))
    last = len(runs.order) - 1
    spans = [
        (start, end)
        for start in runs.starts
        for end, _ in runs.ends
        if start <= end and (end == last or sample.moves[runs.order[end + 1]])
    ]
    yield from _agreeing(sample, field, runs.order, spans, rules, attempts)


def _agreeing(
    sample: Sample,
    field: Field,
    order: tuple[int, ...],
    spans: list[tuple[int, int]],
    rules: tuple[SumRule, ...],
    attempts: Attempts,
) -> Iterator[Relation]:
    """Try the rules over the runs `spans` (first and last place in `order`)."""
    moving = np.array([0, *accumulate(bool(sample.moves[byte]) for byte in order)])
    spans = [(start, end) for start, end in spans if moving[end + 1] - moving[start] > 1]  # of one byte: a copy
    if not spans:
        return
    first = np.array([start for start, _ in spans])
    behind = np.array([end + 1 for _, end in spans])
    values = sample.values.field(field).astype(np.int64)
    masks = np.array([other_bits(field, byte) for byte in order], dtype=np.uint8)
    rows = np.concatenate([sample.left, sample.right])
    data = sample.unique[rows][:, order] & masks
    check = values[rows, None]
    sums: dict[tuple[bool, Parts], NDArray[np.int64]] = {}
    for rule in rules:
        attempts.count += len(spans)
        kind = (rule.kind == "exclusive or", rule.parts)
        if kind not in sums:
            upto = _running(data, *kind)
            sums[kind] = upto[:, behind] ^ upto[:, first] if kind[0] else upto[:, behind] - upto[:, first]
        left = _left_of(check, sums[kind], rule.kind)
        here, there = left[: len(sample.left)], left[len(sample.left) :]
        differ = here != there if kind[0] else (here - there) % rule.modulus != 0
        share = 1 - np.count_nonzero(differ, axis=0) / len(sample.left)
        for place in np.flatnonzero(share >= AGREE).tolist():
            start, end = spans[place]
            yield Relation(field, order[start : end + 1], rule)


def _left_of(check: NDArray[np.int64], total: NDArray[np.int64], kind: SumKind) -> NDArray[np.int64]:
    if kind == "exclusive or":
        return check ^ total
    return check - total if kind == "plus" else check + total


def _running(data: NDArray[np.uint8], exclusive: bool, parts: Parts) -> NDArray[np.int64]:  # noqa: FBT001 - a key
    """Give the sums of the first 0, 1, ... bytes of each row, or of their nibbles."""
    upto = np.zeros((len(data), data.shape[1] + 1), dtype=np.int64)
    upto[:, 1:] = data
    if parts == "nibbles":
        high, low = np.divmod(upto, 16)
        upto = high ^ low if exclusive else high + low
    return (np.bitwise_xor if exclusive else np.add).accumulate(upto, axis=1)
