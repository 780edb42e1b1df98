"""How far each cell stands from the median cell, how that scatters among cells, and where it rests on the current."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from decoder.judgement.cells.medians import MAD_TO_SIGMA, median_of, row_medians, slopes, spread_of
from decoder.judgement.cells.phases import largest_a

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from decoder.judgement.cells.cell_table import CellTable

# A median of fewer cells than this says little of what is usual. Common practice, no source.
FEWEST_CELLS = 3
_FEWEST_IN_MODULE = 4
# Over the current, cells are compared in so many groups of scans of like current.
_GROUPS = 48
# The current must move by this share of its largest amount, and come so near to nothing, before a line over it says
# what is left without current. Common practice, no source.
_MOVES_SHARE = 0.2
_NEAR_SHARE = 0.5


def references(table: CellTable) -> list[NDArray[np.intp]]:
    """Give the groups of columns that are compared with their median: modules, and as one group the cells in none.

    A module of few cells is compared with the whole pack.
    """
    modules = [members for one in table.modules if len(members := table.members(one)) >= _FEWEST_IN_MODULE]
    inside = np.concatenate(modules) if modules else np.zeros(0, np.intp)
    return [*modules, np.setdiff1d(np.arange(len(table.cells)), inside)]


def deviations(table: CellTable) -> NDArray[np.float64]:
    """Give each cell's voltage minus that of the median cell of its module, else of the pack (V, k x cells).

    NaN where the cell, or more than half of those that it is compared with, are not in the scan.
    """
    volt = table.scans.volt
    apart = np.full(volt.shape, np.nan)
    *modules, others = references(table)
    for members in modules:
        apart[:, members] = volt[:, members] - _middle(volt[:, members])[:, None]
    if len(others):
        apart[:, others] = volt[:, others] - _middle(volt)[:, None]
    return apart


def scatter(offsets: NDArray[np.float64], table: CellTable) -> NDArray[np.float64]:
    """Give how much cells like this one usually stand apart (one standard deviation, cells).

    offsets : float64, cells, what is compared; NaN where not known

    That of its module or of the whole pack, whichever is more: the scatter of few cells is often small by chance.
    Never less than half a step of the reading: rounding alone has a MAD of a quarter of a step.
    """
    whole = spread_of(offsets)
    mad = np.full(len(offsets), whole)
    for members in references(table)[:-1]:
        mad[members] = np.fmax(whole, spread_of(offsets[members]))
    sigma: NDArray[np.float64] = np.fmax(np.nan_to_num(mad), table.step_v / 2) / MAD_TO_SIGMA
    return sigma


def without_current(
    apart: NDArray[np.float64], table: CellTable, left_out: NDArray[np.bool_]
) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
    """Give what stays of each cell's deviation where no current flows, from a line over the current, and how unsure.

    Parameters
    ----------
    apart : float64, k x cells, deviations (V)
    left_out : bool, k x cells, readings that do not count

    Returns
    -------
    (V, V) or None : cells each; ``None`` where the current does not tell. What is unsure is three standard errors of
        the line, and half of what follows the usual current: cells remember the current for some time.
    """
    rows = np.flatnonzero(table.scans.steady & np.isfinite(table.current_a))
    if len(rows) < _GROUPS:
        return None
    current_a = table.current_a[rows]
    largest = largest_a(table)
    groups = np.array_split(rows[np.argsort(current_a, kind="stable")], _GROUPS)
    at = np.array([np.median(table.current_a[group]) for group in groups])
    if np.ptp(at) < max(_MOVES_SHARE * largest, 1e-9) or np.abs(at).min() > _NEAR_SHARE * largest:
        return None
    values = np.full((_GROUPS, apart.shape[1]), np.nan)
    for number, group in enumerate(groups):
        for column in range(apart.shape[1]):
            values[number, column] = median_of(apart[group, column][~left_out[group, column]])
    ohm = slopes(at, values)
    rest = values - at[:, None] * ohm
    offset = np.array([median_of(rest[:, column]) for column in range(apart.shape[1])])
    sigma = np.array([spread_of(rest[:, column]) for column in range(apart.shape[1])]) / MAD_TO_SIGMA
    error = sigma * np.sqrt((1 + (at.mean() / at.std()) ** 2) / _GROUPS)
    return offset, 3 * error + 0.5 * np.abs(ohm * np.mean(current_a))


def _middle(volt: NDArray[np.float64]) -> NDArray[np.float64]:
    """Give the median of each scan, NaN where less than half of the cells, or too few, are there."""
    count = np.count_nonzero(~np.isnan(volt), axis=1)
    enough = (count >= FEWEST_CELLS) & (count * 2 >= volt.shape[1])
    return np.where(enough, row_medians(volt), np.nan)
