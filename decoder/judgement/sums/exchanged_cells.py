"""Two cells that stand at each other's place in the map, in two modules: the measured module voltages tell.

The sum of one module is then too low by the difference of the two cells, that of the other too high by as much, and
exchanging the two mends both all the time. Where that is no more than the sensors may be off by, the two cells must
also stand off their siblings by just as much, and the modules apart.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import permutations
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.judgement.cells.cell_table import step_of
from decoder.judgement.cells.medians import MAD_TO_SIGMA, median_of, row_medians, spread_of
from decoder.judgement.finding import Finding, Severity
from decoder.judgement.sums.module_sums import all_cells, module_voltages, nearer
from decoder.maps.pack_sheet import Place
from decoder.printable import printable

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from decoder.channels import Channels
    from decoder.judgement.cells.cell_table import CellTable

# A module's sum is off if it misses by so many standard deviations of the other modules' misses, and by so many times
# what rounding allows. Common practice, no source.
_SIGMAS: Final = 5.0
_ROUNDINGS: Final = 2.0
# Fewer other modules do not say how good these sensors are, for two or three may agree by chance: then so much of the
# voltage is allowed. Common practice, no source.
_FEWEST_OTHERS: Final = 4
_GAIN: Final = 0.005
# An exchange mends the sums if it leaves no more than this share of what they were off by. Common practice, no source.
_LEFT_SHARE: Final = 0.25
# The sums must be off in this share of so many parts of the capture, by their medians: in a drive cells and sums are
# not read at one moment, so single scans scatter. Common practice, no source.
_MOST: Final = 0.9
_PARTS: Final = 10
_FEWEST_SCANS: Final = 10
# So many scans, spread over the capture, are enough to try all exchanges.
_TRIED_SCANS: Final = 1000


@dataclass(frozen=True, slots=True, eq=False)
class _Missed:
    """By how much a module's cells miss its measured voltage.

    miss_v : float64, k, measured less sum; NaN where not known
    rounding_v : what rounding can make of it
    """

    module: int
    channel: str
    miss_v: NDArray[np.float64]
    rounding_v: float
    typical_v: float

    @property
    def usual_v(self) -> float:
        """The median miss."""
        return median_of(self.miss_v)


def exchanged_cells(channels: Channels, table: CellTable, usable: NDArray[np.bool_]) -> Iterator[Finding]:
    """Give a finding for each two modules whose sums one exchange of cells mends.

    usable : the scans (k) in which cells may be added up
    """
    rows = np.flatnonzero(usable)
    rows = rows[:: max(len(rows) // _TRIED_SCANS, 1)]
    if len(rows) < _FEWEST_SCANS:
        return
    missed = list({one.module: one for one in _missed(channels, table, rows)}.values())
    for low, high in permutations(missed, 2):
        # `low`: its cells add up to too little.
        beyond_v, rounding_v = _limit(low, high, missed), _ROUNDINGS * max(low.rounding_v, high.rounding_v)
        if pairs := _pairs(table, rows, low, high, beyond_v):
            yield _exchanged(table, low, high, pairs, beyond_v)
            continue
        # Less may be the sensors' gain, but hardly just what a cell in each module stands off by.
        odd = [pair for pair in _pairs(table, rows, low, high, rounding_v) if _stand_off(table, rows, low, high, pair)]
        if odd:
            yield _exchanged(table, low, high, odd, rounding_v)


def _pairs(
    table: CellTable, rows: NDArray[np.intp], low: _Missed, high: _Missed, limit_v: float
) -> list[tuple[int, int]]:
    """Give the exchanges that mend both sums, where these are steadily off by more than a limit."""
    if not (low.usual_v > limit_v and high.usual_v < -limit_v):
        return []
    known = np.isfinite(low.miss_v) & np.isfinite(high.miss_v)
    if np.count_nonzero(known) < _FEWEST_SCANS:
        return []
    off = (_by_parts(low.miss_v[known]) > limit_v / 2) & (_by_parts(high.miss_v[known]) < -limit_v / 2)
    if off.mean() < _MOST:
        return []
    return _mending(table, rows[known], low, high, known)


def _by_parts(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Give the median in each of `_PARTS` equal parts of a column that is at least as long."""
    size = len(values) // _PARTS
    medians: NDArray[np.float64] = np.median(values[: size * _PARTS].reshape(_PARTS, size), axis=1)
    return medians


