"""The link voltage against the pack voltage: the witness of what the contactors really do."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.channels.states import STALE_CYCLES, cycle_s
from decoder.judgement.cells.cell_table import at_times, step_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from decoder.channels import Channels, Series

# No pack loses so much of its voltage and lives: a channel below that measures behind the contactors, or not yet.
# Common practice, no source.
_ALIVE_SHARE: Final = 0.5
# The largest voltage seen leaves out so many samples, which may be damaged ones. Common practice, no source.
_DAMAGED_SHARE: Final = 0.001
# A link that is within this share of the pack voltage is connected with it. Common practice, no source.
NEAR_SHARE: Final = 0.9
# A link that is left alone is flat after half a second to two minutes: its slowest time constant is taken as two
# minutes, and what falls so many times more slowly is fed. Common practice, no source.
_SLOWEST_S: Final = 120.0
_FED_TIMES: Final = 2.0
# Textbook: a normal deviation from a median of absolute values, and the deviation of a median itself.
_DEVIATION: Final = 1.4826
_OF_MEDIAN: Final = 1.2533
# Shorter looks at a link say nothing. Common practice, no source.
SHORTEST_LOOK_S: Final = 2.0


@dataclass(frozen=True, slots=True, eq=False)
class PackVoltage:
    """The voltage on the pack's side of the contactors.

    time_ns : int64, n, rising; volt : float64, n, V, NaN where not known
    largest_v : the largest seen, damaged samples left out
    names : the channels; words : what it is, for an explanation
    """

    time_ns: NDArray[np.int64]
    volt: NDArray[np.float64]
    largest_v: float
    names: tuple[str, ...]
    words: str

    def at(self, time_ns: NDArray[np.int64]) -> NDArray[np.float64]:
        """Give the latest voltage at each time; NaN before the first and where it is older than five cycles."""
        oldest_ns = STALE_CYCLES * (cycle_s(self.time_ns) or np.inf) * 1e9
        index = np.searchsorted(self.time_ns, time_ns, side="right") - 1
        fresh = (index >= 0) & (time_ns - self.time_ns[index] <= oldest_ns)
        return np.where(fresh, self.volt[index], np.nan)


@dataclass(frozen=True, slots=True, eq=False)
class LinkVoltage:
    """The link voltage where both it and the pack voltage are known.

    time_ns : int64, n, rising; volt, pack_v : float64, n, V
    step_v : one step of its raw value
    """

    series: Series
    time_ns: NDArray[np.int64]
    volt: NDArray[np.float64]
    pack_v: NDArray[np.float64]
    step_v: float
    pack: PackVoltage

    @property
    def names(self) -> tuple[str, ...]:
        """The channels that it rests on; of many cells none is named."""
        return (self.series.channel.name, *(self.pack.names if len(self.pack.names) == 1 else ()))

    def between(self, from_ns: int, to_ns: int) -> slice:
        """Give the samples from one time to another, both inclusive."""
        first, end = np.searchsorted(self.time_ns, [from_ns, to_ns + 1])
        return slice(int(first), int(end))

    def fed(self, part: slice) -> slice | None:
        """Give the samples from the first of `part` on while the link stays near the pack, if it is fed there.

        ``None`` where it falls as a link does that is left alone, or was never near; see also `can_tell`.
        """
        volt, pack_v = self.volt[part], self.pack_v[part]
        away = volt < NEAR_SHARE * pack_v
        for_good = np.flatnonzero(away[:-1] & away[1:])  # a single sample may be damaged
        count = int(for_good[0]) if len(for_good) else len(volt)
        if count < 4:
            return None
        quarter = max(count // 4, 1)
        first, last = slice(0, quarter), slice(count - quarter, count)
        at = self.time_ns[part]
        seconds = (float(np.median(at[last])) - float(np.median(at[first]))) / 1e9
        level = float(np.median(pack_v[:count]))
        # After a load the pack itself moves: what falls, alone or against the pack, counts as falling.
        share = volt / pack_v
        falls = max(
            float(np.median(share[first]) - np.median(share[last])),
            float(np.median(volt[first]) - np.median(volt[last])) / level,
        )
        left_alone = 1 - np.exp(-seconds / (_FED_TIMES * _SLOWEST_S))
        # The difference of two medians is unsure by one step of resolution, and by the noise (three deviations).
        noise_v = _DEVIATION * float(np.median(np.abs(np.diff(volt[:count])))) / np.sqrt(2)
        unsure_v = self.step_v + 3 * _OF_MEDIAN * noise_v * np.sqrt(2 / quarter)
        if falls + unsure_v / level >= left_alone:
            return None
        return slice(part.start, part.start + count)

    def can_tell(self, part: slice) -> bool:
        """Tell whether `part` has samples enough, over a time long enough, to see a link fall or not."""
        at = self.time_ns[part]
        return len(at) >= 4 and float(at[-1] - at[0]) >= SHORTEST_LOOK_S * 1e9


def pack_voltage(channels: Channels, *, whole: bool = True) -> PackVoltage | None:
    """Give the pack voltage as measured, else the sum of the cells.

    `whole`: only where all cells are known to be there; without, the sum is a lower bound.
    """
    packs = [series for series in channels.of("pack voltage") if series.present]
    if packs:
        # One that measures behind the contactors is low for a part of the capture.
        pack = max(packs, key=lambda one: float(np.nanmedian(one.in_quantity_unit)))
        name = pack.channel.name
        return _pack(pack.rising_ns, pack.in_quantity_unit, (name,), name)
    cells = [series for series in channels.one_a_place("cell voltage") if series.present]
    expected = _cells_expected(channels)
    if not cells or (whole and len(cells) != expected):
        return None
    # At the times of one cell: all cells together cost no more than their samples.
    time_ns = np.unique(min(cells, key=len).rising_ns)
    total = np.zeros(len(time_ns))
    for cell in cells:
        total += at_times(cell, time_ns)
    return _pack(time_ns, total, tuple(c.channel.name for c in cells), f"the sum of {len(cells)} cells")


def _cells_expected(channels: Channels) -> int | None:
    sheet = channels.sheet
    if sheet is None:
        return None
    return sheet.cells_in_series or (sum(sheet.cells_per_module) if sheet.cells_per_module else None)


def _pack(
    time_ns: NDArray[np.int64], volt: NDArray[np.float64], names: tuple[str, ...], words: str
) -> PackVoltage | None:
    known = volt[np.isfinite(volt)]
    if not len(known):
        return None
    largest = float(np.quantile(known, 1 - _DAMAGED_SHARE, method="lower"))
    alive = (volt >= _ALIVE_SHARE * largest) & (volt > 0)
    return PackVoltage(time_ns, np.where(alive, volt, np.nan), largest, names, words)


def link_voltage(channels: Channels) -> LinkVoltage | str:
    """Find the link voltage and what to compare it with; why not, where one is missing."""
    series = _most_samples(channels.of("link voltage"))
    if series is None:
        return "no channel for the link voltage"
    pack = pack_voltage(channels)
    if pack is None:
        return "neither the pack voltage nor the sum of all cells is known"
    time_ns, volt = series.rising_ns, series.in_quantity_unit
    pack_v = pack.at(time_ns)
    known = np.isfinite(volt) & np.isfinite(pack_v)
    if not known.any():
        return "link voltage and pack voltage are never known together"
    return LinkVoltage(series, time_ns[known], volt[known], pack_v[known], step_of(series), pack)


def _most_samples(those: Sequence[Series]) -> Series | None:
    return max((series for series in those if series.present), key=lambda one: one.present, default=None)
