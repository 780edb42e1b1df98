"""Cells in frames, in all the ways that real packs carry them: joined, paged, indexed, nested."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.bits import Field
from decoder.discovery.field_at import FieldAt
from decoder.discovery.proposal import Selector
from decoder.maps.pack_sheet import Place
from tools.layouts.habits import pick
from tools.packs.pack import Source
from tools.packs.scales import Coding, draw_coding
from tools.packs.truth import TrueChannel

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from tools.packs.message import Maker, Message
    from tools.packs.pack import Pack

    Array = NDArray[np.float64]

CELL_BITS: Final = {8: 1.2, 9: 0.2, 10: 0.6, 12: 3.0, 13: 1.2, 14: 1.0, 16: 5.0}
JOINED_S: Final = {0.02: 0.1, 0.05: 0.2, 0.1: 0.4, 0.2: 0.15, 0.5: 0.15}
SPREAD_S: Final = (0.0008, 0.012)  # between two frames of one scan
LONGEST_TURN_S: Final = 3.0
FREEZES: Final = 0.6  # controllers that send one scan in all frames of a turn
BY_MODULE: Final = 0.5  # layouts in which each module begins anew


def place_of_cell(pack: Pack, cell: int) -> Place:
    """Give module and cell of a cell counted through the pack from 0."""
    for module, cells in enumerate(pack.cells_per_module, start=1):
        if cell < cells:
            return Place(module, cell + 1)
        cell -= cells
    raise ValueError("no such cell")


def pages_of(pack: Pack, room: int, *, by_module: bool) -> list[list[int]]:
    """Give which cells stand together, `room` at most."""
    groups = [list(range(pack.cells))]
    if by_module:
        ends = np.cumsum(pack.cells_per_module)[:-1]
        groups = [part.tolist() for part in np.split(np.arange(pack.cells), ends)]
    return [group[at : at + room] for group in groups for at in range(0, len(group), room)]


def slot_of(maker: Maker, coding: Coding) -> int:
    """Give how many bits a number takes: as many as it has where they are packed, else whole nibbles or bytes."""
    packed = maker.habits.packed or coding.bits in {8, 12, 16}
    return coding.bits if packed else -(-coding.bits // 8) * 8


def position(maker: Maker, first: int, number: int, slot: int, bits: int) -> int:
    """Give where a number stands: at the right of its slot."""
    pad = slot - bits if maker.habits.byte_order == "big" else 0
    return 8 * first + number * slot + pad


def draw_cell_coding(maker: Maker, bits: dict[int, float] | None = None) -> Coding:
    """Draw how the cells are sent."""
    return draw_coding(maker.rng, "cell voltage", maker.controller.pack, natural=maker.natural, bits=bits or CELL_BITS)


def put_joined(maker: Maker, copy: bool) -> str:  # noqa: FBT001
    """Put several cells a frame into consecutive identifiers, all sent shortly after each other."""
    pack, rng = maker.controller.pack, maker.rng
    coding = draw_cell_coding(maker)
    slot, shape_seed = slot_of(maker, coding), maker.seed()
    trial = maker.message(0, np.zeros(1), shape_seed=shape_seed)
    maker.messages.pop()
    plan = trial.plan()
    room = 8 * (plan.end - plan.first) // slot
    pages = pages_of(pack, room, by_module=rng.random() < BY_MODULE)
    cycle_s = maker.times(max(pick(rng, JOINED_S), len(pages) * SPREAD_S[0] * 1.5))
    gap_s = min(rng.uniform(*SPREAD_S), 0.5 / len(pages), 0.8 * float(np.median(np.diff(cycle_s))) / len(pages))
    array = maker.array()
    for number, (can_id, cells) in enumerate(zip(maker.ids.take(len(pages)), pages, strict=True)):
        message = maker.message(can_id, cycle_s + number * gap_s, shape_seed=shape_seed)
        plan = message.plan()
        for slot_number, cell in enumerate(cells):
            at = position(maker, plan.first, slot_number, slot, coding.bits)
            put_cell(message, at, coding, cell, array, copy, cycle_s)
        message.end(plan)
    return f"joined, {coding.bits} bits"


def put_cell(
    message: Message,
    at: int,
    coding: Coding,
    cell: int,
    array: int,
    copy: bool,  # noqa: FBT001
    taken_s: Array | None,
    under: Selector | None = None,
    rows: NDArray[np.bool_] | None = None,
) -> None:
    """Put one cell."""
    message.put(
        at,
        coding,
        Source("cell", cell),
        "cell voltage",
        taken_s=taken_s,
        under=under,
        rows=rows,
        place=place_of_cell(message.maker.controller.pack, cell),
        array=array,
        order=cell + 1,
        decoy="copy of the cells" if copy else "",
    )


def put_pages(maker: Maker, copy: bool) -> str:  # noqa: FBT001
    """Put a multiplexor into the first byte, and three or four cells under each of its values."""
    rng = maker.rng
    coding = draw_cell_coding(maker, {12: 3, 13: 0.8, 14: 0.8, 16: 5})
    slot = slot_of(maker, coding)
    most = min(int(rng.choice([3, 4])), 56 // slot)
    pages = pages_of(maker.controller.pack, most, by_module=rng.random() < BY_MODULE)
    base = int(rng.random() < 0.4)
    narrow = len(pages) + base <= 16 and rng.random() < 0.4
    selector = Field(4 * int(rng.random() < 0.5), 4) if narrow else Field(0, 8)
    sent_s, turn, taken_s = _turns(maker, len(pages))
    message = maker.message(maker.ids.take(1)[0], sent_s, shape_seed=maker.seed())
    _put_selector(message, selector, turn + base)
    array = maker.array()
    for page, cells in enumerate(pages):
        rows, under = turn == page, Selector(selector, page + base)
        for number, cell in enumerate(cells):
            at = position(maker, 1, number, slot, coding.bits)
            put_cell(message, at, coding, cell, array, copy, taken_s, under, rows)
    return f"paged, {most} x {coding.bits} bits"


def put_indexed(maker: Maker, copy: bool) -> str:  # noqa: FBT001
    """Put an index byte and one value; the first indexes may mean pack voltage, highest and lowest cell."""
    rng, pack = maker.rng, maker.controller.pack
    coding = draw_cell_coding(maker, {12: 2, 13: 4, 16: 4})
    leading = int(rng.choice([0, 1, 3]))
    base = int(rng.integers(0, 2))
    order = maker.habits.byte_order
    sent_s, turn, taken_s = _turns(maker, pack.cells + leading)
    message = maker.message(maker.ids.take(1)[0], sent_s, shape_seed=maker.seed())
    selector = Field(0, 8)
    _put_selector(message, selector, turn + base)
    at = 8 * int(rng.integers(1, 3)) + (16 - coding.bits if order == "big" else 0)
    array = maker.array()
    summary = ("pack voltage", "highest cell", "lowest cell")[:leading]
    pack_step = next(
        step for step in (0.01, 0.1, 0.125, 0.25, 0.5) if step * ((1 << coding.bits) - 3) > 4.3 * pack.cells
    )
    for number, name in enumerate(summary):
        rows, under = turn == number, Selector(selector, number + base)
        own = coding if number else Coding("V", coding.bits, pack_step)
        quantity = "cell voltage" if number else "pack voltage"
        decoy = name if number else ""
        message.put(at, own, Source(name), quantity, taken_s=taken_s, under=under, rows=rows, decoy=decoy)
    for cell in range(pack.cells):
        index = cell + leading
        put_cell(message, at, coding, cell, array, copy, taken_s, Selector(selector, index + base), turn == index)
    return f"indexed, {coding.bits} bits"


def put_nested(maker: Maker, copy: bool) -> str:  # noqa: FBT001
    """Put the module into one byte and the page into the next; the first module's number may be a summary."""
    rng, pack = maker.rng, maker.controller.pack
    coding = draw_cell_coding(maker, {12: 4, 16: 6})
    most = min(int(rng.choice([3, 4])), 48 // coding.bits)
    outer, inner = Field(0, 8), Field(8, pick(rng, {4: 0.5, 8: 0.5}))
    pages = [
        (module, page, cells)
        for module, size in enumerate(pack.cells_per_module, start=1)
        for page, cells in enumerate(_chunks(pack, module, size, most))
    ]
    summary = int(rng.random() < 0.5)
    sent_s, turn, taken_s = _turns(maker, len(pages) + summary)
    message = maker.message(maker.ids.take(1)[0], sent_s, shape_seed=maker.seed())
    modules = np.array([0] * summary + [module for module, _, _ in pages])
    numbers = np.array([0] * summary + [page for _, page, _ in pages])
    _put_selector(message, outer, modules[turn])
    _put_selector(message, inner, numbers[turn], nested=True)
    if summary:
        rows, under = turn == 0, Selector(outer, 0)
        for number, name in enumerate(("highest cell", "lowest cell", "average cell")):
            at = position(maker, 2, number, coding.bits, coding.bits)
            message.put(at, coding, Source(name), "cell voltage", taken_s=taken_s, under=under, rows=rows, decoy=name)
    array = maker.array()
    for place, (module, page, cells) in enumerate(pages, start=summary):
        under = Selector(inner, page, Selector(outer, module))
        for number, cell in enumerate(cells):
            at = position(maker, 2, number, coding.bits, coding.bits)
            put_cell(message, at, coding, cell, array, copy, taken_s, under, turn == place)
    return f"nested, {most} x {coding.bits} bits"


def _chunks(pack: Pack, module: int, size: int, most: int) -> list[list[int]]:
    first = sum(pack.cells_per_module[: module - 1])
    cells = list(range(first, first + size))
    return [cells[at : at + most] for at in range(0, size, most)]


def _turns(maker: Maker, pages: int) -> tuple[Array, NDArray[np.int64], Array | None]:
    """Give when a paged message is sent, which page each time, and when what it holds was looked up."""
    rng = maker.rng
    periods = {period: 1.0 for period in (0.01, 0.02, 0.05, 0.1) if period * pages <= LONGEST_TURN_S} or {0.01: 1.0}
    sent_s = maker.times(pick(rng, periods))
    turn = (np.arange(len(sent_s)) + int(rng.integers(pages))) % pages
    if rng.random() >= FREEZES:
        return sent_s, turn, None
    begun = np.maximum.accumulate(np.where(turn == 0, np.arange(len(turn)), 0))
    return sent_s, turn, sent_s[begun]


def _put_selector(message: Message, selector: Field, values: NDArray[np.int64], *, nested: bool = False) -> None:
    message.sheet.put(selector, "multiplexor", values)
    kind = "inner multiplexor" if nested else "multiplexor"
    message.channels.append(TrueChannel(FieldAt(message.key, selector), None, decoy=kind))


def slots_in(sequence: Sequence[int], room: int) -> list[list[int]]:
    """Cut a sequence into parts of `room`."""
    return [list(sequence[at : at + room]) for at in range(0, len(sequence), room)]
