"""The largest changes of fields around marks and away from them, in each direction."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

import numpy as np

from decoder.discovery.contrasting.contrast_sizes import largest_near
from decoder.discovery.contrasting.contrast_spans import around, width_of

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from numpy.typing import NDArray

    from decoder.discovery.contrasting.contrast_fields import Table
    from decoder.discovery.contrasting.contrast_sizes import Form, Sizes
    from decoder.discovery.field_at import FieldAt

    Array = NDArray[np.float64]

Direction = Literal["up", "down", "both"]
_OTHER_WAY: Final[dict[Direction, Direction]] = {"up": "down", "down": "up"}
# Common practice, no source.
_WAY_BACK_S: Final = 30.0  # after a mark, in which a change the other way is the way back
_GOES_ON_S: Final = 10.0  # after a mark, in which a change the same way is still the same one
_NO_MORE: Final = 1.5  # times the change at the mark, that what follows from it has at most
_PEAK_S, _PEAK_PERIODS = 1.0, 1.5  # around a change, in which none is larger, whichever is more
_PEAK_SHARE: Final = 0.7
_UNUSUAL: Final = 2.0  # times a field's usual largest change in a span, that a change has from which something follows


@dataclass(frozen=True, eq=False, slots=True)
class Largest:
    """The largest change around each mark of a label, marks x fields: in usual sizes, when, and in raw values.

    All NaN where a field was not heard; the last two where it did not change.
    """

    size: Array
    moment_s: Array
    raw: Array

    def of(self, columns: NDArray[np.intp]) -> Largest:
        """Give those of some fields."""
        return Largest(self.size[:, columns], self.moment_s[:, columns], self.raw[:, columns])


@dataclass(frozen=True, eq=False, slots=True)
class Seen:
    """The largest changes of fields of one table, in one direction.

    restless : their values always move
    period_s, width_s : between two payloads, and of a span
    away : spans x fields, away from all marks; NaN where none counts
    at : for each label
    """

    fields: tuple[FieldAt, ...]
    form: Form
    direction: Direction
    restless: bool
    period_s: float
    width_s: float
    away: Array
    at: Mapping[str, Largest]


def seen_of(
    sizes: Sizes, table: Table, labels: Mapping[str, Sequence[float]], quiet: Array, silent: float = math.nan
) -> Iterator[Seen]:
    """Give what is seen in each direction, of restless fields and of others; what follows from a mark is left out.

    quiet : n x 2, the spans away from marks
    silent : what a span says in which no change could be told
    """
    signed: dict[Direction, Array] = {"up": sizes.size, "down": -sizes.size, "both": np.abs(sizes.size)}
    period_s = table.period_s
    reach_s = max(_PEAK_S, _PEAK_PERIODS * period_s)
    ways = {way: _peaks(size, sizes.moment_s, reach_s) for way, size in signed.items()}
    spans = {label: around(times, period_s) for label, times in labels.items()}
    away = {way: _largest(size, sizes.moment_s, quiet, silent) for way, size in ways.items()}
    at = {
        way: {label: _largest_at(size, sizes, some, table, silent) for label, some in spans.items()}
        for way, size in ways.items()
    }
    for way in ways:
        kept = _without_what_follows(way, away, spans, at, quiet)
        for restless in (False, True):
            columns = np.flatnonzero(sizes.restless == restless)
            if len(columns):
                fields = tuple(table.fields[column] for column in columns.tolist())
                some_at = {label: largest.of(columns) for label, largest in at[way].items()}
                yield Seen(fields, sizes.form, way, restless, period_s, width_of(period_s), kept[:, columns], some_at)


def _peaks(size: Array, moment_s: Array, reach_s: float) -> Array:
    """Keep a change where it is about the largest near by: means over time begin to move before a step is there."""
    if len(moment_s) < 2:
        return size
    filled = np.where(np.isnan(size), -np.inf, size)
    return np.where(
        filled >= _PEAK_SHARE * largest_near(filled, moment_s, reach_s), size, np.where(np.isnan(size), np.nan, 0.0)
    )


def _without_what_follows(
    way: Direction,
    away: Mapping[Direction, Array],
    spans: Mapping[str, Array],
    at: Mapping[Direction, Mapping[str, Largest]],
    quiet: Array,
) -> Array:
    """Leave out what goes on after a mark, and the way back, where the change at the mark is an unusual one.

    A field of which less than half would be left keeps all: it moves anyway.
    """
    kept = away[way].copy()
    noise = _UNUSUAL * _middle(kept)
    causes = {way: _GOES_ON_S} | ({_OTHER_WAY[way]: _WAY_BACK_S} if way in _OTHER_WAY else {})
    for cause, reach_s in causes.items():
        usual = _middle(away[cause])
        for label, some in spans.items():
            for end, change in zip(some[:, 1].tolist(), at[cause][label].size, strict=True):
                after = np.flatnonzero((quiet[:, 0] >= end) & (quiet[:, 0] < end + reach_s))
                follows = (change > _UNUSUAL * usual) & (kept[after] > noise) & (kept[after] <= _NO_MORE * change)
                kept[after] = np.where(follows, np.nan, kept[after])
    enough = 2 * (~np.isnan(kept)).sum(axis=0) >= (~np.isnan(away[way])).sum(axis=0)
    return np.where(enough, kept, away[way])


def _middle(away: Array) -> Array:
    """Give the usual largest change in a span; 0 where none was told."""
    known = ~np.isnan(away).all(axis=0) if len(away) else np.zeros(away.shape[1], np.bool_)
    middle = np.zeros(away.shape[1])
    if known.any():
        middle[known] = np.nanmedian(away[:, known], axis=0)
    return middle


def _largest(size: Array, moment_s: Array, spans: Array, silent: float) -> Array:
    """Give the largest of each span, spans x fields."""
    if not len(spans) or not len(moment_s):
        return np.full((len(spans), size.shape[1]), silent)
    edges = np.searchsorted(moment_s, spans.ravel())
    padded = np.vstack([size, np.full((1, size.shape[1]), np.nan)])
    largest = np.fmax.reduceat(padded, edges, axis=0)[::2]
    empty = edges[::2] == edges[1::2]
    return np.where(empty[:, None] | np.isnan(largest), silent, largest)


def _largest_at(size: Array, sizes: Sizes, spans: Array, table: Table, silent: float) -> Largest:
    """Give the largest around each mark."""
    shape = len(spans), size.shape[1]
    largest, moment, raw = np.full(shape, silent), np.full(shape, np.nan), np.full(shape, np.nan)
    for row, (start, end) in enumerate(spans.tolist()):
        if not _heard(table, start, end):
            largest[row] = np.nan
            continue
        begin, stop = np.searchsorted(sizes.moment_s, (start, end))
        part = np.where(np.isnan(size[begin:stop]), -np.inf, size[begin:stop])
        if not len(part):
            continue
        at = np.argmax(part, axis=0)[None]
        top = np.take_along_axis(part, at, axis=0)[0]
        largest[row] = np.where(np.isfinite(top), top, silent)
        moment[row] = sizes.moment_s[begin + at[0]]
        raw[row] = np.take_along_axis(sizes.raw[begin:stop], at, axis=0)[0]
    return Largest(largest, moment, raw)


def _heard(table: Table, start: float, end: float) -> bool:
    """Tell whether there are payloads before a span and in it."""
    begin, stop = np.searchsorted(table.time_s, (start, end))
    return bool(begin > 0 and stop > begin)
