"""The measured voltage of a module against the sum of its cells."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from decoder.judgement.cells.cell_table import beside, step_of
from decoder.judgement.cells.spreads import PERSISTENT_SCANS, STEADY_CELL_V
from decoder.judgement.finding import Finding, Severity
from decoder.judgement.spans import duration, spans
from decoder.maps.default_limits import limit_of
from decoder.maps.pack_sheet import Place
from decoder.printable import printable

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from decoder.channels import Channels, Series
    from decoder.judgement.cells.cell_table import CellTable
    from decoder.maps.pack_sheet import PackSheet


def module_sums(channels: Channels, table: CellTable, not_judged: dict[str, str]) -> Iterator[Finding]:
    """Judge each module voltage by the sum of the module's cells, while the pack is steady.

    Half a step of the module voltage and of each cell is allowed beyond the limit: so much may be rounding.
    """
    limit = limit_of(channels.sheet, "sum_mismatch_percent")
    judged = quiet(table)
    for series, module in module_voltages(channels, table):
        if not all_cells(channels.sheet, table, module):
            not_judged.setdefault("sum-mismatch", f"module {module}: nothing says that all its cells are in the map")
            continue
        members = table.members(module)
        total = table.scans.volt[:, members].sum(axis=1)  # NaN where a cell is missing
        volt = nearer(series, table.scans.time_ns, total)
        known = judged & np.isfinite(volt) & np.isfinite(total)
        if not known.any():
            not_judged.setdefault(
                "sum-mismatch", f"module {module}: at no moment were all its cells there and the pack steady"
            )
            continue
        off_v = np.where(known, np.abs(total - volt), 0.0)
        rounding_v = step_of(series) / 2 + float(table.step_v[members].sum()) / 2
        bad = known & (off_v > limit.value / 100 * np.abs(volt) + rounding_v)
        for span in spans(table.scans.time_ns, bad, good=known & ~bad, at_least=min(PERSISTENT_SCANS, len(bad))):
            worst = span.first + int(np.argmax(np.where(bad, off_v, 0.0)[span.first : span.last + 1]))
            percent = float(off_v[worst] / abs(volt[worst]) * 100) if volt[worst] else 100.0
            yield Finding(
                code="sum-mismatch",
                severity=Severity.CAUTION,
                place=Place(module=module),
                value=percent,
                limit=limit.value,
                unit="%",
                from_ns=span.from_ns,
                to_ns=span.to_ns,
                worst_ns=int(table.scans.time_ns[worst]),
                channel=series.channel.name,
                channels=(series.channel.name,),
                explanation=(
                    f"{len(members)} cells of module {module} add up to {total[worst]:.2f} V, "
                    f"{printable(series.channel.name)} says {volt[worst]:.2f} V, {duration(span)}. A cell or the "
                    f"module is read wrong, or the map has a wrong scale or place"
                ),
                source=limit.source,
            )


def module_voltages(channels: Channels, table: CellTable) -> Iterator[tuple[Series, int]]:
    """Give each channel that measures a module with two cells or more in the table, and that module."""
    for series in channels.of("module voltage"):
        module = series.channel.place.module
        if module in table.modules and series.present:
            yield series, module


def all_cells(sheet: PackSheet | None, table: CellTable, module: int) -> bool:
    """Tell whether the pack sheet says that the table holds all cells of a module."""
    if sheet is None:
        return False
    if sheet.cells_per_module is not None and module <= len(sheet.cells_per_module):
        return sheet.cells_per_module[module - 1] == len(table.members(module))
    return sheet.cells_in_series == len(table.cells)


def quiet(table: CellTable) -> NDArray[np.bool_]:
    """Tell in which scans (k) the cells may be added up: the current steady, the median cell hardly moving."""
    return np.asarray(table.scans.steady & (table.scans.moved_v < STEADY_CELL_V))


def nearer(series: Series, time_ns: NDArray[np.int64], expected: NDArray[np.float64]) -> NDArray[np.float64]:
    """Give, of the values before and after each time, the one nearer to what is expected (k); NaN where none is."""
    before, after = beside(series, time_ns)
    take_after = np.isnan(before) | (np.abs(after - expected) < np.abs(before - expected))
    return np.asarray(np.where(take_after, after, before))
