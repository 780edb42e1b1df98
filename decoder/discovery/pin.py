"""Pin: which fields carry what a meter read, by searching all of them at once.

Streams are split by their multiplexors, sampled in time, and every field is looked at with every scale that the
label may have. What passes is weighed with the clock's offset, which is one for all labels.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from dataclasses import field as with_default
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.discovery.field_at import Sampled
from decoder.discovery.pinned import Pinned
from decoder.discovery.pinning.byte_rows import byte_rows
from decoder.discovery.pinning.field_priors import log_priors
from decoder.discovery.pinning.field_search import Candidates, search, target
from decoder.discovery.pinning.free_scales import free_candidates, may_be_fitted
from decoder.discovery.pinning.number_evidence import big_endian_log_odds
from decoder.discovery.pinning.pin_marks import mark_log_odds
from decoder.discovery.pinning.pin_matches import MOST_LISTED, Capture, pinned_of
from decoder.discovery.pinning.reading_clock import (
    COARSE,
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
from decoder.discovery.pinning.reading_errors import LabelReadings, by_label
from decoder.discovery.pinning.reading_scales import Scale, scales_for
from decoder.discovery.quick_parts import quick_parts
from decoder.discovery.streams import streams

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from decoder.discovery.marks import Mark
    from decoder.discovery.pinning.byte_rows import ByteRows
    from decoder.discovery.quick_parts import Part
    from decoder.discovery.readings import Reading
    from decoder.frames import Frames
    from decoder.transport.transfers import Transfers

_EVERY_S: Final = 0.5  # between two moments of the grid
_MOST_MOMENTS: Final = 256
_MOST_WEIGHED: Final = 700  # candidates of one label
_MOST_FOR_CLOCK: Final = 60  # of those that tell of the clock
_KNOWN: Final = 10.0  # log weights by which offsets differ, if anything is known of the clock
_FITTED_EVERY: Final = 5  # of the offsets at which scales are fitted, where nothing is known of the clock
_DRIFTS_PPM: Final = np.arange(-200.0, 201.0, 25.0)  # of quartz clocks, the worst
_LONG_S: Final = 1200.0  # between the first and the last reading, from which on a drift may show
_DRIFT_KNOWN_PPM: Final = 60.0  # standard deviation below which it is told
_TELLS: Final = 2.0  # log likelihood by which offsets differ, if a label says anything of the clock
_CLOSER: Final = 15.0  # ... below the best, up to which offsets are tried in finer steps
_CLOCK_TRUST: Final = 1.0  # the weight of one reading's deviation, where it is about the clock
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
    chosen = _chosen(ground, labels, progress)
    together = _together(ground.offsets_s, chosen)
    drift_ppm = _drift_ppm(ground, chosen, together)
    if drift_ppm is not None:
        chosen = [ground.heard(one.without_drift(drift_ppm), ground.offsets_s) for one in chosen]
        together = _together(ground.offsets_s, chosen)
    fine_s, unsure_s = likely_offsets(ground.offsets_s, together)
    weighed = [ground.weigh(one, fine_s, unsure_s) for one in chosen]
    weighed = [
        own.with_odds(mark_log_odds(parts, rows, own, one.label, marks, first_ns))
        for one, own in zip(chosen, weighed, strict=True)
    ]
    capture = Capture(parts, rows, big_endian_log_odds(parts), Sampled(found_streams), first_ns, last_s)
    clock = clock_of(ground.offsets_s, together, fine_s)
    heard = [clock_of(ground.offsets_s, together - one.clock, fine_s).log_weight for one in chosen]
    return tuple(
        pinned_of(capture, one.label, one.scales, own, clock, others, drift_ppm, most)
        for one, own, others in zip(chosen, weighed, heard, strict=True)
    )


@dataclass(frozen=True, eq=False, slots=True)
class _Chosen:
    """One label with the candidates that are weighed, the best first, their scales and log priors.

    clock : what the label says of each clock offset, log weights
    """

    label: LabelReadings
    scales: list[Scale]
    candidates: Candidates
    log_prior: NDArray[np.float64]
    clock: NDArray[np.float64] = with_default(default_factory=lambda: np.empty(0))

    def without_drift(self, drift_ppm: float) -> _Chosen:
        """Give the same by a clock without drift."""
        return replace(self, label=self.label.without_drift(drift_ppm))

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

    def heard(self, one: _Chosen, offsets_s: NDArray[np.float64]) -> _Chosen:
        """Give a label with what its best candidates say of clock offsets."""
        few, none = one.first(_MOST_FOR_CLOCK), float(np.log(_NONE))
        known = self.parts, self.rows, few.label, few.scales, few.candidates, few.log_prior, none, self.first_ns
        tried = offsets_s[::COARSE]
        own = weigh(*known, tried, COARSE * STEP_S / 2, _CLOCK_TRUST)
        clock = np.interp(offsets_s, tried, own.evidence())
        if np.ptp(clock) > _TELLS:  # else nothing moved, and finer offsets say the same
            near = np.flatnonzero(clock >= clock.max() - _CLOSER)
            clock[near] = weigh(*known, offsets_s[near], STEP_S / 2, _CLOCK_TRUST).evidence()
        return replace(one, clock=clock)

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
) -> list[_Chosen]:
    """Choose candidates for all labels, and hear what they say of the clock."""
    scales = [scales_for(one) for one in labels]
    targets = [target(one, some, ground.moments_s, REACH_S) for one, some in zip(labels, scales, strict=True)]
    found = search(ground.rows, targets)
    chosen: dict[int, _Chosen] = {}
    # labels with few candidates first: what they say of the clock helps to choose among many
    for done, number in enumerate(sorted(range(len(labels)), key=lambda at: len(found[at]))):
        together = _together(ground.offsets_s, list(chosen.values()))
        one = ground.heard(ground.choose(labels[number], scales[number], found[number], together), ground.offsets_s)
        if may_be_fitted(one.label):
            one = ground.heard(_with_fitted(ground, one, together), ground.offsets_s)
        chosen[number] = one
        if progress is not None:
            progress((done + 1) / (len(labels) + 1))
    return [chosen[number] for number in range(len(labels))]


def _together(offsets_s: NDArray[np.float64], heard: Sequence[_Chosen]) -> NDArray[np.float64]:
    """Give what is known of the clock, log weights of its offsets."""
    weight: NDArray[np.float64] = log_prior_of(offsets_s) + sum(one.clock for one in heard)
    return weight


def _drift_ppm(ground: _Ground, chosen: Sequence[_Chosen], together: NDArray[np.float64]) -> float | None:
    """Give how much faster the meter's clock runs; ``None`` where the readings cannot tell."""
    times_s = np.concatenate([one.label.time_s for one in chosen])
    if np.ptp(times_s) < _LONG_S:
        return None
    offsets_s, _ = likely_offsets(ground.offsets_s, together)
    tried = ([ground.heard(one.without_drift(drift), offsets_s) for one in chosen] for drift in _DRIFTS_PPM.tolist())
    weight = np.array([np.logaddexp.reduce(_together(offsets_s, some)) for some in tried])
    share = np.exp(weight - np.logaddexp.reduce(weight))
    drift_ppm = float((share * _DRIFTS_PPM).sum())
    unsure_ppm = float(np.sqrt((share * (_DRIFTS_PPM - drift_ppm) ** 2).sum()))
    return drift_ppm if unsure_ppm < _DRIFT_KNOWN_PPM else None


def _with_fitted(ground: _Ground, one: _Chosen, log_clock: NDArray[np.float64]) -> _Chosen:
    """Add fields whose scale is fitted, for it may be none of the natural ones."""
    known = log_clock.max() - log_clock.min() >= _KNOWN
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
