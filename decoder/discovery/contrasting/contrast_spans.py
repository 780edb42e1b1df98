"""Spans of time that are compared: those around marks, in which a change counts, and those away from all marks.

Times are seconds from the capture's first frame.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Array = NDArray[np.float64]

OFF_S: Final = 2.0  # that a person notes a mark late or early
RESPONDS_S: Final = 0.5  # that the pack and its controller take until something shows; common practice, no source
_LEAST_SHARE: Final = 0.5  # of a span's width, that a gap between marks must have to be one


def width_of(period_s: float) -> float:
    """Give how wide a span is, of what comes every `period_s`."""
    return 2 * OFF_S + RESPONDS_S + period_s


def around(marks_s: Sequence[float], period_s: float) -> Array:
    """Give the spans, n x 2, in which a change at each mark of one label would show in what comes every `period_s`.

    Between two marks closer together than a span the border is in the middle.
    """
    marks = np.asarray(sorted(marks_s), float)
    spans = np.column_stack([marks - OFF_S, marks + OFF_S + RESPONDS_S + period_s])
    middle = (marks[1:] + marks[:-1]) / 2
    spans[1:, 0] = np.maximum(spans[1:, 0], middle)
    spans[:-1, 1] = np.minimum(spans[:-1, 1], middle)
    return spans


def away(first_s: float, last_s: float, spans: Array, width_s: float, guard_s: float) -> Array:
    """Give spans of about `width_s` between `first_s` and `last_s`, `guard_s` away from all of `spans`; n x 2."""
    ordered = spans[np.argsort(spans[:, 0])] if len(spans) else np.empty((0, 2))
    begins = [first_s, *(np.maximum.accumulate(ordered[:, 1]) + guard_s).tolist()]
    ends = [*(ordered[:, 0] - guard_s).tolist(), last_s]
    found = []
    for begin, end in zip(begins, ends, strict=True):
        start, stop = max(begin, first_s), min(end, last_s)
        if stop - start < _LEAST_SHARE * width_s:
            continue
        count = max(1, int((stop - start) / width_s))
        edges = np.linspace(start, stop, count + 1)
        found.append(np.column_stack([edges[:-1], edges[1:]]))
    return np.concatenate(found) if found else np.empty((0, 2))
