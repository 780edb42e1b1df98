"""Readings of something that was loaded or warmed alone, and marked: its field moves there, and its like do not."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.discovery.pinning.field_values import around_times, usual_step
from decoder.discovery.pinning.reading_errors import APART
from decoder.maps.words import words_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from decoder.discovery.marks import Mark
    from decoder.discovery.pinning.byte_rows import ByteRows
    from decoder.discovery.pinning.reading_clock import Weighed
    from decoder.discovery.pinning.reading_errors import LabelReadings
    from decoder.discovery.quick_parts import Part

# A mark is up to 2 s late or early, and what is loaded or warmed for some seconds shows by then. Common practice, no
# source.
_BEFORE_S: Final = np.arange(-6.0, -2.9, 0.5)
_AFTER_S: Final = np.arange(-2.0, 8.1, 0.5)
_LARGEST: Final = 6  # moments after the mark at which a field is farthest away
_CHARGED: Final = -2.0  # log odds of a field that does not move at a mark
_MOST: Final = 8.0  # log odds of one that does, for all marks
_LIKE: Final = 6.0  # log likelihood below the best, up to which fields are alike
_FEWEST: Final = 4  # like fields, whose common movement is taken off
_NEEDED: Final = 3.0  # times its noise that a field moves


def marks_of(label: str, marks: Sequence[Mark]) -> list[float]:
    """Give the times (s) of the marks that name what a label names: a word and all numbers that they have in common."""
    own_words, own_numbers = _named(label)
    times = []
    for mark in marks:
        words, numbers = _named(mark.label)
        whole = f" {' '.join(label.lower().split())} " in f" {mark.label.lower()} "
        if whole or (numbers and own_numbers[-len(numbers) :] == numbers and words & own_words):
            times.append(mark.time_s)
    return times


def _named(text: str) -> tuple[set[str], list[int]]:
    words = words_of(text)
    meant = {meaning for word in words for meaning in word.meanings}
    return meant & {"cell", "module", "sensor", "coolant", "supply"}, [
        word.number for word in words if word.number is not None
    ]


def mark_log_odds(
    parts: Sequence[Part],
    rows: Sequence[ByteRows],
    weighed: Weighed,
    label: LabelReadings,
    marks: Sequence[Mark],
    first_ns: int,
) -> NDArray[np.float64]:
    """Give the log odds that each candidate moved at the marks of a label, and not with its like."""
    candidates = weighed.candidates
    odds = np.zeros(len(candidates))
    times_s = marks_of(label.label, marks)
    if not times_s or not len(candidates):
        return odds
    noise = np.abs(candidates.scale) * (0.5 + usual_step(rows, candidates))
    noise += max((APART[one].noise for one in label.quantities), default=0.0)
    likely = weighed.log_joint.max(axis=1) >= weighed.log_joint.max() - _LIKE
    moments = np.concatenate([_BEFORE_S, _AFTER_S])
    for time_s in times_s:
        time_ns = first_ns + (time_s + moments) * 1e9
        raw = around_times(parts, rows, candidates, time_ns, 0.0)[1]
        value = raw * candidates.scale[:, None] + candidates.offset[:, None]
        away = value - value[:, : len(_BEFORE_S)].mean(axis=1, keepdims=True)
        if likely.sum() >= _FEWEST:
            away = away - np.median(away[likely], axis=0)
        still = np.abs(away[:, : len(_BEFORE_S)]).mean(axis=1)
        far = np.sort(np.abs(away[:, len(_BEFORE_S) :]), axis=1)[:, -_LARGEST:].mean(axis=1)
        odds += np.clip(far / (noise + still) - _NEEDED, _CHARGED, _MOST)
    return np.clip(odds, _CHARGED * len(times_s), _MOST)
