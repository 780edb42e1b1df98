"""Bits over time as strips: what a bit did within each column of time.

A bit that rests or moves slowly shows as bars, a counter as a comb, noise as one even tone.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.bits import Field, Payloads
from decoder.discovery.survey import rhythm

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from numpy.typing import NDArray

# Tones of a column.
LOW: Final = 0  # 0 for most of it
HIGH: Final = 1
BUSY: Final = 2  # came and went within it
SILENT: Final = 3  # nothing was heard

# A column without a frame shows what was last heard for as long as this many periods. Common practice, no source.
_HELD_PERIODS: Final = 3
# This many changes within a column, and it is neither 0 nor 1: the bit went and came back.
_BUSY_CHANGES: Final = 2


@dataclass(frozen=True, eq=False, slots=True)
class Strip:
    """Bits over one stretch of time.

    begin_ns, end_ns : the first and the last payload shown
    columns : how many columns of time
    each : every column is one payload; else all columns are equally long
    tones : bit number -> uint8, one tone a column
    """

    begin_ns: int
    end_ns: int
    columns: int
    each: bool
    tones: Mapping[int, NDArray[np.uint8]]


def strips(
    time_ns: NDArray[np.int64], data: NDArray[np.uint8], bits: Iterable[int], columns: int, close: int
) -> tuple[Strip, ...]:
    """Give the whole time as one strip and, where its columns hold several payloads, a close-up of its middle.

    time_ns, data : n payloads, n at least 1; where the clock went back they are put into its order
    bits : DBC numbers of the bits to show
    columns : columns of both strips together, with one between them
    close : columns of the close-up, one payload each; 0 for none
    """
    if (np.diff(time_ns) < 0).any():
        order = np.argsort(time_ns, kind="stable")
        time_ns, data = time_ns[order], data[order]
    wanted = tuple(bits)
    if not close or len(time_ns) <= columns:
        return (whole_time(time_ns, data, wanted, columns),)
    first = (len(time_ns) - close) // 2
    middle = slice(first, first + close)
    return whole_time(time_ns, data, wanted, columns - close - 1), in_a_row(time_ns[middle], data[middle], wanted)


def whole_time(time_ns: NDArray[np.int64], data: NDArray[np.uint8], bits: Iterable[int], columns: int) -> Strip:
    """Give the whole time in `columns` that are equally long; the payloads are in the order of their times."""
    payloads = Payloads(data)
    begin, end = int(time_ns[0]), int(time_ns[-1])
    # The last payload lasts as long as others usually did.
    usual = float(np.median(np.diff(time_ns))) if len(time_ns) > 1 else 0.0
    edges = begin + (np.arange(1, columns) * ((end - begin + usual) / columns)).astype(np.int64)
    until = np.concatenate((np.searchsorted(time_ns, edges), [len(time_ns)]))
    silent = _silent_columns(time_ns, until, np.concatenate(([begin], edges)))
    tones = {bit: _tones(payloads.field(Field(bit, 1)).astype(np.int64), until) for bit in bits}
    for row in tones.values():
        row[silent] = SILENT
    return Strip(begin, end, columns, each=False, tones=tones)


def in_a_row(time_ns: NDArray[np.int64], data: NDArray[np.uint8], bits: Iterable[int]) -> Strip:
    """Give some payloads that follow one another, one a column."""
    payloads = Payloads(data)
    tones = {bit: payloads.field(Field(bit, 1)).astype(np.uint8) for bit in bits}
    return Strip(int(time_ns[0]), int(time_ns[-1]), len(time_ns), each=True, tones=tones)


def _tones(bit: NDArray[np.int64], until: NDArray[np.intp]) -> NDArray[np.uint8]:
    """Give the tone of each column; column i ends before payload ``until[i]``, an empty one goes on as before."""
    begins = np.concatenate(([0], until[:-1]))
    count = until - begins
    ones = _sums(bit, begins, until)
    # A change counts for the column whose payload shows it, so none falls between two columns.
    changes = _sums(np.abs(np.diff(bit, prepend=bit[:1])), begins, until)
    last = bit[np.maximum(until - 1, 0)]
    tone = np.where(2 * ones == count, last, 2 * ones > count).astype(np.uint8)
    tone[changes >= _BUSY_CHANGES] = BUSY
    return tone


def _sums(values: NDArray[np.int64], begins: NDArray[np.intp], ends: NDArray[np.intp]) -> NDArray[np.int64]:
    total = np.concatenate(([0], np.cumsum(values)))
    return np.asarray(total[ends] - total[begins], np.int64)


def _silent_columns(
    time_ns: NDArray[np.int64], until: NDArray[np.intp], begins_ns: NDArray[np.int64]
) -> NDArray[np.bool_]:
    """Tell in which columns nothing was heard, nor shortly before."""
    period_ms, _, _ = rhythm(time_ns)
    if period_ms is None:
        return np.zeros(len(until), np.bool_)
    empty = np.diff(until, prepend=0) == 0
    heard_ns = time_ns[np.maximum(until - 1, 0)]
    return np.asarray(empty & (begins_ns - heard_ns > _HELD_PERIODS * period_ms * 1e6), np.bool_)
