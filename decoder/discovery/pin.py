"""Pin: which fields carry what a meter read, by searching all of them at once.

Streams are split by their multiplexors, sampled in time, and every field is looked at with every scale that the
label may have. What passes is weighed with the clock's offset, which is one for all labels.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.discovery.byte_rows import byte_rows
from decoder.discovery.field_at import Sampled
from decoder.discovery.field_priors import log_priors
from decoder.discovery.field_search import Candidates, search, target
from decoder.discovery.free_scales import free_candidates, may_be_fitted
from decoder.discovery.number_evidence import big_endian_log_odds
from decoder.discovery.pin_marks import mark_log_odds
from decoder.discovery.pin_matches import MOST_LISTED, Capture, pinned_of
from decoder.discovery.pinned import Pinned
from decoder.discovery.quick_parts import quick_parts
from decoder.discovery.reading_clock import (
    REACH_S,
    STEP_S,
    Weighed,
    all_offsets,
    clock_of,
    first_look,
    likely_offsets,
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
_MOST_WEIGHED: Final = 700  # candidates of one label
_MOST_FOR_CLOCK: Final = 60  # of those that tell of the clock
_POOR: Final = 5.0  # log likelihood by which natural scales must explain readings better than none at all
_FITTED_EVERY: Final = 5  # of the offsets at which scales are fitted, where nothing is known of the clock
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
    ground = _Ground(parts, rows, first_ns, moments_s, all_offsets())
    together, chosen = _chosen(ground, labels, progress)
    fine_s, unsure_s = likely_offsets(ground.offsets_s, together)
    weighed = [ground.weigh(one, fine_s, unsure_s) for one in chosen]
    weighed = [
        own.with_odds(mark_log_odds(parts, rows, own, one.label, marks, first_ns))
        for one, own in zip(chosen, weighed, strict=True)
    ]
    capture = Capture(parts, rows, big_endian_log_odds(parts), Sampled(found_streams), first_ns, last_s)
    clock = clock_of(fine_s, weighed)
    return tuple(
        pinned_of(capture, one.label, one.scales, own, clock, most) for one, own in zip(chosen, weighed, strict=True)
    )


@dataclass(frozen=True, eq=False, slots=True)
class _Chosen:
    """One label with the candidates that are weighed, the best first, their scales and log priors."""

    label: LabelReadings
    scales: list[Scale]
    candidates: Candidates
    log_prior: NDArray[np.float64]

    def first(self, most: int) -> _Chosen:
        """Give the same with the best few candidates."""
        few = np.arange(min(most, len(self.candidates)))
        return replace(self, candidates=self.candidates.take(few), log_prior=self.log_prior[few])


@dataclass(frozen=True, eq=False, slots=True)
class _Ground:
    """What is searched: parts with their bytes at moments (s), and the clock offsets (s) that are tried first."""

    parts: Sequence[Part]
    rows: Sequence[ByteRows]
    first_ns: int
    moments_s: NDArray[np.float64]
    offsets_s: NDArray[np.float64]

    def weigh(self, one: _Chosen, offsets_s: NDArray[np.float64], unsure_s: float) -> Weighed:
        """Weigh the candidates of a label at each clock offset."""
        none = float(np.log(_NONE))
        known = one.label, one.scales, one.candidates, one.log_prior
        return weigh(self.parts, self.rows, *known, none, self.first_ns, offsets_s, unsure_s)

    def choose(
        self, label: LabelReadings, scales: list[Scale], found: Candidates, log_clock: NDArray[np.float64]
    ) -> _Chosen:
        """Choose the candidates that are worth weighing."""
        prior = log_priors(self.rows, found, scales) + np.log1p(-_NONE)
        known = label, scales, found, prior, self.moments_s, self.offsets_s, log_clock
        best = first_look(self.rows, *known, _MOST_WEIGHED)
        return _Chosen(label, scales, found.take(best), prior[best])


def _chosen(
    ground: _Ground, labels: Sequence[LabelReadings], progress: Callable[[float], None] | None
) -> tuple[NDArray[np.float64], list[_Chosen]]:
    """Choose candidates for all labels; beside them, what they say of the clock (log weight of each offset)."""
    scales = [scales_for(one) for one in labels]
    targets = [target(one, some, ground.moments_s, REACH_S) for one, some in zip(labels, scales, strict=True)]
    found = search(ground.rows, targets)
    together = log_prior_of(ground.offsets_s)
    chosen: dict[int, _Chosen] = {}
    # labels with few candidates first: what they say of the clock helps to choose among many
    for done, number in enumerate(sorted(range(len(labels)), key=lambda at: len(found[at]))):
        one = ground.choose(labels[number], scales[number], found[number], together)
        own = ground.weigh(one.first(_MOST_FOR_CLOCK), ground.offsets_s, STEP_S / 2)
        if may_be_fitted(one.label) and own.none > (own.evidence() + together).max() - together.max() - _POOR:
            one = _with_fitted(ground, one, together)
            own = ground.weigh(one.first(_MOST_FOR_CLOCK), ground.offsets_s, STEP_S / 2)
        chosen[number] = one
        together = together + own.evidence()
        if progress is not None:
            progress((done + 1) / (len(labels) + 1))
    return together, [chosen[number] for number in range(len(labels))]


def _with_fitted(ground: _Ground, one: _Chosen, log_clock: NDArray[np.float64]) -> _Chosen:
    """Add fields whose scale is fitted, where no natural one explains the readings."""
    known = log_clock.max() - log_clock.min() >= 2 * _POOR
    likely = likely_offsets(ground.offsets_s, log_clock)[0] if known else ground.offsets_s[::_FITTED_EVERY]
    found, scales = free_candidates(ground.rows, one.label, ground.moments_s, likely, len(one.scales))
    if not len(found):
        return one
    every = one.scales + scales
    prior = log_priors(ground.rows, found, every) + np.log1p(-_NONE)
    return _Chosen(one.label, every, found.joined(one.candidates), np.concatenate([prior, one.log_prior]))


def _moments(labels: Sequence[LabelReadings], last_s: float) -> NDArray[np.float64]:
    """Give the grid of moments: all that readings may belong to, as far as the capture goes."""
    begin = max(0.0, min(float(one.time_s[0]) for one in labels) - REACH_S - _EVERY_S)
    end = min(last_s, max(float(one.time_s[-1]) for one in labels) + REACH_S + _EVERY_S)
    if end <= begin:
        begin, end = 0.0, last_s
    every_s = max(_EVERY_S, (end - begin) / _MOST_MOMENTS)
    return np.arange(begin, end + every_s, every_s)
