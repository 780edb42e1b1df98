"""Sums in frames where little moves but a counter.

Where nothing else moves, a sum is as good as a second counter, or as a copy of the first, and no number of frames
tells them apart. But checks stand beside counters, and second counters hardly ever do; so in the usual places what is
the sum of all the rest in each frame is called one, unproved.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.bits import Field
from decoder.discovery.checks.evidence import Found, held, share_of_copies
from decoder.discovery.checks.relation import Relation, SumRule, byte_field

if TYPE_CHECKING:
    from collections.abc import Iterator

    from decoder.discovery.checks.sample import Sample

_FRAMES: Final = 16  # fewer tell nothing; common practice, no source
_HOLDS: Final = 0.97  # share of frames; the same
_VALUES: Final = 5  # that the sum takes, the same
_COUNTS: Final = 0.85  # share of the counter's steps that are the usual one, the same
_NIBBLE: Final = 4  # bits
_MODULO_15: Final = 15  # counters go up to 14 often
_BYTE_RULES: Final = (
    SumRule("plus", "bytes", 256),
    SumRule("minus", "bytes", 256),
    SumRule("plus", "nibbles", 256),
    SumRule("minus", "nibbles", 256),
)
_NIBBLE_RULES: Final = (SumRule("plus", "nibbles", 16), SumRule("minus", "nibbles", 16))


def sum_beside_counter(sample: Sample) -> Found | None:
    """Give the sum of all the rest that stands first, last, or beside a counter, if there is one."""
    if len(sample.data) < _FRAMES:
        return None
    best: Found | None = None
    for relation in _in_usual_places(sample):
        found = held(sample, relation, _HOLDS)
        if found is None or not _is_sum(sample, found):
            continue
        if best is None or found.holds > best.holds:
            best = found
    return best


def _in_usual_places(sample: Sample) -> Iterator[Relation]:
    """Give the relations that are tried, the most usual first."""
    counters = [counter for counter, share in sample.counters.items() if share >= _COUNTS]
    for counter in counters:
        other = Field(counter.start ^ 4, 4)
        if sample.moving_bits[other.first_byte] >> other.start % 8 & 0xF:
            everything = tuple(range(sample.width))
            yield from (Relation(other, everything, rule) for rule in _NIBBLE_RULES)
    last = sample.width - 1
    holding = {counter.first_byte for counter in counters}
    places = [last, 0, *(byte + beside for byte in sorted(holding) for beside in (1, -1))]
    for byte in dict.fromkeys(places):
        if 0 <= byte <= last and sample.moves[byte] and holding - {byte}:
            rest = tuple(other for other in range(sample.width) if other != byte)
            yield from (Relation(byte_field(byte), rest, rule) for rule in _BYTE_RULES)


def _is_sum(sample: Sample, found: Found) -> bool:
    """Tell whether a field that is the sum of the rest is more than a counter, or a copy of one."""
    field = found.relation.field
    values = np.unique(sample.values.field(field)[found.agrees].astype(np.int64))
    if len(values) < _VALUES:
        return False
    if field.length == _NIBBLE:
        starts_anew = len(values) == _MODULO_15 and values[-1] == _MODULO_15 - 1
    else:
        starts_anew = not (values // 16).any() or not (values % 16).any()
    return not starts_anew and share_of_copies(sample, found.relation, found.agrees) < 1
