"""Pin: which fields carry what a meter read, by searching all of them at once.

Streams are split by their multiplexors, sampled in time, and every field is looked at with every scale that the
label may have. What passes is weighed with the clock's offset, which is one for all labels.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.discovery.byte_rows import byte_rows
from decoder.discovery.field_at import Sampled
from decoder.discovery.field_priors import log_priors
from decoder.discovery.field_search import Candidates, search, target
from decoder.discovery.number_evidence import big_endian_log_odds
from decoder.discovery.pin_marks import mark_log_odds
from decoder.discovery.pin_matches import MOST_LISTED, Capture, pinned_of
from decoder.discovery.pinned import Pinned
from decoder.discovery.quick_parts import quick_parts
from decoder.discovery.reading_clock import (
    COARSE_S,
    REACH_S,
    Weighed,
    clock_of,
    fine_offsets,
    first_look,
    log_prior_of,
    weigh,
)
from decoder.discovery.reading_errors import LabelReadings, by_label
from decoder.discovery.reading_scales import Scale, scales_for
from decoder.discovery.streams import streams

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from decoder.discovery.byte_rows import ByteRows
    from decoder.discovery.marks import Mark
    from decoder.discovery.quick_parts import Part
    from decoder.discovery.readings import Reading
    from decoder.frames import Frames
    from decoder.transport.transfers import Transfers

_EVERY_S: Final = 0.5  # between two moments of the grid
_MOST_MOMENTS: Final = 256
_MOST_WEIGHED: Final = 1000  # candidates of one label
_MOST_FOR_CLOCK: Final = 200  # of those that tell of the clock
_NONE: Final = 0.02  # the chance that no field carries what was read; common practice, no source


def pin(
    frames: Frames,
    readings: Sequence[Reading],
    marks: Sequence[Mark] = (),
    transfers: Transfers | None = None,
    progress: Callable[[float], None] | None = None,
    most: int = MOST_LISTED,
    first_ns: int | None = None,
) -> tuple[Pinned, ...]:
    """Match readings with fields, label by label, in the order in which labels first came.

    marks : moments at which one thing alone was loaded or warmed, named by label
    transfers : those of ISO 15765-2, where they are known already
    progress : is told how much is done, 0..1
    most : matches of one label
    first_ns : what times count from; else the capture's first frame
    """
    labels = by_label(readings)
    found_streams = streams(frames, transfers)
    parts = [one for one in quick_parts(found_streams) if len(one.time_ns)]
    if not labels or not parts:
        return tuple(Pinned(one.label, one.unit, 0, 0.0, None, ()) for one in labels)
    first_ns = int(frames.time_ns[0]) if first_ns is None else first_ns
    last_s = (max(int(one.time_ns[-1]) for one in parts) - first_ns) / 1e9
    moments_s = _moments(labels, last_s)
    rows = byte_rows(parts, first_ns + (moments_s * 1e9).astype(np.int64))
    scales = [scales_for(one) for one in labels]
    found = search(rows, [target(one, some, moments_s, REACH_S) for one, some in zip(labels, scales, strict=True)])
    offsets_s = np.arange(-REACH_S, REACH_S + COARSE_S / 2, COARSE_S)
    together = log_prior_of(offsets_s)
    kept: list[Candidates] = list(found)
    priors: list[NDArray[np.float64]] = [np.empty(0) for _ in labels]
    # labels with few candidates first: what they say of the clock helps to choose among many
    for done, number in enumerate(sorted(range(len(labels)), key=lambda at: len(found[at]))):
        label, some, candidates = labels[number], scales[number], found[number]
        prior = log_priors(rows, candidates, some) + np.log1p(-_NONE)
        log_clock = together - together.max()
        best = first_look(rows, label, some, candidates, prior, moments_s, offsets_s, log_clock, _MOST_WEIGHED)
        kept[number], priors[number] = candidates.take(best), prior[best]
        few = np.arange(min(_MOST_FOR_CLOCK, len(best)))
        one = [label], [some], [kept[number].take(few)], [priors[number][few]]
        together = together + _weighed(parts, rows, one, first_ns, offsets_s, COARSE_S / 2)[0].evidence()
        if progress is not None:
            progress((done + 1) / (len(labels) + 1))
    everything = labels, scales, kept, priors
    fine_s, unsure_s = fine_offsets(offsets_s, together)
    weighed = [
        one.with_odds(mark_log_odds(parts, rows, one.candidates, label, marks, first_ns))
        for one, label in zip(_weighed(parts, rows, everything, first_ns, fine_s, unsure_s), labels, strict=True)
    ]
    capture = Capture(parts, rows, big_endian_log_odds(parts), Sampled(found_streams), first_ns, last_s)
    clock = clock_of(fine_s, weighed)
    return tuple(
        pinned_of(capture, label, some, one, clock, most)
        for label, some, one in zip(labels, scales, weighed, strict=True)
    )


def _weighed(
    parts: Sequence[Part],
    rows: Sequence[ByteRows],
    everything: tuple[
        Sequence[LabelReadings], Sequence[Sequence[Scale]], Sequence[Candidates], Sequence[NDArray[np.float64]]
    ],
    first_ns: int,
    offsets_s: NDArray[np.float64],
    unsure_s: float,
) -> list[Weighed]:
    """Weigh the candidates of all labels at each clock offset."""
    return [
        weigh(parts, rows, label, some, candidates, prior, float(np.log(_NONE)), first_ns, offsets_s, unsure_s)
        for label, some, candidates, prior in zip(*everything, strict=True)
    ]


def _moments(labels: Sequence[LabelReadings], last_s: float) -> NDArray[np.float64]:
    """Give the grid of moments: all that readings may belong to, as far as the capture goes."""
    begin = max(0.0, min(float(one.time_s[0]) for one in labels) - REACH_S - _EVERY_S)
    end = min(last_s, max(float(one.time_s[-1]) for one in labels) + REACH_S + _EVERY_S)
    if end <= begin:
        begin, end = 0.0, last_s
    every_s = max(_EVERY_S, (end - begin) / _MOST_MOMENTS)
    return np.arange(begin, end + every_s, every_s)
