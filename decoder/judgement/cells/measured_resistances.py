"""Resistances from steps of the current, where the capture has clean ones, else from all moves of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.judgement.cells.cell_answers import Combined, cell_samples, combined
from decoder.judgement.cells.current_steps import current_steps
from decoder.judgement.cells.move_answers import move_answers
from decoder.judgement.cells.step_answers import step_answers

if TYPE_CHECKING:
    from decoder.channels import Series
    from decoder.judgement.cells.cell_table import CellTable

WAITS_S: Final = (1.0, 10.0)
# The steps are enough where they leave no more than this share of the median cell's resistance unsure; else all moves
# are taken if they leave less than this share of that. Common practice, no source.
_SURE_SHARE, _CLEARLY_SURER = 0.06, 0.5


@dataclass(frozen=True, slots=True, eq=False)
class Measured:
    """What the cells answer, for each of `WAITS_S`; ``None`` where they say nothing.

    by_moves : the first comes from all moves of the current, for there are no clean steps, or too small ones
    """

    waits: tuple[Combined | None, ...]
    by_moves: bool


def measured(table: CellTable) -> Measured:
    """Measure by steps, and by all moves where that is clearly surer."""
    if table.current is None:
        return Measured((None, None), by_moves=False)
    first_ns = int(table.scans.time_ns[0])
    cells = [cell_samples(series, step_v, first_ns) for series, step_v in zip(table.cells, table.step_v, strict=True)]
    steps = current_steps(table.current, table.sign)
    soon, late = (combined(step_answers(cells, steps, wait_s, first_ns)) if len(steps) else None for wait_s in WAITS_S)
    if soon is not None and _is_sure(soon):
        return Measured((soon, late), by_moves=False)
    frames = [_frame(series) for series in table.cells]
    answers = move_answers(cells, frames, table.current, table.sign, first_ns)
    by_moves = combined(answers) if answers is not None else None
    if by_moves is not None and (soon is None or _clearly_surer(by_moves, soon)):
        return Measured((by_moves, late), by_moves=True)
    return Measured((soon, late), by_moves=False)


def _is_sure(one: Combined) -> bool:
    return bool(np.isfinite(one.ohm).all()) and usually_unsure_ohm(one) <= _SURE_SHARE * one.median_ohm


def _clearly_surer(one: Combined, other: Combined) -> bool:
    more_cells = np.count_nonzero(np.isfinite(one.ohm)) > np.count_nonzero(np.isfinite(other.ohm))
    return bool(more_cells) or usually_unsure_ohm(one) < _CLEARLY_SURER * usually_unsure_ohm(other)


def _frame(series: Series) -> tuple[str, int, object]:
    channel = series.channel
    return channel.bus, channel.can_id, channel.signal.page


def usually_unsure_ohm(one: Combined) -> float:
    """Give what a usual cell is unsure by (ohm)."""
    return float(np.nanmedian(one.own_ohm))
