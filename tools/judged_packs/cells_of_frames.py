"""Cell voltages on the wire: four styles of layout, each cell read at its own moment or all at once."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.maps.signal_map import Page, Signal
from tools.judged_packs.reading import CELLS_IN_FRAME
from tools.layouts.sheet import field_at

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tools.judged_packs.messages import Controller, Sent

    Array = NDArray[np.float64]

FIRST_ID: Final = 0x200
PAGES_ID: Final = 0x1F0
BURST_S: Final = 0.0005  # between frames that are sent in a row
BITS: Final = {"four": 16, "pages": 16, "twelve": 12, "index": 16}


def cell_frames(made: Controller) -> None:
    """Send all cells, each once in a period."""
    style, cells = made.draft.coding.style, made.draft.cells
    groups = [
        range(first, min(first + CELLS_IN_FRAME[style], cells)) for first in range(0, cells, CELLS_IN_FRAME[style])
    ]
    begins_s, sent_s = _times(made, len(groups))
    if style in {"pages", "index"}:
        _paged(made, groups, begins_s, sent_s)
        return
    for number, group in enumerate(groups):
        sent = made.begin(f"Cells_{number + 1}", FIRST_ID + number, 8, 0.0, sent_s[:, number])
        for slot, cell in enumerate(group):
            _put(made, sent, cell, BITS[style] * slot, begins_s)
        if style == "twelve":
            made.counter(sent, 60, "big" if made.draft.coding.big_endian else "little")


def _times(made: Controller, frames: int) -> tuple[Array, Array]:
    """Give when each round begins, and when each of its frames is sent, rounds x frames: in a row, or spread out."""
    draft, rng = made.draft, made.rng
    period_s = draft.coding.cell_period_s
    apart_s = period_s / frames
    if draft.coding.burst:
        apart_s = min(BURST_S, 0.9 * apart_s)
    rounds = int(draft.duration_s / period_s) + 1
    late_s = 0.2 * np.abs(rng.normal(0, 0.3, rounds)).clip(0, 1) * min(apart_s, 0.02 * period_s)
    begins_s = rng.uniform(0.0, 0.5 * period_s) + np.arange(rounds) * period_s + late_s
    return begins_s, begins_s[:, None] + apart_s * (np.arange(frames) + rng.uniform(0, 0.2, (rounds, frames)))


def _paged(made: Controller, groups: list[range], begins_s: Array, sent_s: Array) -> None:
    rounds, pages = sent_s.shape
    sent = made.begin("CellPages", PAGES_ID, 8 if made.draft.coding.style == "pages" else 3, 0.0, sent_s.ravel())
    selector = Signal("CellPages_Page", field_at(0, 8, "little"), is_multiplexor=True)
    sent.put(selector, np.tile(np.arange(pages), rounds))
    for number, group in enumerate(groups):
        rows = np.arange(rounds) * pages + number
        for slot, cell in enumerate(group):
            _put(made, sent, cell, 8 + 16 * slot, begins_s, Page(selector.name, ((number, number),)), rows)


def _put(
    made: Controller,
    sent: Sent,
    cell: int,
    at: int,
    begins_s: Array,
    page: Page | None = None,
    rows: slice | NDArray[np.intp] = slice(None),
) -> None:
    """Read one cell and put it into its frames."""
    draft, wrong = made.draft, made.draft.sensing
    read_s = (begins_s if draft.coding.latched else sent.time_s[rows]) - wrong.cell_delay_s[cell]
    volt = made.world.at(made.world.cell_v[cell] + made.world.tap_v[cell], read_s)
    volt = volt * wrong.module_gain[cell] + wrong.cell_offset_v[cell] + made.noise(read_s, wrong.cell_noise_v)
    bits = BITS[draft.coding.style]
    made.number(sent, draft.cell_name(cell), at, bits, volt, draft.coding.cell_step_v, unit="V", page=page, rows=rows)
