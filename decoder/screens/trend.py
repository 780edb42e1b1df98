"""Samples drawn small: the lowest and highest value in each of a number of time bins, and bars of eighths."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from decoder.channels import Series

_BARS: Final = np.array(list("▁▂▃▄▅▆▇█"))
FLAT: Final = "─"
EMPTY: Final = " "
# A trend fills its height when the value moves by so many raw steps; less is drawn less high.
_FULL_STEPS: Final = 4


def binned(series: Series, from_ns: int, to_ns: int, count: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Give lowest and highest value (quantity's unit) in `count` equal bins of ``(from_ns, to_ns]``, NaN where none.

    Absent samples count for nothing.
    """
    before, last = series.index_at(from_ns), series.index_at(to_ns)
    first = 0 if before is None else before + 1
    nothing = np.full(count, np.nan)
    if last is None or last < first or to_ns <= from_ns:
        return nothing, nothing
    time_ns = np.maximum.accumulate(series.time_ns[first : last + 1])
    value = np.append(series.in_quantity_unit[first : last + 1], np.nan)
    edges = from_ns + np.arange(count + 1, dtype=np.int64) * ((to_ns - from_ns) / count)
    border = np.searchsorted(time_ns, edges, side="right")
    border[-1] = len(time_ns)
    starts = border[:-1]
    filled = border[1:] > starts
    low, high = np.fmin.reduceat(value, starts), np.fmax.reduceat(value, starts)
    low[~filled] = high[~filled] = np.nan
    # What follows the last filled bin reaches to the closing NaN, which fmin and fmax pass over.
    return low, high


def trend(series: Series, now_ns: int, window_s: float, width: int) -> str:
    """Draw the last `window_s` seconds up to `now_ns` in `width` characters, the newest at the right.

    A line where the value does not move, a gap where there is no sample.
    """
    if width <= 0:
        return ""
    low, high = binned(series, now_ns - int(window_s * 1e9), now_ns, width)
    middle = (low + high) / 2
    known = ~np.isnan(middle)
    if not known.any():
        return EMPTY * width
    bottom, top = float(np.min(low[known])), float(np.max(high[known]))
    if top <= bottom:
        return "".join(np.where(known, FLAT, EMPTY))
    step = abs(series.channel.signal.scale * (series.channel.factor or 1.0))
    missing = max(0.0, _FULL_STEPS * step - (top - bottom))
    bottom, top = bottom - missing / 2, top + missing / 2
    level = np.zeros(width, np.intp)
    level[known] = np.clip(((middle[known] - bottom) / (top - bottom) * 8).astype(np.intp), 0, 7)
    return "".join(np.where(known, _BARS[level], EMPTY))
