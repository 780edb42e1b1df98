"""Contrast: what changed at the marks and nowhere else.

Of every field and flag the changes around the marks of one label are weighed against those away from all marks: how
often it changes as much where nothing was done, by its own record and that of all others. A change at another label's
mark is not held against it, nor is its way back. What is found at several marks adds up, what is missing at one counts
against. From the sum goes the logarithm of how many fields were looked at, and in how many ways: what is above 0 is
more than chance would show anywhere; above 3 less than one in twenty captures in which nothing was done would show.

All fields are carved first: which bits belong together, and under which multiplexor, decides what a change is.
"""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.discovery.carve import carve
from decoder.discovery.contrasting.contrast_fields import Table, gather
from decoder.discovery.contrasting.contrast_odds import OWN_RECORD, Usual, chances, timing, usual_of, worth
from decoder.discovery.contrasting.contrast_seen import Direction, Seen, seen_of
from decoder.discovery.contrasting.contrast_siblings import beside_siblings
from decoder.discovery.contrasting.contrast_sizes import Form, flips_of, sizes_of
from decoder.discovery.contrasting.contrast_spans import OFF_S, around, away, width_of

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence

    from numpy.typing import NDArray

    from decoder.discovery.contrasting.contrast_fields import Gathered
    from decoder.discovery.field_at import FieldAt, StreamKey
    from decoder.discovery.marks import Mark
    from decoder.discovery.proposal import Carving, Selector
    from decoder.frames import Frames
    from decoder.transport.transfers import Transfers

MOST_CHANGES: Final = 50
LEAST: Final = -8.0  # log likelihood ratio from which a change is told: a single mark seldom reaches 0
_SEEN: Final = 0.1  # chance of a change elsewhere, below which one counts as repeated at a mark
_CARVED_SHARE: Final = 0.85  # of the time, that carving takes

# How what is looked for is shared out among the ways to look, before anything was seen. Common practice, no source.
_FIELD_SHARE: Final = 0.5  # numbers; the rest: states and flags
_BESIDE_SHARE: Final = 0.5  # numbers beside their siblings; the rest: by themselves
_FORM_SHARES: Final[dict[Form, float]] = {"step": 0.7, "drift": 0.3}
_DIRECTION_SHARES: Final[dict[Direction, float]] = {"up": 0.45, "down": 0.45, "both": 0.1}
_GUARD_S: Final = 2.5  # kept from the spans around marks by those away from them, where changes are measured over time


@dataclass(frozen=True, slots=True)
class Change:
    """A field that changed at the marks of one label.

    form : a step, or a drift (its slope changed)
    log_likelihood_ratio : natural logarithm; what it costs to have looked everywhere is taken off
    delay_s : from the mark to the change, the middle one of several; below 0 where the change came first
    direction : of the raw value; both, where it went up at one mark and down at another
    repeats, marks : at how many marks it changed, of how many around which it was heard
    size : the middle change in raw values; of a drift in raw values a second
    """

    at: FieldAt
    form: Form
    log_likelihood_ratio: float
    delay_s: float
    direction: Direction
    repeats: int
    marks: int
    size: float


@dataclass(frozen=True, slots=True)
class LabelContrast:
    """What changed at the marks of one label, likeliest first.

    marks : how many lie within the capture
    """

    label: str
    marks: int
    changes: tuple[Change, ...]


@dataclass(frozen=True, eq=False, slots=True)
class _Family:
    """Changes that tell of each other what is usual, and what it costs to look at them all."""

    seen: tuple[Seen, ...]
    usual: Usual
    cost: float


def contrast(
    frames: Frames,
    marks: Sequence[Mark],
    transfers: Transfers | None = None,
    progress: Callable[[float], None] | None = None,
    *,
    carvings: Sequence[Carving] | None = None,
    first_ns: int | None = None,
) -> tuple[LabelContrast, ...]:
    """Find what changed at marks and nowhere else, label by label in the order in which they first come.

    transfers : those of ISO 15765-2, where they are known already
    progress : is told how much is done, 0..1
    carvings : what `carve` gives for the frames, where it is known already
    first_ns : from when the marks are counted; else from the first of `frames`
    """
    if not len(frames):
        return tuple(LabelContrast(label, 0, ()) for label in dict.fromkeys(mark.label for mark in marks))
    tell = progress if progress is not None else _nobody
    if carvings is None:
        carvings = carve(frames, transfers, lambda share: tell(_CARVED_SHARE * share))
    start_ns = int(frames.time_ns[0]) if first_ns is None else first_ns
    ends = (int(frames.time_ns.min()) - start_ns) / 1e9, (int(frames.time_ns.max()) - start_ns) / 1e9
    labels = _labels(marks, ends)
    heard = {label: times for label, times in labels.items() if times}
    gathered = gather(carvings, start_ns)
    families = [*_of_numbers(gathered, heard, ends), *_of_switches(gathered, heard, ends)]
    tell(1.0)
    return tuple(
        LabelContrast(label, len(times), _changes(families, label, times) if times else ())
        for label, times in labels.items()
    )


def _nobody(_: float) -> None:
    pass


def _labels(marks: Sequence[Mark], ends: tuple[float, float]) -> dict[str, list[float]]:
    """Give the times of each label within the capture, each once."""
    labels: dict[str, set[float]] = {mark.label: set() for mark in marks}
    for mark in marks:
        if ends[0] - OFF_S <= mark.time_s <= ends[1] + OFF_S:
            labels[mark.label].add(mark.time_s)
    return {label: sorted(times) for label, times in labels.items()}


