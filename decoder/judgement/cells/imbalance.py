"""A cell that stands off its siblings at rest by a steady amount: it holds more or less charge than they do.

What follows the current is resistance, not charge. So scans at rest are judged, long after a load where there are any;
where the pack never rests, what a line over the current leaves at no current, less what is unsure of it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from decoder.judgement.cells.balancing import Bleeding, bleeding
from decoder.judgement.cells.deviations import FEWEST_CELLS, deviations, references, scatter, without_current
from decoder.judgement.cells.medians import STANDS_OUT_Z, column_medians, median_of
from decoder.judgement.cells.phases import load, rest, rested_s, stretches
from decoder.judgement.cells.spreads import PERSISTENT_SCANS, cell_words
from decoder.judgement.finding import Finding, Severity
from decoder.maps.default_limits import limit_of

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from decoder.channels import Channels
    from decoder.judgement.cells.cell_table import CellTable
    from decoder.maps.default_limits import DefaultLimit

CODE = "cell-imbalance"
# Where there are scans so long after a load, the earlier ones do not count. Common practice, no source.
_SETTLED_S = 300.0
# So much of what a cell shows under load may stay in it just after, and fades with this time constant: a safe guess for
# the slow part of relaxation. Common practice, no source.
_HELD_SHARE = 0.5
_FORGETS_S = 900.0
# In every stretch of rest, and for three quarters of all scans, the cell stands off by this share of the amount.
_STEADY_SHARE = 0.5
_DUST_V = 1e-6  # so that 4.140 - 4.100 is not above 0.040


@dataclass(frozen=True, slots=True, eq=False)
class RestOffsets:
    """How cells stand from the median cell without current.

    offset_v : float64, cells; NaN where not known
    unsure_v : float64, cells, how much of it may come from something else than charge
    rows : bool, k, the scans that this is from
    at_rest : these are scans at rest, else it is what a line over the current leaves
    """

    offset_v: NDArray[np.float64]
    unsure_v: NDArray[np.float64]
    rows: NDArray[np.bool_]
    at_rest: bool


def imbalance_findings(channels: Channels, table: CellTable, not_judged: dict[str, str]) -> Iterator[Finding]:
    """Judge how each cell stands from the median cell of its module (else of the pack) without current."""
    if len(table.cells) < FEWEST_CELLS:
        not_judged[CODE] = "fewer than three cells: nothing says which of them is the odd one"
        return
    apart, flags = deviations(table), bleeding(channels, table)
    offsets = rest_offsets(table, apart, flags)
    if offsets is None:
        not_judged[CODE] = (
            "the cells never stand still, and no channel tells the current"
            if table.current is None
            else "the pack never rests, and its current does not move enough to tell charge from resistance"
        )
        return
    unknown = np.isnan(offsets.offset_v) & flags.touched[offsets.rows].any(axis=0)
    if unknown.any():
        names = ", ".join(cell_words(table.cells[column]) for column in np.flatnonzero(unknown)[:3])
        not_judged[CODE] = f"{names}: it, or a cell beside it, is being balanced all the time at rest"
    limit = limit_of(channels.sheet, "module_spread_v")
    usual = scatter(offsets.offset_v, table)
    for column in np.flatnonzero(_beyond(offsets, usual, limit)).tolist():
        if not offsets.at_rest or _is_steady(table, apart[:, column], offsets, column, flags):
            yield _finding(column, table, apart[:, column], offsets, usual, flags, limit)


def rest_offsets(table: CellTable, apart: NDArray[np.float64], flags: Bleeding) -> RestOffsets | None:
    """Give how cells stand without current, balancing left out; ``None`` where the capture does not tell.

    apart : float64, k x cells, what `deviations` gives
    """
    compared = np.isfinite(apart).any(axis=1)
    resting = rest(table) & compared
    count = int(np.count_nonzero(resting))
    if count and count >= min(PERSISTENT_SCANS, len(resting)):
        since_s = rested_s(table)
        rows = resting & (since_s >= _SETTLED_S)
        if np.count_nonzero(rows) < min(PERSISTENT_SCANS, count):
            rows = resting & (since_s >= np.median(since_s[resting]))
        offset_v = column_medians(apart, rows, flags.touched)
        loaded_v = column_medians(apart, load(table), flags.touched)
        share = _HELD_SHARE * np.exp(-np.median(since_s[rows]) / _FORGETS_S)
        return RestOffsets(offset_v, share * np.nan_to_num(np.abs(loaded_v - offset_v)), rows, at_rest=True)
    line = without_current(apart, table, flags.touched)
    if line is None:
        return None
    rows = table.scans.steady & np.isfinite(table.current_a) & compared
    return RestOffsets(*line, rows, at_rest=False)


def _beyond(offsets: RestOffsets, usual: NDArray[np.float64], limit: DefaultLimit) -> NDArray[np.bool_]:
    """Tell which cells stand off by more than the limit, clearly, and by more than cells here usually do."""
    amount = np.nan_to_num(np.abs(offsets.offset_v))
    beyond: NDArray[np.bool_] = (amount - np.nan_to_num(offsets.unsure_v, nan=np.inf) > limit.value + _DUST_V) & (
        amount / usual > STANDS_OUT_Z
    )
    return beyond


def _is_steady(
    table: CellTable, apart: NDArray[np.float64], offsets: RestOffsets, column: int, flags: Bleeding
) -> bool:
    """Tell whether a cell stands off to one side in every stretch of rest, and for three quarters of the scans."""
    side = np.sign(offsets.offset_v[column])
    least_v = _STEADY_SHARE * abs(offsets.offset_v[column])
    counted = rest(table) & np.isfinite(apart) & ~flags.touched[:, column]
    if float(np.quantile(side * apart[counted], 0.25)) < least_v:
        return False
    medians = [
        median_of(apart[first:end][counted[first:end]]) * side
        for first, end in stretches(table.scans.time_ns, rest(table))
        if np.count_nonzero(counted[first:end]) >= PERSISTENT_SCANS
    ]
    return all(median >= least_v for median in medians)


def _finding(
    column: int,
    table: CellTable,
    apart: NDArray[np.float64],
    offsets: RestOffsets,
    usual: NDArray[np.float64],
    flags: Bleeding,
    limit: DefaultLimit,
) -> Finding:
    series, offset_v = table.cells[column], float(offsets.offset_v[column])
    rows = (rest(table) if offsets.at_rest else offsets.rows) & np.isfinite(apart) & ~flags.touched[:, column]
    where = np.flatnonzero(rows)
    worst = int(where[np.argmin(np.abs(apart[where] - offset_v))])
    if offsets.at_rest:
        worst = int(where[np.argmax(np.sign(offset_v) * apart[where])])
    side, charge = ("below", "less") if offset_v < 0 else ("above", "more")
    ends = "discharge" if offset_v < 0 else "charge"
    how = (
        f"at rest, steadily, in {len(where)} scans over {_time_words(table.scans.time_ns[where])}"
        if offsets.at_rest
        else f"where the current is reckoned out, for the pack never rests ({len(where)} scans)"
    )
    doubt = (
        ""
        if table.current is not None
        else " No channel tells the current: under a load that never changes, it may be its resistance."
    )
    return Finding(
        code=CODE,
        severity=Severity.WARNING,
        place=series.channel.place,
        value=abs(offset_v),
        limit=limit.value,
        unit="V",
        from_ns=int(table.scans.time_ns[where[0]]),
        to_ns=int(table.scans.time_ns[where[-1]]),
        worst_ns=int(table.scans.time_ns[worst]),
        channel=series.channel.name,
        channels=(series.channel.name,),
        explanation=(
            f"{cell_words(series)} stands {abs(offset_v) * 1000:.1f} mV {side} the median cell of its "
            f"{_group_words(table, column)} {how}; cells here usually stand apart by {usual[column] * 1000:.1f} mV; "
            f"{flags.words(column, offsets.rows)}. It holds {charge} charge than its siblings and ends {ends} for all "
            f"of them.{doubt}"
        ),
        source=limit.source,
    )


def _group_words(table: CellTable, column: int) -> str:
    return "module" if any(column in members for members in references(table)[:-1]) else "pack"


def _time_words(time_ns: NDArray[np.int64]) -> str:
    seconds = float(time_ns[-1] - time_ns[0]) / 1e9
    return f"{seconds / 60:.0f} min" if seconds >= 120 else f"{seconds:.1f} s"
