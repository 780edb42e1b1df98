"""Weighed candidates of one label -> the matches that are told, the likeliest first."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.bits import field_of_word
from decoder.discovery.field_at import FieldAt
from decoder.discovery.field_priors import usual_lengths
from decoder.discovery.pinned import Match, Pinned
from decoder.discovery.reading_clock import log_prior_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from decoder.discovery.byte_rows import ByteRows
    from decoder.discovery.field_search import Candidates
    from decoder.discovery.quick_parts import Part
    from decoder.discovery.reading_clock import Weighed
    from decoder.discovery.reading_errors import LabelReadings
    from decoder.discovery.reading_scales import Scale

MOST_LISTED: Final = 50


def matches_of(
    parts: Sequence[Part],
    rows: Sequence[ByteRows],
    labels: Sequence[LabelReadings],
    scales: Sequence[Sequence[Scale]],
    weighed: Sequence[Weighed],
    offsets_s: NDArray[np.float64],
    number: int,
    most: int,
) -> Pinned:
    label, own = labels[number], weighed[number]
    evidence = [one.evidence() for one in weighed]
    together = log_prior_of(offsets_s) + np.sum(evidence, axis=0)
    clock = np.exp(together - np.logaddexp.reduce(together))
    offset_s = float((clock * offsets_s).sum())
    unsure_s = float(np.sqrt((clock * (offsets_s - offset_s) ** 2).sum()))
    by_others = together - evidence[number]
    candidates = own.candidates
    log_post = np.logaddexp.reduce(own.log_joint + by_others, axis=1) if len(candidates) else np.empty(0)
    whole = np.logaddexp.reduce(np.append(log_post, own.none + np.logaddexp.reduce(by_others)))
    chance = np.exp(log_post - whole)
    order = np.argsort(-chance, kind="stable")[:most]
    best = int(np.argmin(np.abs(offsets_s - offset_s)))
    lengths = usual_lengths(candidates, scales[number]) if len(candidates) else np.empty(0, np.int64)
    matches = tuple(
        Match(
            field_at(parts, rows, candidates, at, int(lengths[at])),
            float(candidates.scale[at]),
            float(candidates.offset[at]),
            float(own.residual[at, best]),
            float(chance[at]),
            tuple(
                field_at(parts, rows, candidates, at, length)
                for length in range(int(candidates.length[at]), int(candidates.room[at]) + 1)
                if length != lengths[at]
            ),
            scales[number][candidates.which[at]].quantity,
        )
        for at in order.tolist()
    )
    return Pinned(label.label, label.unit, len(label.value), offset_s, None, matches, None, unsure_s)


def field_at(parts: Sequence[Part], rows: Sequence[ByteRows], candidates: Candidates, at: int, length: int) -> FieldAt:
    """Give a candidate as a field."""
    some = rows[int(candidates.order[at])]
    row = int(candidates.row[at])
    part = parts[int(some.part[row])]
    field = field_of_word(
        int(some.byte[row]),
        int(candidates.shift[at]),
        length,
        some.byte_order,
        signed=bool(candidates.signed[at]),
    )
    return FieldAt(part.stream, field, part.selector)
