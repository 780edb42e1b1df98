"""Fewer points for a picture, so that every peak stays."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from decoder.channels import Series


def decimated(value: NDArray[np.float64], most: int) -> NDArray[np.intp]:
    """Choose samples to draw: of each run of samples the lowest and the highest, and the very first and last.

    Parameters
    ----------
    value : float64, n; NaN where there is none. A run without any value keeps one sample, so that the line breaks.
    most : at most so many samples are chosen (4 or more)

    Returns
    -------
    intp, rising indices
    """
    count = len(value)
    if count <= most:
        return np.arange(count)
    runs = max((most - 2) // 2, 1)
    run = np.arange(count) * runs // count
    order = np.lexsort((value, run))  # NaN comes last in its run
    first = np.searchsorted(run, np.arange(runs))
    known = np.add.reduceat(np.isfinite(value).astype(np.intp), first)
    highest = order[first + np.maximum(known - 1, 0)]
    return np.unique(np.concatenate(([0, count - 1], order[first], highest)))


def envelope(those: Sequence[Series], edges_ns: NDArray[np.int64]) -> NDArray[np.float64]:
    """Give lowest and highest value of each series between one edge and the next.

    Where a series has no sample in between, the one before counts, once it has begun and until it ends.

    Parameters
    ----------
    edges_ns : int64, bins + 1, rising

    Returns
    -------
    float64, 2 x series x bins, in the unit of the quantity; NaN where there is nothing
    """
    bins = len(edges_ns) - 1
    table = np.full((2, len(those), bins), np.nan)
    for number, series in enumerate(those):
        known = np.isfinite(series.in_quantity_unit)
        value = series.in_quantity_unit[known]
        if not len(value):
            continue
        time_ns = series.rising_ns[known]
        start = np.searchsorted(time_ns, edges_ns)
        start[-1] = len(value)
        filled = np.flatnonzero(np.diff(start))
        table[0, number, filled] = np.minimum.reduceat(value, start[filled])
        table[1, number, filled] = np.maximum.reduceat(value, start[filled])
        empty = np.setdiff1d(np.arange(bins), filled)
        empty = empty[(start[empty] > 0) & (edges_ns[empty] <= time_ns[-1])]
        table[:, number, empty] = value[start[empty] - 1]
    return table
