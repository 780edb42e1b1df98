"""The history of a channel as a picture of dots, with limits, axis labels and the moment shown."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.channels.states import STALE_CYCLES
from decoder.screens.symbols import digits_of, number_words, time_words
from decoder.screens.trend import binned

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from decoder.channels import Series
    from decoder.channels.series import Limit

# Braille patterns (Unicode 2800..28FF): bit of each dot, by row and column.
_DOTS: Final = np.array([[0x01, 0x08], [0x02, 0x10], [0x04, 0x20], [0x40, 0x80]], np.uint16)
_BLANK: Final = 0x2800
LIMIT_LINE: Final = "╌"
NOW_LINE: Final = "┊"
# A limit is drawn if it lies within this many heights of the values.
_NEAR: Final = 1.0


@dataclass(frozen=True, slots=True)
class Plot:
    """A picture: text lines of the field, a label before each, the time axis below.

    A limit that lies far outside is not drawn, so that the values keep their height.
    """

    lines: tuple[str, ...]
    labels: tuple[str, ...]
    axis: str


def plot(series: Series, from_ns: int, to_ns: int, now_ns: int, first_ns: int, size: tuple[int, int]) -> Plot:
    """Draw ``(from_ns, to_ns]`` in `size` = width x height characters; times are told from `first_ns`."""
    width, height = max(size[0], 4), max(size[1], 2)
    low, high = binned(series, from_ns, to_ns, 2 * width)
    axis = _axis(from_ns, to_ns, first_ns, width)
    known = ~np.isnan(low)
    if not known.any():
        blank = "no sample with a value in this time"[:width].center(width)
        lines = tuple(blank if row == height // 2 else " " * width for row in range(height))
        return Plot(lines, ("",) * height, axis)
    limits = [(way, limit) for way, limit in (("▼", series.channel.low), ("▲", series.channel.high)) if limit]
    bottom, top = _range(series, float(np.nanmin(low)), float(np.nanmax(high)), [limit for _, limit in limits])
    low, high = _held(series, low, high, (to_ns - from_ns) / (2 * width))
    field = _braille(low, high, bottom, top, (width, height))
    labels = [""] * height
    digits = digits_of(series.channel)
    labels[0], labels[-1] = number_words(top, digits), number_words(bottom, digits)
    for way, limit in limits:
        value = in_quantity_unit(series, limit.value)
        if bottom <= value <= top:
            row = _row(value, bottom, top, height)
            labels[row] = f"{way} {number_words(value, digits)}"
            field[row][field[row] == " "] = LIMIT_LINE
    if from_ns < now_ns <= to_ns:
        column = min(int((now_ns - from_ns) / (to_ns - from_ns) * width), width - 1)
        field[:, column] = np.where(np.isin(field[:, column], [" ", LIMIT_LINE]), NOW_LINE, field[:, column])
    return Plot(tuple("".join(row) for row in field), tuple(labels), axis)


def in_quantity_unit(series: Series, value: float) -> float:
    """Turn a limit, in the channel's own unit, into the unit that the screens show."""
    factor, shift = series.channel.factor, series.channel.shift
    return value if factor is None or shift is None else value * factor + shift


def _range(series: Series, lowest: float, highest: float, limits: list[Limit]) -> tuple[float, float]:
    """Give the values at the bottom and top of the picture; limits that are near lie within."""
    step = abs(series.channel.signal.scale * (series.channel.factor or 1.0)) or 1.0
    room = max(highest - lowest, 4 * step)
    bottom, top = lowest - max(step, 0.05 * room), highest + max(step, 0.05 * room)
    for limit in limits:
        value = in_quantity_unit(series, limit.value)
        if lowest - _NEAR * room <= value <= highest + _NEAR * room:
            bottom, top = min(bottom, value - step), max(top, value + step)
    return bottom, top


def _held(
    series: Series, low: NDArray[np.float64], high: NDArray[np.float64], bin_ns: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Hold a value over empty bins until it would be stale, and join neighbours so that the line is whole."""
    number = np.arange(len(low))
    last = np.maximum.accumulate(np.where(np.isnan(low), -1, number))
    reach = (series.cycle_s or 0.0) * STALE_CYCLES * 1e9 / max(bin_ns, 1.0)
    held = np.isnan(low) & (last >= 0) & (number - last <= reach)
    low, high = low.copy(), high.copy()
    low[held], high[held] = low[last[held]], high[last[held]]
    before_low, before_high = np.roll(low, 1), np.roll(high, 1)
    before_low[0] = before_high[0] = np.nan
    # Reach up or down to the bin before, so that a step is a line and not two dots.
    return np.fmin(low, np.where(before_high < low, before_high, low)), np.fmax(
        high, np.where(before_low > high, before_low, high)
    )


def _row(value: float, bottom: float, top: float, rows: int) -> int:
    """Give the row of a value, counted from the top."""
    return min(max(int((top - value) / (top - bottom) * rows), 0), rows - 1)


def _braille(
    low: NDArray[np.float64], high: NDArray[np.float64], bottom: float, top: float, size: tuple[int, int]
) -> NDArray[np.str_]:
    width, height = size
    rows = 4 * height
    known = ~np.isnan(low)
    scale = rows / (top - bottom)
    upper = np.zeros(len(high), np.intp)
    lower = np.full(len(low), -1, np.intp)
    upper[known] = np.clip(((top - high[known]) * scale).astype(np.intp), 0, rows - 1)
    lower[known] = np.clip(((top - low[known]) * scale).astype(np.intp), 0, rows - 1)
    row = np.arange(rows)[:, None]
    dots = (row >= upper) & (row <= lower) & known
    cells = dots.reshape(height, 4, width, 2)
    code = np.einsum("hrwc,rc->hw", cells.astype(np.uint16), _DOTS)
    text = np.array([chr(_BLANK + bits) if bits else " " for bits in code.ravel()])
    return text.reshape(height, width)


def _axis(from_ns: int, to_ns: int, first_ns: int, width: int) -> str:
    """Write the times at both ends and, where there is room, in the middle."""
    left, middle, right = (time_words((time - first_ns) / 1e9) for time in (from_ns, (from_ns + to_ns) // 2, to_ns))
    room = width - len(left) - len(right)
    if room < len(middle) + 4:
        return left + " " * max(room, 1) + right
    start = width // 2 - len(middle) // 2
    return (left.ljust(start) + middle).ljust(width - len(right)) + right
