"""Numbers of every cell and module that a report shows and two captures are compared by; nothing is judged here."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from decoder.judgement.cells.balancing import bleeding
from decoder.judgement.cells.cell_table import at_times
from decoder.judgement.cells.deviations import deviations
from decoder.judgement.cells.imbalance import rest_offsets
from decoder.judgement.cells.medians import column_medians, median_of
from decoder.judgement.cells.phases import largest_a, load, rest
from decoder.judgement.cells.spreads import STEADY_CELL_V

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from decoder.channels import Channels
    from decoder.judgement.cells.cell_table import CellTable

# Spreads over state of charge are told in bins of this width, from scans with no more than this share of the largest
# current. Common practice, no source.
CHARGE_BIN_PERCENT = 5.0
_QUIET_SHARE = 0.2


@dataclass(frozen=True, slots=True, eq=False)
class CellFigures:
    """How the cells stand, in the order of the `CellTable`; NaN and missing keys where the capture does not tell.

    rest_v : float64, cells, median voltage at rest
    rest_offset_v : float64, cells, from the median cell of the module (else of the pack) at rest, balancing left out;
        where the pack never rests, what a line over the current leaves without current
    load_offset_v : float64, cells, the same while the current is large and steady
    rest_spread_v, load_spread_v : module -> largest minus smallest cell, median over scans
    leads, lags : module -> column of the highest and of the lowest cell at rest
    spread_by_charge : (state of charge in %, the middle of a bin; spread over the pack in V, median over quiet scans)
    """

    rest_v: NDArray[np.float64]
    rest_offset_v: NDArray[np.float64]
    load_offset_v: NDArray[np.float64]
    rest_spread_v: Mapping[int, float]
    load_spread_v: Mapping[int, float]
    leads: Mapping[int, int]
    lags: Mapping[int, int]
    spread_by_charge: tuple[tuple[float, float], ...]


def cell_figures(channels: Channels, table: CellTable) -> CellFigures:
    """Work out how the cells stand at rest and under load."""
    apart, flags = deviations(table), bleeding(channels, table)
    resting, loaded = rest(table), load(table)
    offsets = rest_offsets(table, apart, flags)
    rest_offset_v = offsets.offset_v if offsets is not None else np.full(len(table.cells), np.nan)
    ranked = {
        module: members[np.argsort(rest_offset_v[members], kind="stable")]
        for module in table.modules
        if len(members := _known(table.members(module), rest_offset_v))
    }
    return CellFigures(
        rest_v=column_medians(table.scans.volt, resting, flags.touched),
        rest_offset_v=rest_offset_v,
        load_offset_v=column_medians(apart, loaded, flags.touched),
        rest_spread_v=_module_spreads(table, resting),
        load_spread_v=_module_spreads(table, loaded),
        leads={module: int(order[-1]) for module, order in ranked.items()},
        lags={module: int(order[0]) for module, order in ranked.items()},
        spread_by_charge=_spread_by_charge(channels, table),
    )


def _known(members: NDArray[np.intp], offset_v: NDArray[np.float64]) -> NDArray[np.intp]:
    return members[np.isfinite(offset_v[members])]


def _module_spreads(table: CellTable, rows: NDArray[np.bool_]) -> dict[int, float]:
    """Give the median spread of each module over some scans, of scans with all of its cells that ever come."""
    found = {}
    for module in table.modules:
        spread = _spreads(table.scans.volt[:, table.members(module)][rows])
        if not np.isnan(spread).all():
            found[module] = median_of(spread)
    return found


def _spreads(volt: NDArray[np.float64]) -> NDArray[np.float64]:
    """Give largest minus smallest of each scan, NaN where a cell is missing."""
    ever = np.isfinite(volt).any(axis=0)
    if np.count_nonzero(ever) < 2:
        return np.full(len(volt), np.nan)
    there = volt[:, ever]
    return np.asarray(there.max(axis=1) - there.min(axis=1), np.float64)


def _spread_by_charge(channels: Channels, table: CellTable) -> tuple[tuple[float, float], ...]:
    charge = next((one for one in channels.of("state of charge") if one.present), None)
    if charge is None:
        return ()
    quiet = table.scans.steady & (table.scans.moved_v < STEADY_CELL_V)
    if np.isfinite(table.current_a).any():
        quiet &= np.abs(np.nan_to_num(table.current_a, nan=np.inf)) <= max(_QUIET_SHARE * largest_a(table), 1.0)
    percent, spread = at_times(charge, table.scans.time_ns), _spreads(table.scans.volt)
    counted = quiet & np.isfinite(percent) & np.isfinite(spread)
    bins = np.floor(percent[counted] / CHARGE_BIN_PERCENT)
    return tuple(
        (float((number + 0.5) * CHARGE_BIN_PERCENT), median_of(spread[counted][bins == number]))
        for number in np.unique(bins)
    )