def _of_numbers(
    gathered: Gathered, labels: Mapping[str, Sequence[float]], ends: tuple[float, float]
) -> Iterator[_Family]:
    """Give numbers by themselves and beside their siblings, steps and drifts."""
    groups = list(beside_siblings(gathered.numbers))
    alone = _count(gathered.numbers)
    beside = sum(map(_count, groups))
    for form, share in _FORM_SHARES.items():
        apart: dict[bool, list[Seen]] = {False: [], True: []}
        for seen in _seen(gathered.numbers, form, labels, ends):
            apart[seen.restless].append(seen)
        for some in apart.values():
            yield from _by_direction(some, alone, _FIELD_SHARE * (1 - _BESIDE_SHARE) * share, own_record=OWN_RECORD)
        for group in groups:
            some = list(_seen(group, form, labels, ends))
            yield from _by_direction(some, beside, _FIELD_SHARE * _BESIDE_SHARE * share, own_record=OWN_RECORD)


def _count(tables: Sequence[Table]) -> int:
    return sum(len(one.fields) for one in tables)


def _seen(
    tables: Sequence[Table], form: Form, labels: Mapping[str, Sequence[float]], ends: tuple[float, float]
) -> Iterator[Seen]:
    for table in tables:
        quiet = _quiet(table, labels, ends, _GUARD_S)
        yield from seen_of(sizes_of(table, form, quiet), table, labels, quiet)


def _by_direction(
    seen: Sequence[Seen], fields: int, share: float, *, dead: int = 0, own_record: float = 0.0
) -> Iterator[_Family]:
    """Give what is usual of changes up or down, and of changes either way.

    fields : how many are looked at in all, `dead` of them never change
    """
    for both in (False, True):
        some = tuple(one for one in seen if (one.direction == "both") == both)
        if some:
            spans = float(np.mean([len(one.away) for one in some])) * dead * (1 if both else 2)
            usual = usual_of([one.away for one in some], resting=spans, own_record=own_record)
            yield _Family(some, usual, math.log(fields / (share * _DIRECTION_SHARES[some[0].direction])))


def _of_switches(
    gathered: Gathered, labels: Mapping[str, Sequence[float]], ends: tuple[float, float]
) -> Iterator[_Family]:
    """Give states, flags, and bits."""
    seen: list[Seen] = []
    for table in gathered.switches:
        quiet = _quiet(table, labels, ends, 0.0)
        seen += seen_of(flips_of(table), table, labels, quiet, silent=0.0)
    fields = gathered.dead_bits + _count(gathered.switches)
    yield from _by_direction(seen, fields, 1 - _FIELD_SHARE, dead=gathered.dead_bits)


def _quiet(
    table: Table, labels: Mapping[str, Sequence[float]], ends: tuple[float, float], guard_s: float
) -> NDArray[np.float64]:
    """Give the spans away from all marks."""
    spans = [np.empty((0, 2)), *(around(times, table.period_s) for times in labels.values())]
    first, last = max(ends[0], float(table.time_s[0])), min(ends[1], float(table.time_s[-1]))
    return away(first, last, np.concatenate(spans), width_of(table.period_s), guard_s)


def _changes(families: Sequence[_Family], label: str, times: Sequence[float]) -> tuple[Change, ...]:
    """Give the changes at the marks of one label, the best one of each field, likeliest first."""
    best: dict[FieldAt, Change] = {}
    for family in families:
        for seen in family.seen:
            for change in _changes_of(seen, family, label, times):
                if change.at not in best or _rank(change) < _rank(best[change.at]):
                    best[change.at] = change
    return _apart(sorted(best.values(), key=_rank))


def _changes_of(seen: Seen, family: _Family, label: str, times: Sequence[float]) -> Iterator[Change]:
    at = seen.at[label]
    chance = chances(family.usual, seen.away, at.size)
    heard = ~np.isnan(chance)
    hit = heard & (chance < _SEEN)
    delay_s = at.moment_s - np.asarray(times)[:, None]
    found = np.where(heard, worth(np.where(heard, chance, 1.0)), 0.0)
    found += np.where(hit, timing(delay_s, seen.period_s, seen.width_s), 0.0)
    total = found.sum(axis=0) - family.cost
    for column in np.flatnonzero((total >= LEAST) & hit.any(axis=0)).tolist():
        rows = hit[:, column]
        yield Change(
            at=seen.fields[column],
            form=seen.form,
            log_likelihood_ratio=float(total[column]),
            delay_s=float(np.median(delay_s[rows, column])),
            direction=seen.direction,
            repeats=int(rows.sum()),
            marks=int(heard[:, column].sum()),
            size=float(np.median(at.raw[rows, column])),
        )


def _rank(change: Change) -> tuple[float, float]:
    return -change.log_likelihood_ratio, abs(change.delay_s)


def _apart(changes: Sequence[Change]) -> tuple[Change, ...]:
    """Leave out what lies within a field that is ranked higher."""
    taken: defaultdict[tuple[StreamKey, Selector | None], set[int]] = defaultdict(set)
    kept = []
    for change in changes:
        bits = taken[change.at.stream, change.at.multiplexor]
        own = set(change.at.field.bit_numbers())
        if not bits & own:
            bits |= own
            kept.append(change)
    return tuple(kept[:MOST_CHANGES])
