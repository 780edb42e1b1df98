"""Medians of tables with gaps, the scatter around them, and a robust slope: textbook statistics over whole columns.

Values that are not there are NaN and are left out; where none is there the result is NaN.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

# A value stands out if 0.6745 * distance / MAD is above this: Iglewicz and Hoaglin, 'How to detect and handle
# outliers', 1993. 0.6745 makes the MAD of normal data one standard deviation.
STANDS_OUT_Z = 3.5
MAD_TO_SIGMA = 0.6745


def row_medians(table: NDArray[np.float64]) -> NDArray[np.float64]:
    """Give the median of each row (k) of a table (k x n)."""
    if table.shape[1] == 0:
        return np.full(len(table), np.nan)
    ordered = np.sort(table, axis=1)  # NaN go to the end
    count = np.count_nonzero(~np.isnan(ordered), axis=1)
    rows = np.arange(len(table))
    low, high = ordered[rows, np.maximum(count - 1, 0) // 2], ordered[rows, count // 2]
    return np.where(count > 0, (low + high) / 2, np.nan)


def column_medians(
    table: NDArray[np.float64], rows: NDArray[np.bool_], left_out: NDArray[np.bool_] | None = None
) -> NDArray[np.float64]:
    """Give the median of each column (n) over some rows of a table (k x n), single values `left_out` (k x n)."""
    chosen = np.flatnonzero(rows)
    medians = np.full(table.shape[1], np.nan)
    for column in range(table.shape[1]):
        values = table[chosen, column]
        kept = ~np.isnan(values) if left_out is None else ~(np.isnan(values) | left_out[chosen, column])
        if kept.any():
            medians[column] = np.median(values[kept])
    return medians


def median_of(values: NDArray[np.float64]) -> float:
    """Give the median of what is there; NaN where nothing is."""
    there = values[~np.isnan(values)]
    return float(np.median(there)) if len(there) else np.nan


def spread_of(values: NDArray[np.float64]) -> float:
    """Give the median distance from the median (MAD); NaN where nothing is there."""
    return median_of(np.abs(values - median_of(values)))


def slopes(at: NDArray[np.float64], table: NDArray[np.float64]) -> NDArray[np.float64]:
    """Give the slope of each column (n) over `at` (k): the median of the slopes of all pairs (Theil 1950, Sen 1968).

    For tables of some hundred rows at most: all pairs are formed.
    """
    first, second = np.triu_indices(len(at), 1)
    apart = at[second] - at[first]
    first, second, apart = first[apart != 0], second[apart != 0], apart[apart != 0]
    pairs = (table[second] - table[first]) / apart[:, None]
    return np.array([median_of(pairs[:, column]) for column in range(table.shape[1])])
