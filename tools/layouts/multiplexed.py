"""Frames that say in each other what they carry: pages of cells, an index with one value, a page within a page."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.bits import Field
from decoder.discovery.proposal import Selector
from tools.layouts.contents import NUMBERS, fill, put_text
from tools.layouts.habits import pick
from tools.layouts.quantities import Coding, draw_coding
from tools.layouts.sheet import field_at

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tools.layouts.sheet import Sheet

CELL_BITS: Final = {12: 0.3, 13: 0.15, 14: 0.1, 16: 0.45}


def cell_coding(sheet: Sheet, bits: int) -> Coding:
    """Draw how cells are sent in so many bits; never signed."""
    return draw_coding(sheet.shape, bits, "cell voltage")


def put_cells(
    sheet: Sheet,
    first: int,
    end: int,
    first_cell: int,
    coding: Coding,
    under: Selector | None = None,
    rows: NDArray[np.bool_] | None = None,
    most: int = 8,
    slot: int | None = None,
) -> int:
    """Put as many cells as fit into the bytes, side by side or in slots of `slot` bits; give how many."""
    order = sheet.habits.byte_order
    slot = coding.bits if slot is None else slot
    count = min(most, 8 * (end - first) // slot)
    for number in range(count):
        raw = coding.raw(sheet.world, sheet.time_s, first_cell + number, sheet.habits.update_s, sheet.life)
        at = 8 * first + number * slot + (slot - coding.bits if order == "big" else 0)
        place = field_at(at, coding.bits, order)
        sheet.put(place, "number", sheet.available(raw, coding.bits), under, rows)
    return count


def put_joined(sheet: Sheet, first: int, end: int, sibling: int) -> None:
    """Put several cells into a frame that has siblings."""
    coding = cell_coding(sheet, pick(sheet.shape, CELL_BITS))
    slot = coding.bits if coding.bits % 4 == 0 or sheet.habits.packed else 16
    put_cells(sheet, first, end, 5 * sibling, coding, slot=slot)


def put_pages(sheet: Sheet, first: int, end: int, what: str) -> None:
    """Put a selector into the first byte or nibble, and three or four cells, numbers, or text under each value."""
    pages = int(sheet.shape.integers(3, 25) if what == "cells" else sheet.shape.integers(2, 7))
    selector, values = _selector(sheet, 8 * first, pages)
    begin = first + 1
    coding = cell_coding(sheet, pick(sheet.shape, CELL_BITS))
    slot = coding.bits if coding.bits % 4 == 0 or sheet.habits.packed else 16
    most = int(sheet.shape.choice([3, 4]))
    for number, value in enumerate(sorted(set(values.tolist()))):
        rows, under = values == value, Selector(selector, int(value))
        if what == "cells":
            put_cells(sheet, begin, end, most * number, coding, under, rows, most, slot)
        elif what == "text":
            put_text(sheet, begin, end, under, rows)
        else:
            fill(sheet, begin, end, NUMBERS, under, rows)


def put_indexed(sheet: Sheet, first: int, end: int) -> None:
    """Put an index byte and one value beside it; the first indexes mean pack voltage, highest and lowest cell."""
    cells = int(sheet.shape.integers(12, 100))
    leading = int(sheet.shape.choice([0, 1, 3]))
    selector, index = _selector(sheet, 8 * first, cells + leading, whole_byte=True)
    bits = pick(sheet.shape, {12: 0.2, 13: 0.4, 16: 0.4})
    coding = cell_coding(sheet, bits)
    begin = first + 1 + int(sheet.shape.random() < 0.3)
    order = sheet.habits.byte_order
    if begin + 2 > end:
        return
    scan = [sheet.world.pack_v(sheet.time_s) * 4, sheet.world.cell_v(7, sheet.time_s) / coding.step]
    raw = np.zeros(len(sheet.time_s), np.int64)
    start = int(index.min())
    for number in range(cells + leading):
        rows = index == start + number
        if number < leading:
            raw[rows] = scan[min(number, 1)][rows].astype(np.int64) & ((1 << bits) - 1)
        elif rows.any():
            raw[rows] = coding.raw(sheet.world, sheet.time_s[rows], number, sheet.habits.update_s, sheet.life)
    at = 8 * begin + (16 - bits if order == "big" else 0)
    sheet.put(field_at(at, bits, order), "number", sheet.available(raw, bits), Selector(selector, None))
    if begin + 3 <= end and sheet.shape.random() < 0.3:
        fill(sheet, begin + 2, end, {"gap": 0.5, "flags": 0.2, "states": 0.3})


def put_nested(sheet: Sheet, first: int, end: int) -> None:
    """Put the module into one byte and the page into the next; the first module's number 0 is a summary."""
    modules, pages = int(sheet.shape.integers(2, 5)), int(sheet.shape.integers(2, 5))
    n = np.arange(len(sheet.time_s))
    outer_field = Field(8 * first, 8)
    inner_field = Field(8 * (first + 1), pick(sheet.shape, {4: 0.5, 8: 0.5}))
    turn = n % (1 + modules * pages)
    outer = np.where(turn == 0, 0, 1 + (turn - 1) // pages)
    inner = (turn - 1) % pages
    sheet.put(outer_field, "multiplexor", outer)
    fill(sheet, first + 1, end, NUMBERS, Selector(outer_field, 0), outer == 0)
    coding = cell_coding(sheet, pick(sheet.shape, {12: 0.4, 16: 0.6}))
    most = int(sheet.shape.choice([3, 4]))
    for module in range(1, modules + 1):
        within = Selector(outer_field, module)
        sheet.put(inner_field, "multiplexor", inner, within, outer == module)
        for page in range(pages):
            rows = (outer == module) & (inner == page)
            cell = (module * pages + page) * most
            put_cells(sheet, first + 2, end, cell, coding, Selector(inner_field, page, within), rows, most)


def _selector(sheet: Sheet, at: int, count: int, *, whole_byte: bool = False) -> tuple[Field, NDArray[np.int64]]:
    """Put a selector of `count` values: cyclic or irregular, from 0 or 1, in a byte or a nibble."""
    base = int(sheet.shape.random() < 0.4)
    if whole_byte or count + base > 16 or sheet.shape.random() < 0.55:
        selector = Field(at, 8)
    else:
        selector = Field(at + 4 * int(sheet.shape.random() < 0.5), 4)
    n = len(sheet.time_s)
    if sheet.shape.random() < 0.75:
        values = np.arange(n) % count
    elif sheet.shape.random() < 0.5:  # a turn that leaves some out and repeats others
        turn = sheet.shape.integers(0, count, count + int(sheet.shape.integers(0, count)))
        values = turn[np.arange(n) % len(turn)]
    else:  # as events come
        values = sheet.life.integers(0, count, n)
    values = values + base
    sheet.put(selector, "multiplexor", values)
    return selector, values