def _stand_off(table: CellTable, rows: NDArray[np.intp], low: _Missed, high: _Missed, pair: tuple[int, int]) -> bool:
    """Tell whether all speaks for one exchange: what the sums miss, how far the cells and the modules are apart.

    Each of two exchanged cells shows the other module's level, so all of these are the same voltage.
    """
    level_v, off_v = {}, np.full(len(table.cells), np.nan)
    for module in table.modules:
        members = table.members(module)
        volt = table.scans.volt[rows][:, members]
        middle = row_medians(volt)
        level_v[module] = median_of(middle)
        off_v[members] = [median_of(cell) for cell in (volt - middle[:, None]).T]
    one, other = pair
    seen_v = np.array(
        [low.usual_v, -high.usual_v, -off_v[one], off_v[other], level_v[low.module] - level_v[high.module]]
    )
    size = float(seen_v[:2].mean())
    # In all modules together: of a few cells some always stand close together, and then others seem far off.
    clear_v = _SIGMAS / MAD_TO_SIGMA * spread_of(off_v)
    return bool((np.abs(seen_v - size) <= _LEFT_SHARE * size).all() and (seen_v[2:4] > clear_v).all())


def _missed(channels: Channels, table: CellTable, rows: NDArray[np.intp]) -> Iterator[_Missed]:
    for series, module in module_voltages(channels, table):
        if not all_cells(channels.sheet, table, module):
            continue
        members = table.members(module)
        total = table.scans.volt[rows][:, members].sum(axis=1)
        miss_v = nearer(series, table.scans.time_ns[rows], total) - total
        if np.count_nonzero(np.isfinite(miss_v)) < _FEWEST_SCANS:
            continue
        # Rounding of each cell is even within its step: the sum has the standard deviation step * sqrt(n / 12).
        cells_v = 3 * float(np.sqrt((table.step_v[members] ** 2).sum() / 12))
        yield _Missed(module, series.channel.name, miss_v, step_of(series) / 2 + cells_v, abs(median_of(total)))


def _limit(low: _Missed, high: _Missed, missed: Sequence[_Missed]) -> float:
    """Give by how much (V) a sum must be off, from what the other modules' are off by and from rounding."""
    rounding_v = _ROUNDINGS * max(low.rounding_v, high.rounding_v)
    others = np.array([one.usual_v for one in missed if one is not low and one is not high])
    others_v = _SIGMAS / MAD_TO_SIGMA * median_of(np.abs(others)) if len(others) else 0.0
    gain_v = _GAIN * max(low.typical_v, high.typical_v) if len(others) < _FEWEST_OTHERS else 0.0
    return max(rounding_v, others_v, gain_v)


def _mending(
    table: CellTable, rows: NDArray[np.intp], low: _Missed, high: _Missed, known: NDArray[np.bool_]
) -> list[tuple[int, int]]:
    """Give the exchanges (columns of the cell now in `low`, of that now in `high`) that mend both sums, best first."""
    volt = table.scans.volt[rows]
    left = []
    for one in table.members(low.module).tolist():
        for other in table.members(high.module).tolist():
            gain = volt[:, other] - volt[:, one]
            both = np.concatenate([_by_parts(low.miss_v[known] - gain), _by_parts(high.miss_v[known] + gain)])
            left.append((float(np.sqrt(np.mean(both**2))), one, other))
    left.sort()
    allowed = max(_LEFT_SHARE * (low.usual_v - high.usual_v) / 2, low.rounding_v)
    best = left[0][0]
    if best > allowed:
        return []
    as_good = best + max(low.rounding_v, high.rounding_v) / _ROUNDINGS
    return [(one, other) for rms, one, other in left if rms <= as_good]


def _exchanged(
    table: CellTable,
    low: _Missed,
    high: _Missed,
    pairs: list[tuple[int, int]],
    limit_v: float,
) -> Finding:
    one, other = (table.cells[column].channel for column in pairs[0])
    names = f"{printable(one.name)} and {printable(other.name)}"
    which = f"{names} exchanged mend both" if len(pairs) == 1 else f"{len(pairs)} exchanges mend both, best {names}"
    cells = (one.name, other.name) if len(pairs) == 1 else ()
    return Finding(
        code="map-suspect",
        severity=Severity.CAUTION,
        place=Place(module=low.module),
        value=(low.usual_v - high.usual_v) / 2,
        limit=limit_v,
        unit="V",
        from_ns=int(table.scans.time_ns[0]),
        to_ns=int(table.scans.time_ns[-1]),
        channels=(*cells, low.channel, high.channel),
        explanation=(
            f"the cells of module {low.module} add up to {low.usual_v:.3f} V less than measured, those of module "
            f"{high.module} to {-high.usual_v:.3f} V more, steadily: {which}. In the map two cells likely stand at "
            f"each other's place"
        ),
        source="common practice, no source",
    )
