"""Two neighbouring cells that move opposite ways while their sum stays: the sense wire between them is suspect.

Both cells are measured to the wire between them. If its contact is poor, what one cell seems to lose the other seems to
gain, in bursts or for good. Cells cannot do that: one current flows through both. Two sound readings that stand off
like this by chance are a low cell beside a high one, which is rare.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from decoder.judgement.cells.balancing import Bleeding, bleeding, neighbours
from decoder.judgement.cells.deviations import deviations, scatter
from decoder.judgement.cells.medians import MAD_TO_SIGMA, STANDS_OUT_Z, column_medians, median_of, row_medians
from decoder.judgement.cells.phases import largest_a, load, rest
from decoder.judgement.cells.spreads import PERSISTENT_SCANS, cell_words
from decoder.judgement.finding import Finding, Severity
from decoder.judgement.spans import JOIN_S, spans

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from decoder.channels import Channels
    from decoder.judgement.cells.cell_table import CellTable

CODE = "tap-suspect"
# Both cells move by at least this, and by so many steps of the reading (so three, as they are whole).
# Common practice, no source.
_LEAST_V = 0.020
_LEAST_STEPS = 2.5
_SOURCE = "20 mV, and more than two and a half steps of the reading: common practice, no source"
# The sum of both moves by no more than this share of their difference, and the cells beside them by no more than this
# share of what they move: with every other cell bled, or scans read while the current moves, these move as well.
# Common practice, no source.
_SUM_SHARE = 0.2
_QUIET_SHARE = 0.5
# With fewer cells nothing tells what is usual beside the two.
_FEWEST_CELLS = 4
_PROBED_SCANS = 500
# Where the pack never rests, up to this share of its largest current is little. Common practice, no source.
_LITTLE_SHARE = 0.3
_RUN = 2  # a frame that the recorder damaged shows in one scan alone


@dataclass(frozen=True, slots=True, eq=False)
class _Pair:
    """Two neighbouring cells and what is seen of them.

    rows : bool, k, the scans in which they stand opposite
    size_v : float64, k, by how much
    lasting : for good, else in bursts
    """

    first: int
    second: int
    rows: NDArray[np.bool_]
    size_v: NDArray[np.float64]
    lasting: bool


def tap_findings(channels: Channels, table: CellTable, not_judged: dict[str, str]) -> Iterator[Finding]:
    """Judge every two neighbouring cells of a module."""
    pairs = neighbours(table)
    if len(table.cells) < _FEWEST_CELLS or not pairs:
        not_judged[CODE] = "fewer than four cells, or nothing says which cells lie beside each other"
        return
    steady = table.scans.steady
    if not steady.any():
        not_judged[CODE] = "the current was never steady within a scan"
        return
    apart, flags = deviations(table), bleeding(channels, table)
    apart[flags.touched] = np.nan
    usual = column_medians(apart, steady)
    bursts = apart - _expected(table, apart, usual)
    lasting = _usual_at_rest(table, apart, usual)
    after = dict(pairs)
    before = {second: first for first, second in pairs}
    for first, second in pairs:
        outer = [at for at in (before.get(first), after.get(second)) if at is not None]
        found = _in_bursts(table, bursts, first, second, outer)
        if found is None and lasting is not None:
            found = _for_good(table, apart, lasting, first, second, outer)
        if found is not None:
            yield _finding(table, found, flags)


def _expected(table: CellTable, apart: NDArray[np.float64], usual: NDArray[np.float64]) -> NDArray[np.float64]:
    """Give where each cell should stand in each scan (V, k x cells, or one row for all): what follows the current."""
    loaded, resting = load(table), rest(table)
    if np.count_nonzero(resting) < PERSISTENT_SCANS and np.isfinite(table.current_a).any():
        amount = np.abs(np.nan_to_num(table.current_a, nan=np.inf))
        resting = table.scans.steady & (amount <= _LITTLE_SHARE * largest_a(table))
    if min(np.count_nonzero(loaded), np.count_nonzero(resting)) < PERSISTENT_SCANS:
        return usual[None, :]
    quiet_v = column_medians(apart, resting)
    where = np.flatnonzero(loaded)
    per_ampere = (apart[where] - quiet_v) / table.current_a[where, None]
    ohm = np.nan_to_num(column_medians(per_ampere, np.ones(len(where), np.bool_)))
    return np.where(np.isnan(quiet_v), usual, quiet_v) + np.nan_to_num(table.current_a)[:, None] * ohm


def _in_bursts(
    table: CellTable, bursts: NDArray[np.float64], first: int, second: int, outer: list[int]
) -> _Pair | None:
    """Find the scans in which two cells leave their usual places by the same amount, opposite ways."""
    one, other = bursts[:, first], bursts[:, second]
    least_v = _least(table, first, second)
    with np.errstate(invalid="ignore", over="ignore"):  # a float that is no current may say 1e300
        size_v = np.minimum(np.abs(one), np.abs(other)) - table.scans.moved_v
        rows = table.scans.steady & (one * other < 0) & (size_v > least_v)
        rows &= np.abs(one + other) <= _SUM_SHARE * np.abs(one - other)
        for column in outer:
            rows &= ~(np.abs(bursts[:, column]) > _QUIET_SHARE * size_v)
    where = np.flatnonzero(rows)
    if len(where) < PERSISTENT_SCANS or not _has_run(rows):
        return None
    probed = where[:: max(len(where) // _PROBED_SCANS, 1)]
    siblings = np.delete(bursts[probed], [first, second], axis=1)
    usual_v = np.fmax(np.nan_to_num(row_medians(np.abs(siblings))), table.step_v[first] / 2) / MAD_TO_SIGMA
    if np.mean(size_v[probed] / usual_v > STANDS_OUT_Z) < 0.5:
        return None
    return _Pair(first, second, rows, np.where(rows, size_v, 0.0), lasting=False)


def _has_run(rows: NDArray[np.bool_]) -> bool:
    return bool((rows[1:] & rows[:-1]).any())


def _usual_at_rest(
    table: CellTable, apart: NDArray[np.float64], usual: NDArray[np.float64]
) -> NDArray[np.float64] | None:
    """Give where the cells usually stand; at rest, or the same under load, for resistance is no matter of wires."""
    resting = rest(table)
    if np.count_nonzero(resting) >= PERSISTENT_SCANS:
        return column_medians(apart, resting)
    loaded_v = column_medians(apart, load(table))
    follows = np.abs(loaded_v - usual) > _QUIET_SHARE * np.abs(usual)
    return np.where(follows, np.nan, usual) if np.isfinite(loaded_v).any() else None


def _for_good(
    table: CellTable,
    apart: NDArray[np.float64],
    lasting: NDArray[np.float64],
    first: int,
    second: int,
    outer: list[int],
) -> _Pair | None:
    """Tell whether two cells stand opposite all the time, by the same amount, with a sum that stays."""
    one, other = lasting[first], lasting[second]
    size = min(abs(one), abs(other))
    usual_v = scatter(np.where(np.isin(np.arange(len(lasting)), [first, second]), np.nan, lasting), table)
    if not (
        one * other < 0
        and size > _least(table, first, second)
        and abs(one + other) <= _SUM_SHARE * abs(one - other)
        and all(not abs(lasting[column]) > _QUIET_SHARE * size for column in outer)
        and size / max(usual_v[first], usual_v[second]) > STANDS_OUT_Z
    ):
        return None
    total = apart[:, first] + apart[:, second] - (one + other)
    if not median_of(np.abs(total[table.scans.steady])) <= _SUM_SHARE * size:
        return None
    size_v = np.minimum(np.abs(apart[:, first]), np.abs(apart[:, second]))
    with np.errstate(invalid="ignore"):
        rows = table.scans.steady & (apart[:, first] * apart[:, second] < 0) & (size_v > _QUIET_SHARE * size)
    if np.count_nonzero(rows) < min(PERSISTENT_SCANS, len(rows)):
        return None
    return _Pair(first, second, rows, np.where(rows, size_v, 0.0), lasting=True)


def _least(table: CellTable, first: int, second: int) -> float:
    return max(_LEAST_V, _LEAST_STEPS * float(max(table.step_v[first], table.step_v[second])))


def _finding(table: CellTable, pair: _Pair, flags: Bleeding) -> Finding:
    one, other = table.cells[pair.first], table.cells[pair.second]
    where, time_ns = np.flatnonzero(pair.rows), table.scans.time_ns
    worst = int(np.argmax(pair.size_v))
    gone = np.isnan(table.scans.volt[:, [pair.first, pair.second]]).all(axis=1)
    others_there = np.isfinite(table.scans.volt).sum(axis=1) >= (len(table.cells) - 2) * 0.9
    gone_count = int(np.count_nonzero((gone & others_there)[where[0] : where[-1] + 1]))
    parts = len(spans(time_ns, pair.rows, join_s=JOIN_S))
    how = (
        f"stand off opposite ways by {np.median(pair.size_v[where]) * 1000:.0f} mV all the time"
        if pair.lasting
        else f"move opposite ways by up to {pair.size_v[worst] * 1000:.0f} mV in {len(where)} scans"
        + ("" if parts == 1 else ", again and again")
    )
    also = f"; in {gone_count} scans between both are not available while the others are" if gone_count else ""
    return Finding(
        code=CODE,
        severity=Severity.CAUTION,
        place=one.channel.place,
        value=float(pair.size_v[worst]),
        limit=_least(table, pair.first, pair.second),
        unit="V",
        from_ns=int(time_ns[where[0]]),
        to_ns=int(time_ns[where[-1]]),
        worst_ns=int(time_ns[worst]),
        channel=one.channel.name,
        channels=(one.channel.name, other.channel.name),
        explanation=(
            f"{cell_words(one)} and {cell_words(other)} {how} while their sum stays{also}; "
            f"{flags.words(pair.first, pair.rows)}. One current flows through both, so the cells hardly did that: the "
            "sense wire between them, its contact or its fuse is suspect, and both readings are wrong. A low cell "
            "beside a high one by chance is rare"
        ),
        source=_SOURCE,
    )
