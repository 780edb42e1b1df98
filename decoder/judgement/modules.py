"""Cells by module: lowest, highest and spread, taken at one instant."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from decoder.judgement.cells.instants import Scans, scans
from decoder.judgement.cells.spreads import cells_by_module

if TYPE_CHECKING:
    from collections.abc import Sequence

    from decoder.channels import Channels, Series

# While the median cell moves by more than this between scans, a spread says little.
_STEADY_V = 0.005


@dataclass(frozen=True, slots=True)
class ModuleRow:
    """One module at the capture's last steady scan; `largest_spread_v` is over all steady scans."""

    module: int
    cells: int
    lowest_v: float
    lowest_cell: int | None
    highest_v: float
    highest_cell: int | None
    spread_v: float
    largest_spread_v: float
    where: str | None


def module_rows(channels: Channels) -> list[ModuleRow]:
    """Give a row for each module that has two cells or more and a scan with all of them."""
    current = next(iter(channels.of("pack current")), None)
    rows = []
    with_samples = [series for series in channels.one_a_place("cell voltage") if len(series)]
    for module, cells in sorted(cells_by_module(with_samples).items()):
        table = scans(cells, current)
        if table is not None:
            row = _row(channels, module, cells, table)
            if row is not None:
                rows.append(row)
    return rows


def _row(channels: Channels, module: int, cells: Sequence[Series], table: Scans) -> ModuleRow | None:
    whole = ~np.isnan(table.volt).any(axis=1)
    steady = whole & table.steady & (table.moved_v < _STEADY_V)
    usable = steady if steady.any() else whole
    if not usable.any():
        return None
    volt = table.volt[usable]
    last = volt[-1]
    low, high = int(np.argmin(last)), int(np.argmax(last))
    return ModuleRow(
        module=module,
        cells=len(cells),
        lowest_v=float(last[low]),
        lowest_cell=cells[low].channel.place.cell,
        highest_v=float(last[high]),
        highest_cell=cells[high].channel.place.cell,
        spread_v=float(last[high] - last[low]),
        largest_spread_v=float((volt.max(axis=1) - volt.min(axis=1)).max()),
        where=channels.sheet.where_in_case(module) if channels.sheet is not None else None,
    )
