"""A cell that falls against its siblings while the pack rests: something inside it, or beside it, drains it.

After a load every cell relaxes at its own pace, which looks the same for some minutes. But relaxation decays and
self-discharge goes on: so the first minutes of rest are left out, both halves of the rest must fall alike, and where
the whole pack still relaxes, part of its pace is allowed for. How small a slope shows at all depends on how long the
rest is, how fine the readings are and how much they scatter; it is said.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from decoder.judgement.cells.balancing import Bleeding, bleeding
from decoder.judgement.cells.deviations import FEWEST_CELLS, deviations, scatter
from decoder.judgement.cells.medians import MAD_TO_SIGMA, STANDS_OUT_Z, median_of, row_medians, slopes, spread_of
from decoder.judgement.cells.phases import rest, stretches
from decoder.judgement.cells.spreads import cell_words
from decoder.judgement.finding import Finding, Severity
from decoder.maps.default_limits import limit_of

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from decoder.channels import Channels
    from decoder.judgement.cells.cell_table import CellTable
    from decoder.maps.default_limits import DefaultLimit

CODE = "cell-self-discharge"
# The first part of a rest belongs to relaxation, and of the remainder at least this much is needed. A capture that
# begins at rest may begin just after a load. Common practice, no source.
_SETTLING_S = 180.0
_LEAST_S = 420.0
_BINS = 96
_FEWEST_BINS = 12
# A fall of fewer steps of the reading than this is none. Common practice, no source.
_FEWEST_STEPS = 3.0
# The second half of the rest must fall by this share of what the first one does: with a time constant as long as the
# rest, relaxation keeps 0.61 = exp(-1/2). Common practice, no source.
_LASTING_SHARE = 0.6
# Where the whole pack still moves, a cell may move differently by this share of it. Common practice, no source.
_PACE_SHARE = 0.5
_S_PER_H = 3600.0


@dataclass(frozen=True, slots=True, eq=False)
class _Falls:
    """How each cell of the pack falls against its siblings within one stretch of rest; cells each, in V/h and V.

    whole, first, second : the fall in all of it and in its halves (V/h, positive is falling), from that of all cells
    least : the least fall that could have shown (V/h)
    error : one standard error of the fall in a half (V/h)
    pace : how fast the median cell moves in the second half (V/h)
    ends_at : where the cell stands at the end, from the median cell (V)
    """

    rows: NDArray[np.bool_]
    hours: float
    whole: NDArray[np.float64]
    first: NDArray[np.float64]
    second: NDArray[np.float64]
    least: NDArray[np.float64]
    error: NDArray[np.float64]
    pace: float
    ends_at: NDArray[np.float64]


def self_discharge_findings(channels: Channels, table: CellTable, not_judged: dict[str, str]) -> Iterator[Finding]:
    """Judge how each cell falls against the median cell of its module (else of the pack) in the longest rest."""
    limit = limit_of(channels.sheet, "self_discharge_mv_per_h")
    if len(table.cells) < FEWEST_CELLS:
        not_judged[CODE] = "fewer than three cells: nothing says which of them is the odd one"
        return
    rows = _longest_rest(table)
    if rows is None:
        not_judged[CODE] = (
            f"no rest of {(_SETTLING_S + _LEAST_S) / 60:.0f} min or more: cells relax after a load, which looks alike"
        )
        return
    falls = _falls(table, rows)
    if falls is None:
        not_judged[CODE] = "too few scans in the longest rest"
        return
    flags = bleeding(channels, table)
    bled = flags.on[rows].any(axis=0)
    maybe_bled = ~flags.known & (falls.ends_at > np.maximum(2 * table.step_v, scatter(falls.ends_at, table)))
    falling = _clearly(falls, table, limit)
    for column in np.flatnonzero(falling & ~bled & ~maybe_bled).tolist():
        yield _finding(column, table, falls, flags, limit)
    _say_what_is_not_judged(table, falls, falling & (bled | maybe_bled), limit, not_judged)


def _longest_rest(table: CellTable) -> NDArray[np.bool_] | None:
    """Give the scans of the longest rest (k), its first minutes left out; ``None`` where it is too short."""
    time_ns = table.scans.time_ns
    found = stretches(time_ns, rest(table))
    if not found:
        return None
    first, end = max(found, key=lambda one: time_ns[one[1] - 1] - time_ns[one[0]])
    from_ns = time_ns[first] + int(_SETTLING_S * 1e9)
    if time_ns[end - 1] - from_ns < _LEAST_S * 1e9:
        return None
    rows = np.zeros(len(time_ns), np.bool_)
    rows[first:end] = time_ns[first:end] >= from_ns
    return rows


def _falls(table: CellTable, rows: NDArray[np.bool_]) -> _Falls | None:
    where = np.flatnonzero(rows)
    count = min(_BINS, len(where)) // 2 * 2
    if count < _FEWEST_BINS:
        return None
    apart = deviations(table)[where]
    hour = (table.scans.time_ns[where] - table.scans.time_ns[where[0]]) / 1e9 / _S_PER_H
    hours, half = float(hour[-1]), count // 2
    bounds = np.searchsorted(hour, np.linspace(0, hours, count + 1)[:-1])
    bounds = np.unique(bounds)
    at = np.add.reduceat(hour, bounds) / np.diff(bounds, append=len(hour))
    middle = _bin_means(row_medians(table.scans.volt[where])[:, None], bounds)
    means = _bin_means(apart, bounds)
    half = len(at) // 2
    if half < _FEWEST_BINS // 2:
        return None
    whole, first, second = (
        _relative(-slopes(at[part], means[part])) for part in (slice(None), slice(half), slice(half, None))
    )
    line = means + at[:, None] * whole
    sigma = np.array([spread_of(line[:, column]) for column in range(means.shape[1])]) / MAD_TO_SIGMA
    # The standard error of a slope over n points spread evenly over T is sigma * sqrt(12 / n) / T.
    error = sigma * np.sqrt(12 / len(at)) / hours
    return _Falls(
        rows=rows,
        hours=hours,
        whole=whole,
        first=first,
        second=second,
        least=np.fmax(STANDS_OUT_Z * error, _FEWEST_STEPS * table.step_v / hours),
        error=error * 2**1.5,
        pace=abs(float(np.nan_to_num(slopes(at[half:], middle[half:])[0]))),
        ends_at=np.array([median_of(means[half + half // 2 :, column]) for column in range(means.shape[1])]),
    )


def _bin_means(values: NDArray[np.float64], bounds: NDArray[np.intp]) -> NDArray[np.float64]:
    """Give the mean of each column in each bin: noise smooths the steps of a reading, which a median would keep."""
    there = ~np.isnan(values)
    total = np.add.reduceat(np.where(there, values, 0.0), bounds, axis=0)
    count = np.add.reduceat(there.astype(np.int64), bounds, axis=0)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def _relative(falls: NDArray[np.float64]) -> NDArray[np.float64]:
    return falls - median_of(falls)


def _clearly(falls: _Falls, table: CellTable, limit: DefaultLimit) -> NDArray[np.bool_]:
    """Tell which cells fall faster than the limit, clearly, lastingly, and unlike their siblings."""
    limit_v = limit.value / 1000
    half_h = falls.hours / 2
    allowed = (table.step_v / 4) / half_h + 2 * falls.error
    usual = np.fmax(spread_of(falls.whole), 0.5 * table.step_v / falls.hours) / MAD_TO_SIGMA
    slower = np.fmin(falls.whole, falls.second + allowed)
    with np.errstate(invalid="ignore"):
        clear: NDArray[np.bool_] = (
            (falls.whole > falls.least)
            & (slower - _PACE_SHARE * falls.pace > limit_v)
            & (falls.second + allowed >= _LASTING_SHARE * falls.first)
            & (falls.whole / usual > STANDS_OUT_Z)
        )
    return clear


def _say_what_is_not_judged(
    table: CellTable,
    falls: _Falls,
    maybe_bled: NDArray[np.bool_],
    limit: DefaultLimit,
    not_judged: dict[str, str],
) -> None:
    if maybe_bled.any():
        names = ", ".join(cell_words(table.cells[column]) for column in np.flatnonzero(maybe_bled)[:3])
        not_judged[CODE] = f"{names}: falls against its siblings, but is or may be drained by balancing, for it is high"
        return
    least_mv = (median_of(falls.least) + _PACE_SHARE * falls.pace) * 1000
    if least_mv > limit.value:
        not_judged[CODE] = (
            f"less than {least_mv:.1f} mV/h: in {falls.hours * 60:.0f} min of rest it could not have shown "
            f"(limit {limit.value:g} mV/h)"
        )


def _finding(column: int, table: CellTable, falls: _Falls, flags: Bleeding, limit: DefaultLimit) -> Finding:
    series, time_ns = table.cells[column], table.scans.time_ns[falls.rows]
    fall_mv = float(falls.whole[column]) * 1000
    doubt = (
        ""
        if table.current is not None
        else " No channel tells the current: that this is rest is seen from the cells alone."
    )
    return Finding(
        code=CODE,
        severity=Severity.WARNING,
        place=series.channel.place,
        value=fall_mv,
        limit=limit.value,
        unit="mV/h",
        from_ns=int(time_ns[0]),
        to_ns=int(time_ns[-1]),
        worst_ns=int(time_ns[-1]),
        channel=series.channel.name,
        channels=(series.channel.name,),
        explanation=(
            f"{cell_words(series)} falls by {fall_mv:.1f} mV/h against its siblings over {falls.hours * 60:.0f} min "
            f"of rest ({falls.first[column] * 1000:.1f} in the first half, {falls.second[column] * 1000:.1f} later). "
            f"{max(falls.least[column] * 1000, limit.value):.1f} mV/h is the least that could have shown; "
            f"{flags.words(column, falls.rows)}. Relaxation would have slowed down: the cell loses charge inside, or "
            f"something beside it draws from it. A short that begins to grow looks like this.{doubt}"
        ),
        source=limit.source,
    )
