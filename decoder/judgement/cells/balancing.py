"""Which cells are being balanced, scan by scan.

Bleeding pulls the reading of a cell down by some mV, and lifts those of the cells beside it, for they share a sense
wire: such readings say nothing of how the cells stand.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from decoder.channels import Channels, Series
    from decoder.judgement.cells.cell_table import CellTable

# Words that maps use for a resistor that is switched on. Common practice, no source.
_ON_WORDS = frozenset({"on", "active", "bleeding", "balancing", "closed", "enabled", "yes", "true"})


@dataclass(frozen=True, slots=True, eq=False)
class Bleeding:
    """What channels say of balancing.

    known : bool, cells, whether a channel tells of this cell
    on : bool, k x cells, it is being balanced at this scan
    touched : bool, k x cells, it or a cell beside it is being balanced: its reading is moved
    """

    known: NDArray[np.bool_]
    on: NDArray[np.bool_]
    touched: NDArray[np.bool_]

    def words(self, cell: int, rows: NDArray[np.bool_]) -> str:
        """Say how far a cell is balanced within some scans (k)."""
        if not self.known[cell]:
            return "no channel tells whether it is being balanced"
        share = float(np.mean(self.on[rows, cell])) if rows.any() else 0.0
        if share == 0:
            return "it is not being balanced meanwhile"
        return f"it is being balanced for {max(share * 100, 1):.0f} % of that time, which is left out"


def bleeding(channels: Channels, table: CellTable) -> Bleeding:
    """Line up the flags of balancing with the scans of the cells; a flag without a cell is that of all its module."""
    shape = table.scans.volt.shape
    known, on = np.zeros(shape[1], np.bool_), np.zeros(shape, np.bool_)
    for flag in channels.of("balancing"):
        columns = _cells_of(flag, table)
        if len(columns):
            known[columns] = True
            on[:, columns] |= _is_on(flag, table.scans.time_ns)[:, None]
    touched = on.copy()
    for column, after in neighbours(table):
        touched[:, column] |= on[:, after]
        touched[:, after] |= on[:, column]
    return Bleeding(known, on, touched)


def neighbours(table: CellTable) -> list[tuple[int, int]]:
    """Give the columns of every two cells of one module that lie beside each other, the lower number first."""
    at = {
        (int(table.module[column]), series.channel.place.cell): column
        for column, series in enumerate(table.cells)
        if series.channel.place.cell is not None
    }
    return [(column, at[module, cell + 1]) for (module, cell), column in at.items() if (module, cell + 1) in at]


def _cells_of(flag: Series, table: CellTable) -> list[int]:
    place = flag.channel.place
    return [
        column
        for column, series in enumerate(table.cells)
        if series.channel.bus == flag.channel.bus
        and (place.module is None or series.channel.place.module == place.module)
        and (place.cell is None or series.channel.place.cell == place.cell)
        and (place.module is not None or place.cell is None or series.channel.place.module is None)
    ]


def _is_on(flag: Series, time_ns: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Tell at which times a flag is on: by the map's word for its raw value, else where that is 1."""
    words = flag.channel.signal.labels
    values = [value for value, word in words.items() if str(word).strip().lower() in _ON_WORDS] or [1]
    on = np.isin(flag.raw, values)
    if flag.absent is not None:
        on &= ~flag.absent
    index = np.searchsorted(flag.rising_ns, time_ns, side="right") - 1
    at: NDArray[np.bool_] = (index >= 0) & on[np.maximum(index, 0)]
    return at
