"""All cells of a pack side by side, scan by scan, with the current: what the judgements of cells begin from."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from decoder.channels.states import STALE_CYCLES
from decoder.judgement.cells.instants import Scans, scans

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from decoder.channels import Channels, Series

_FEWEST_CELLS = 2
# Correlation of the steps of current and of the median cell from which on it is clear which way the current counts.
# Common practice, no source.
_CLEAR = 0.5
_FEWEST_MOVES = 20


@dataclass(frozen=True, slots=True, eq=False)
class CellTable:
    """Cells in the order of their places.

    scans : `Scans`, k x cells, V
    current : the channel of the pack current as the map has it; ``None`` where there is none
    sign : 1 where it counts positive while discharging, -1 where it counts the other way
    current_a : float64, k, the current at the end of each scan (A), positive while discharging; NaN where not known
    step_v : float64, cells, what one step of each cell's raw value is worth (V)
    module : int64, cells, the module of each; 0 where nothing says
    """

    cells: tuple[Series, ...]
    scans: Scans
    current: Series | None
    sign: int
    current_a: NDArray[np.float64]
    step_v: NDArray[np.float64]
    module: NDArray[np.int64]

    def members(self, module: int) -> NDArray[np.intp]:
        """Give the columns of a module's cells."""
        return np.flatnonzero(self.module == module)

    @property
    def modules(self) -> tuple[int, ...]:
        """The modules with two cells or more."""
        numbers, counts = np.unique(self.module[self.module > 0], return_counts=True)
        return tuple(numbers[counts >= _FEWEST_CELLS].tolist())


def cell_table(channels: Channels) -> CellTable | None:
    """Line up all cells; ``None`` where there are fewer than two, or too few samples of them."""
    cells = tuple(series for series in channels.one_a_place("cell voltage") if series.present)
    current = next((one for one in channels.of("pack current") if one.present), None)
    table = scans(cells, current) if len(cells) >= _FEWEST_CELLS else None
    if table is None:
        return None
    current_a = at_times(current, table.time_ns)
    said = -1 if channels.sheet is not None and channels.sheet.current_positive == "charge" else 1
    sign = _sign_seen(current_a, table.volt) or said
    return CellTable(
        cells,
        table,
        current,
        sign,
        sign * current_a,
        np.array([step_of(one) for one in cells]),
        np.array([one.channel.place.module or 0 for one in cells], np.int64),
    )


def _sign_seen(current_a: NDArray[np.float64], volt: NDArray[np.float64]) -> int:
    """Tell from the cells which way the current counts: they give way while it discharges them; 0 where not clear."""
    known = np.isfinite(volt).any(axis=1) & np.isfinite(current_a)
    if np.count_nonzero(known) < _FEWEST_MOVES:
        return 0
    current_step, volt_step = np.diff(current_a[known]), np.diff(np.nanmedian(volt[known], axis=1))
    with np.errstate(over="ignore"):  # a float that is no current may say 1e300
        size = float(np.sqrt((current_step**2).sum() * (volt_step**2).sum()))
    if not 0 < size < np.inf:
        return 0
    product = current_step * volt_step
    if abs(product.sum()) < _CLEAR * size:
        return 0
    return 1 if product.sum() < 0 else -1


def step_of(series: Series) -> float:
    """Give what one step of the raw value is worth, in the unit of the quantity."""
    return abs(series.channel.signal.scale * (series.channel.factor or 1.0))


def at_times(series: Series | None, time_ns: NDArray[np.int64]) -> NDArray[np.float64]:
    """Give the latest value at each time, in the unit of the quantity; NaN before the first and where there is none."""
    if series is None or not len(series):
        return np.full(len(time_ns), np.nan)
    index = np.searchsorted(series.rising_ns, time_ns, side="right") - 1
    value = series.in_quantity_unit[np.maximum(index, 0)]
    return np.where(index >= 0, value, np.nan)


def beside(series: Series, time_ns: NDArray[np.int64]) -> NDArray[np.float64]:
    """Give the last value up to each time and the first after it (2 x k); NaN where it is stale or there is none."""
    rising_ns = series.rising_ns
    after = np.searchsorted(rising_ns, time_ns, side="right")
    oldest_ns = (series.cycle_s or np.inf) * STALE_CYCLES * 1e9
    both = np.full((2, len(time_ns)), np.nan)
    for row, index in enumerate((after - 1, after)):
        inside = np.clip(index, 0, len(series) - 1)
        fresh = (index == inside) & (np.abs(time_ns - rising_ns[inside]) <= oldest_ns)
        both[row, fresh] = series.in_quantity_unit[inside[fresh]]
    return both
