"""Fields that may be members of one array: alike in length and byte order, at even strides, close in value.

A grid is told from usual values and from which bits move. Many grids overlap; which of them is an array is decided
later.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from decoder.discovery.physics.containers import in_bytes
from decoder.discovery.physics.levels import LENGTHS, ORDERS, Scan

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from decoder.bits import ByteOrder
    from decoder.discovery.field_at import FieldAt
    from decoder.discovery.physics.containers import Family
    from decoder.discovery.physics.levels import Bits, Levels

FEWEST: Final = 4  # members
MOST: Final = 420
_STRIDES: Final = (*range(6, 41), 48, 64)  # bits
_PEAK_LOG2: Final = 0.06  # half as wide as values of a sound array usually lie apart
_TOLERANCE_LOG2: Final = 0.3  # how far the odd member may be off
_PEAKS: Final = 8  # that are tried in one family, length and byte order
_KEPT: Final = 4  # grids of each peak
_FAR: Final = 2  # times the usual step from one identifier or page to the next: another array begins
_MOSTLY: Final = 0.3  # of the members: a bit above so many that varies, and is no member's, belongs to the number
_AS_OTHERS: Final = 0.5  # as often as any of its other bits, a number's lowest bit varies at least
_AS_THE_LOWEST: Final = 0.6  # as often as the lowest bit, one below it may vary that is no part of the number
_FILLING: Final = 8  # ones side by side at the top
_NEIGHBOURS: Final = 9  # members
_FULL: Final = 0.8  # of the containers have fewer members than what counts as full, at most
_FEWEST_OF_A_SLOT: Final = 4
_ALIKE_WORTH: Final = 0.6
_ALIKE_BITS: Final = 3.0
_ALIKE_MOVED: Final = 0.25
_LEAST_BITS: Final = 1.5  # that a member's closeness must be worth


@dataclass(frozen=True, slots=True)
class Grid:
    """Slots of a family.

    first, stride : bits
    cells : container and slot of each member, in order
    level : log2 of the usual value
    gain : bits that closeness saves for each member, less what chance would
    """

    family: Family
    byte_order: ByteOrder
    length: int
    first: int
    stride: int
    cells: tuple[tuple[int, int], ...]
    level: float
    gain: float

    def field_of(self, container: int, slot: int) -> FieldAt:
        """Name one slot."""
        one = self.family.containers[container]
        return one.at(in_bytes(self.byte_order, self.first + self.stride * slot, self.length))

    @property
    def fields(self) -> tuple[FieldAt, ...]:
        """Name the members, in order."""
        return tuple(self.field_of(container, slot) for container, slot in self.cells)


def grids_of(family: Family) -> Iterator[Grid]:
    """Give the grids of a family that have members enough."""
    scan = Scan(family)
    for byte_order in ORDERS:
        for length in LENGTHS:
            levels = scan.levels(byte_order, length)
            for level in _peaks(levels.log2):
                near = np.abs(levels.log2 - level) <= _TOLERANCE_LOG2
                yield from _of_level(scan, levels, near, level)


def _peaks(log2: NDArray[np.float64]) -> Iterator[float]:
    """Give the values round which most others lie close, the most crowded first."""
    values = np.sort(log2[np.isfinite(log2)])
    for _ in range(_PEAKS):
        if len(values) < FEWEST:
            return
        begin = np.searchsorted(values, values - _PEAK_LOG2)
        end = np.searchsorted(values, values + _PEAK_LOG2, side="right")
        at = int((end - begin).argmax())
        if end[at] - begin[at] < FEWEST:
            return
        yield float(np.median(values[begin[at] : end[at]]))
        values = np.concatenate((values[: begin[at]], values[end[at] :]))


def _of_level(scan: Scan, levels: Levels, near: NDArray[np.bool_], level: float) -> Iterator[Grid]:
    """Give the grids with most members among fields near one level."""
    best: list[tuple[int, int, int]] = []
    for stride in _STRIDES:
        if stride < levels.length or stride >= near.shape[1]:
            continue
        members = _run_lengths(near, stride).sum(axis=0)
        best += [
            (int(members[first]), stride, int(first))
            for first in np.argsort(-members)[:_KEPT].tolist()
            if members[first] >= FEWEST
        ]
    best.sort(key=lambda one: (-one[0], one[1]))
    for _, stride, first in best[: 2 * _KEPT]:
        for cells in _runs(scan.numbers, near[:, first::stride]):
            gain = _gain(scan, levels, cells, first, stride) if len(cells) <= MOST else 0.0
            if gain >= _LEAST_BITS:
                yield Grid(scan.family, levels.byte_order, levels.length, first, stride, tuple(cells), level, gain)


def _run_lengths(near: NDArray[np.bool_], stride: int) -> NDArray[np.int64]:
    """Count, for each container and position, the fields near the level from there on at even strides."""
    count = near.astype(np.int64)
    for begin in range(near.shape[1] - 2 * stride, -stride, -stride):
        here = slice(max(begin, 0), begin + stride)
        count[:, here] *= 1 + count[:, here.start + stride : here.stop + stride]
    return count


def _runs(numbers: NDArray[np.int64], columns: NDArray[np.bool_]) -> Iterator[list[tuple[int, int]]]:
    """Give members, split where identifiers or pages no longer follow one another.

    columns : containers x slots, which are near the level
    """
    count = np.cumprod(columns, axis=1).sum(axis=1)
    for some in _following(numbers, np.flatnonzero(count > 0)):
        slots = int(np.quantile(count[some], _FULL, method="higher"))
        cells = [(int(one), slot) for one in some.tolist() for slot in range(slots) if columns[one, slot]]
        if len(cells) >= FEWEST:
            yield cells


def _following(all_numbers: NDArray[np.int64], here: NDArray[np.intp]) -> Iterator[NDArray[np.intp]]:
    if len(here) < 2:
        yield here
        return
    steps = np.diff(all_numbers[here], axis=0)
    apart = np.zeros(len(steps), np.bool_)
    for column in range(steps.shape[1]):
        # An outer number that goes on starts the inner ones anew.
        outer = (steps[:, :column] != 0).any(axis=1)
        moved = (steps[:, column] != 0) & ~outer
        if moved.any():
            usual, counts = np.unique(np.abs(steps[moved, column]), return_counts=True)
            apart |= moved & (np.abs(steps[:, column]) > _FAR * int(usual[counts.argmax()]))
    yield from np.split(here, np.flatnonzero(apart) + 1)


def _gain(scan: Scan, levels: Levels, cells: Sequence[tuple[int, int]], first: int, stride: int) -> float:
    """Give the bits that closeness is worth for each member; none where the bits beside say that the cut is wrong."""
    which = np.array(cells, np.intp)
    container, begin = which[:, 0], first + stride * which[:, 1]
    bits, length = scan.of_order[levels.byte_order], levels.length
    low, top, step = (
        (begin, begin + length - 1, -1) if levels.byte_order == "little" else (begin + length - 1, begin, 1)
    )
    varying = _varies(bits, container, low).mean()
    above = max(_varies(bits, container, low - step * up).mean() for up in range(1, length))
    if not varying or varying < _AS_OTHERS * above:
        return 0.0  # always even, or always odd, or always the same in several lower bits
    members = np.zeros((len(scan.numbers), int(which[:, 1].max()) + 3), np.bool_)
    members[container, which[:, 1] + 1] = True
    for beside, most in ((low + step, _AS_THE_LOWEST * varying), (top - step, _MOSTLY)):
        inside = (beside >= 0) & (beside < scan.bits)
        at = np.clip(beside, 0, scan.bits - 1)
        slot, into = np.divmod(beside - first, stride)
        own = (into < length) & members[container, np.clip(slot + 1, 0, members.shape[1] - 1)]
        loose = inside & ~bits.closed[container, at] & ~own
        if (loose & _varies(bits, container, at)).mean() > most:
            return 0.0
    values = 2 ** levels.log2[container, begin]
    if not _slots_alike(which[:, 1], _varies(bits, container, low), values, length):
        return 0.0
    return worth(values, length)


def _slots_alike(slot: NDArray[np.intp], varies: NDArray[np.bool_], values: NDArray[np.float64], length: int) -> bool:
    """Tell whether the slots are alike: what two unlike slots show, cut at a wrong place, is no row of like fields."""
    slots, counts = np.unique(slot, return_counts=True)
    known = slots[counts >= _FEWEST_OF_A_SLOT]
    if len(known) < 2:
        return True
    usual = float(np.median(values))
    saved = np.log2(float(_told(np.array(usual), length)) / (2 * np.abs(values - usual) + 1))
    worths = [float(saved[slot == one].mean()) for one in known.tolist()]
    moved = [float(varies[slot == one].mean()) for one in known.tolist()]
    alike = min(worths) >= min(_ALIKE_WORTH * max(worths), max(worths) - _ALIKE_BITS)
    return alike and min(moved) >= _ALIKE_MOVED * max(moved)


def worth(values: NDArray[np.float64], length: int) -> float:
    """Give the bits a member that are saved by telling raw values by their distance from the others.

    values : the last axis are the members, in order; length : bits of a field
    """
    usual = np.median(values, axis=-1, keepdims=True)
    off = np.abs(values - usual)
    if values.shape[-1] >= 2 * _NEIGHBOURS:  # one module may lie apart from the others
        wide = [(0, 0)] * (values.ndim - 1) + [(_NEIGHBOURS // 2, _NEIGHBOURS // 2)]
        around = sliding_window_view(np.pad(values, wide, mode="edge"), _NEIGHBOURS, axis=-1)
        off = np.minimum(off, np.abs(values - np.median(around, axis=-1)))
    return float(np.log2(_told(usual, length) / (2 * off + 1)).mean())


def _told(usual: NDArray[np.float64], length: int) -> NDArray[np.float64]:
    """Give values without the ones at the top of their field, where many stand there: they fill what is no number."""
    number = np.maximum(usual, 1).astype(np.int64)
    zeros = ((1 << length) - 1) ^ number
    below = np.floor(np.log2(np.maximum(zeros, 1))).astype(np.int64) + (zeros > 0)
    filled = length - below >= _FILLING
    return np.where(filled, np.maximum(number & ((1 << below) - 1), 1), number).astype(np.float64)


def _varies(bits: Bits, container: NDArray[np.intp], at: NDArray[np.intp]) -> NDArray[np.bool_]:
    """Tell for which members a bit is not the same throughout, or not the same as for most."""
    at = np.minimum(np.maximum(at, 0), bits.ones.shape[1] - 1)
    ones = bits.ones[container, at] > 0.5
    mostly = 2 * int(np.count_nonzero(ones)) > len(ones)
    return np.asarray(bits.moving[container, at] | (ones != mostly))
