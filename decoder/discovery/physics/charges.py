"""State of charge: slow, within 0 to 100 %, in step with the charge that flowed, near what the cells' voltage says."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.discovery.natural_scales import scales_of
from decoder.maps.chemistry import CURVES

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from decoder.discovery.physics.singles import Single

_MOST_MOVED: Final = 25.0  # % in one capture
_MOST_BACK: Final = 0.35  # of the steps may go against the others
_TOLD_STEPS: Final = 3.0  # moved, from which on following the integral can be told
_FOLLOWS: Final = 0.97
_CAPACITY_AH: Final = (8.0, 500.0)
# How far a voltage under load leads from the truth (standard deviation, %): flat curves tell little.
_OFF_PERCENT: Final = {"NMC": 8.0, "NCA": 8.0, "LFP": 30.0}
_USUAL: Final = {"NMC": 0.33, "NCA": 0.15, "LFP": 0.2}  # of each curve; NMC has two


@dataclass(frozen=True, eq=False, slots=True)
class ChargeLike:
    """A number that may be a state of charge.

    percent : usual value; told : log odds of the value, given the cells' voltage
    bits : shortest and longest field that is met with the scale
    correlation : with the integral of the current, NaN where it cannot be told; capacity_ah : what it would take
    """

    single: Single
    scale: float
    offset: float
    share: float
    percent: float
    told: float
    correlation: float
    capacity_ah: float
    bits: tuple[int, int]

    @property
    def weight(self) -> float:
        """How much speaks for it: log of the odds."""
        follows = 0.0
        if not np.isnan(self.correlation):
            follows = 3.0 if self.correlation >= _FOLLOWS else -3.0
        return float(np.log(self.share / 0.1)) + self.told + follows


def charge_like(
    singles: Sequence[Single],
    cell_v: float | None,
    current: tuple[NDArray[np.float64], NDArray[np.float64]] | None,
) -> list[ChargeLike]:
    """Give the numbers that may be a state of charge, the likeliest first.

    cell_v : usual voltage of a cell; current : times (s) and A, positive while discharging
    """
    found = []
    for single in singles:
        raw = single.track.raw
        steps = np.diff(raw[np.concatenate(([True], raw[1:] != raw[:-1]))])
        back = min(int((steps > 0).sum()), int((steps < 0).sum()))
        if single.at.field.signed or back > _MOST_BACK * max(len(steps), 1) + 1:
            continue
        for row in scales_of("state of charge"):
            percent = raw * row.scale + row.offset
            fits = row.bits[0] <= single.at.field.length and single.shortest <= row.bits[1]
            if not fits or percent.min() < 0 or percent.max() > 100.4 or np.ptp(percent) > _MOST_MOVED:
                continue
            follows, capacity = _follows(single, row.scale, current)
            usual = float(np.median(percent))
            told = 0.0 if cell_v is None else _told(usual, cell_v)
            found.append(ChargeLike(single, row.scale, row.offset, row.share, usual, told, follows, capacity, row.bits))
    return sorted(found, key=lambda one: -one.weight)


def _told(percent: float, cell_v: float) -> float:
    """Give log odds of a charge against any other, given the cells' voltage, over the curves that may be theirs."""
    density = 0.05
    for curve in CURVES.values():
        if not curve.volt[0] <= cell_v <= curve.volt[-1] + 0.05:
            continue
        wanted = float(np.interp(cell_v, curve.volt, curve.charge_percent))
        off = _OFF_PERCENT[curve.chemistry]
        density += _USUAL[curve.chemistry] * 100 / (off * 2.507) * float(np.exp(-0.5 * ((percent - wanted) / off) ** 2))
    return float(np.log(density))


def _follows(
    single: Single, scale: float, current: tuple[NDArray[np.float64], NDArray[np.float64]] | None
) -> tuple[float, float]:
    """Give the correlation with the charge that flowed, and the capacity that goes with it; NaN where nothing tells."""
    if current is None:
        return np.nan, np.nan
    time_s, amps = current
    flowed = np.concatenate(([0.0], np.cumsum(0.5 * (amps[1:] + amps[:-1]) * np.diff(time_s)))) / 3600
    percent = single.track.raw * scale
    if np.ptp(percent) < _TOLD_STEPS * scale or np.ptp(flowed) == 0:
        return np.nan, np.nan
    charge = -np.interp(single.track.time_s, time_s, flowed)
    if charge.std() == 0:
        return np.nan, np.nan
    correlation = float(np.corrcoef(percent, charge)[0, 1])
    slope = float(correlation * percent.std() / charge.std())
    capacity = 100 / slope if slope > 0 else np.nan
    if not _CAPACITY_AH[0] <= capacity <= _CAPACITY_AH[1]:
        return min(correlation, 0.0), capacity
    return correlation, capacity
