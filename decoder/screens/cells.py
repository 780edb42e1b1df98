"""Cells by module at one instant, with the spread of each module.

The cells of a module are compared within one scan of the controller, as the judging does it
(`decoder.judgement.cells.instants`); only the few scans before the moment are looked at.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.channels import State
from decoder.judgement.cells.instants import scans
from decoder.maps.default_limits import limit_of
from decoder.screens.rows import moment_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from decoder.channels import Channels, Series
    from decoder.judgement.cells.instants import Scans
    from decoder.maps.pack_sheet import PackSheet

_WINDOW_CYCLES: Final = 12


@dataclass(frozen=True, slots=True)
class CellNow:
    """One cell: its name, its number in the module, volts (NaN where there is no value), state, mV over the mean."""

    name: str
    cell: int | None
    volt: float
    state: State
    over_mean_mv: float


@dataclass(frozen=True, slots=True)
class ModuleNow:
    """One module: its cells of one scan, lowest and highest of them, their spread in V.

    `module` is ``None`` for cells whose module is not known. `spread_v` is NaN where no scan is whole. `steady` is
    false where the current moves within the scan, so that the spread may not be real.
    """

    module: int | None
    cells: tuple[CellNow, ...]
    mean_v: float
    lowest: str | None
    highest: str | None
    spread_v: float
    limit_v: float
    limit_source: str
    steady: bool

    @property
    def beyond(self) -> bool:
        """Whether the spread shown is above its limit and can be trusted."""
        return self.steady and self.spread_v > self.limit_v + 1e-9


def modules_of(channels: Channels) -> dict[int | None, list[Series]]:
    """Give the cell voltages by module; cells of unknown module come last, under ``None``."""
    found: dict[int | None, list[Series]] = defaultdict(list)
    for series in channels.one_a_place("cell voltage"):
        found[series.channel.place.module].append(series)
    known = sorted(module for module in found if module is not None)
    return {**{module: found[module] for module in known}, **({None: found[None]} if None in found else {})}


def in_case_order(modules: Sequence[int | None], rows: Sequence[Sequence[int]]) -> list[list[int | None]]:
    """Put modules into the rows of the case; what the case does not name gets a row of its own each."""
    placed = [[module for module in row if module in modules] for row in rows]
    named = {module for row in rows for module in row}
    lines: list[list[int | None]] = [list(row) for row in placed if row]
    return lines + [[module] for module in modules if module not in named]


def in_case(sheet: PackSheet | None, module: int | None) -> str:
    """Tell shortly where a module sits, counted from the front and from the left; nothing if the sheet does not say."""
    for row, modules in enumerate(sheet.rows if sheet else (), start=1):
        if module is not None and module in modules:
            return f" · case row {row}, place {modules.index(module) + 1}"
    return ""


def module_now(
    channels: Channels, module: int | None, cells: Sequence[Series], current: Series | None, time_ns: int
) -> ModuleNow:
    """Give one module as it is at `time_ns`; `current` is the pack's, ``None`` where no channel measures it."""
    limit = limit_of(channels.sheet, "module_spread_v")
    volt, steady = _one_instant(cells, current, time_ns)
    shown = []
    for series, scanned in zip(cells, volt, strict=True):
        moment = moment_of(series, time_ns)
        value = moment.value if np.isnan(scanned) else scanned
        shown.append((series, moment.state, float("nan") if moment.state is State.ABSENT else value))
    known = volt[~np.isnan(volt)]
    mean = float(known.mean()) if len(known) else float("nan")
    return ModuleNow(
        module=module,
        cells=tuple(
            CellNow(s.channel.name, s.channel.place.cell, value, state, (value - mean) * 1e3)
            for s, state, value in shown
        ),
        mean_v=mean,
        lowest=cells[int(np.nanargmin(volt))].channel.name if len(known) > 1 else None,
        highest=cells[int(np.nanargmax(volt))].channel.name if len(known) > 1 else None,
        spread_v=float(known.max() - known.min()) if len(known) > 1 else float("nan"),
        limit_v=limit.value,
        limit_source=limit.source,
        steady=steady,
    )


def _one_instant(cells: Sequence[Series], current: Series | None, time_ns: int) -> tuple[np.ndarray, bool]:
    """Give the volts of the latest scan, of a steady one if there is any, and whether it is steady."""
    nothing = np.full(len(cells), np.nan)
    cycles = [one.cycle_s for one in cells if one.cycle_s]
    if not cycles:
        return nothing, False
    from_ns = time_ns - int(max(cycles) * _WINDOW_CYCLES * 1e9)
    cut = [_between(one, from_ns, time_ns) for one in cells]
    fresh = [number for number, one in enumerate(cut) if len(one) > 2]
    table: Scans | None = scans(
        [cut[number] for number in fresh], None if current is None else _between(current, from_ns, time_ns)
    )
    if table is None or not len(table.time_ns):
        return nothing, False
    steady = np.flatnonzero(table.steady)
    row = int(steady[-1]) if len(steady) else len(table.volt) - 1
    nothing[fresh] = table.volt[row]
    return nothing, bool(len(steady))


def _between(series: Series, from_ns: int, to_ns: int) -> Series:
    """Give the samples of ``(from_ns, to_ns]`` as a series of its own."""
    before, last = series.index_at(from_ns), series.index_at(to_ns)
    part = slice(0 if before is None else before + 1, 0 if last is None else last + 1)
    return replace(
        series,
        rows=series.rows[part],
        time_ns=series.time_ns[part],
        raw=series.raw[part],
        value=series.value[part],
        absent=None if series.absent is None else series.absent[part],
    )
