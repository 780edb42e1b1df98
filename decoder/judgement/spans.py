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
    new = np.diff(ended[where]) > 0
    runs = np.split(where, np.flatnonzero(new) + 1)
    found = [
        Span(int(time_ns[run[0]]), int(time_ns[run[-1]]), int(run[0]), int(run[-1]), len(run))
        for run in runs
        if len(run) >= at_least
    ]
    joined: list[Span] = []
    for span in found:
        if joined and span.from_ns - joined[-1].to_ns <= join_s * 1e9:
            joined[-1] = _together(joined[-1], span)
        else:
            joined.append(span)
    if len(joined) > MOST_SPANS:
        whole = joined[0]
        for span in joined[1:]:
            whole = _together(whole, span)
        return [_in_parts(whole, len(joined))]
    return joined


def _together(one: Span, other: Span) -> Span:
    return Span(one.from_ns, max(one.to_ns, other.to_ns), one.first, other.last, one.count + other.count, one.parts)


def _in_parts(span: Span, parts: int) -> Span:
    return Span(span.from_ns, span.to_ns, span.first, span.last, span.count, parts)


def duration(span: Span) -> str:
    """Say how long a span is, for an explanation."""
    seconds = (span.to_ns - span.from_ns) / 1e9
    length = f"for {seconds:.1f} s" if seconds >= 0.05 else "at one moment"
    return f"{span.parts} times within {seconds:.0f} s" if span.parts > 1 else length
