"""From single moments to spans of time."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

# Spans that are closer together are one; more than this many of one kind are told as one finding.
JOIN_S = 5.0
MOST_SPANS = 5


@dataclass(frozen=True, slots=True)
class Span:
    """From the first to the last moment that is bad; `first` and `last` index these moments, `count` are bad."""

    from_ns: int
    to_ns: int
    first: int
    last: int
    count: int
    parts: int = 1


def spans(
    time_ns: NDArray[np.int64],
    bad: NDArray[np.bool_],
    *,
    good: NDArray[np.bool_] | None = None,
    at_least: int = 1,
    join_s: float = JOIN_S,
) -> list[Span]:
    """Merge bad moments into spans.

    Parameters
    ----------
    time_ns, bad : the moments, and which are bad
    good : which moments are known to be good; the others neither end nor make a span (default: all that are not bad)
    at_least : bad moments in a row (none known good between them) that make a span
    join_s : spans that are closer together than this become one
    """
    where = np.flatnonzero(bad)
    if not len(where):
        return []
    ended = np.cumsum(~bad if good is None else good)  # a number for each stretch between good moments
    starts = np.concatenate(([0], np.flatnonzero(np.diff(ended[where]) > 0) + 1))
    counts = np.diff(starts, append=len(where))
    kept = counts >= at_least
    first, last, counts = where[starts][kept], where[starts + counts - 1][kept], counts[kept]
    if not len(first):
        return []
    from_ns = time_ns[first]
    reach_ns = np.maximum.accumulate(np.maximum(from_ns, time_ns[last]))
    groups = np.concatenate(([0], np.flatnonzero(from_ns[1:] - reach_ns[:-1] > join_s * 1e9) + 1))
    if len(groups) > MOST_SPANS:
        parts, groups = len(groups), groups[:1]
    else:
        parts = 1
    ends = np.append(groups[1:], len(first)) - 1
    return [
        Span(int(begin), int(until), int(one), int(other), int(count), parts)
        for begin, until, one, other, count in zip(
            np.minimum.reduceat(from_ns, groups),
            reach_ns[ends],
            first[groups],
            last[ends],
            np.add.reduceat(counts, groups),
            strict=True,
        )
    ]


def duration(span: Span) -> str:
    """Say how long a span is, for an explanation."""
    seconds = (span.to_ns - span.from_ns) / 1e9
    length = f"for {seconds:.1f} s" if seconds >= 0.05 else "at one moment"
    return f"{span.parts} times within {seconds:.0f} s" if span.parts > 1 else length
