"""How far a reading and a field that tell of the same thing may lie apart, by quantity.

The meter: data sheets of ordinary handheld meters give a share of the value and digits of the last place. The
controller's own sensor is wrong as well, and so is a value that is sampled while it moves. Common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.maps.naming import judge_name
from decoder.maps.quantities import QUANTITIES
from decoder.maps.units import unit_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from decoder.discovery.readings import Reading

NOISE_DIGITS: Final = 0.45  # of the last place: rounding and the meter's own noise
MOST_WEIGHED: Final = 60  # readings of one label: a bench meter's log has far more, all of one quantity
METER_DIGITS: Final = 1.0  # by which it may be wrong throughout


@dataclass(frozen=True, slots=True)
class Apart:
    """Of one quantity: shares of the value and amounts in its unit.

    meter_share : the meter's largest error; own_share, own : standard deviation of the sensor's gain and offset
    noise : standard deviation of a field's value, as controllers filter it
    span : within which values lie at all
    """

    meter_share: float
    own_share: float
    own: float
    noise: float
    span: float


_VOLTS: Final = 0.0005
APART: Final[dict[str, Apart]] = {
    "cell voltage": Apart(_VOLTS, 0.0, 0.0006, 0.0006, 5.0),
    "module voltage": Apart(_VOLTS, 0.0005, 0.005, 0.005, 100.0),
    "pack voltage": Apart(_VOLTS, 0.0009, 0.07, 0.06, 1000.0),
    "link voltage": Apart(_VOLTS, 0.0012, 0.12, 0.08, 1000.0),
    "pack current": Apart(0.005, 0.0035, 0.1, 0.08, 1000.0),
    "state of charge": Apart(0.0, 0.0, 0.05, 0.03, 100.0),
    "state of health": Apart(0.0, 0.0, 0.05, 0.03, 100.0),
    "cell temperature": Apart(0.0, 0.0, 0.3, 0.04, 120.0),
    "module temperature": Apart(0.0, 0.0, 0.3, 0.04, 120.0),
    "coolant temperature": Apart(0.0, 0.0, 0.3, 0.04, 120.0),
    "insulation resistance": Apart(0.01, 0.003, 1.0, 2.0, 10_000.0),
    "supply voltage": Apart(_VOLTS, 0.0035, 0.025, 0.015, 30.0),
    "keep-alive voltage": Apart(_VOLTS, 0.0035, 0.025, 0.015, 30.0),
    "swelling pressure": Apart(0.0, 0.003, 0.25, 0.08, 300.0),
    "power limit": Apart(0.0, 0.0, 0.05, 0.03, 500.0),
    "current limit": Apart(0.005, 0.0, 0.05, 0.05, 1000.0),
}
_BY_UNIT: Final = {"degC": METER_DIGITS * 3}  # digits, where the probe is worse than the meter


@dataclass(frozen=True, eq=False, slots=True)
class LabelReadings:
    """The readings of one label.

    time_s : by the meter's clock; value, step : in `unit`; all float64, n, in the order of time
    quantities : what it may be, by its name and unit, with the share of belief
    middle_s : the middle of all readings of all labels
    every_s : the times of all readings, of which `MOST_WEIGHED` at most are looked at
    """

    label: str
    unit: str
    time_s: NDArray[np.float64]
    value: NDArray[np.float64]
    step: NDArray[np.float64]
    quantities: dict[str, float]
    middle_s: float
    every_s: NDArray[np.float64]

    def without_drift(self, drift_ppm: float) -> LabelReadings:
        """Give the same with times as a clock without drift would have told them, from the middle reading on."""
        away_s = self.time_s - self.middle_s
        return replace(self, time_s=self.time_s - away_s * drift_ppm * 1e-6)

    @property
    def digits(self) -> float:
        """By how many digits of the last place the meter may be wrong."""
        return _BY_UNIT.get(self.unit, METER_DIGITS)

    def limit(self, quantity: str) -> NDArray[np.float64]:
        """By how much meter and field may lie apart throughout, n."""
        apart = APART[quantity]
        share = apart.meter_share + 2 * apart.own_share
        return np.abs(self.value) * share + self.digits * self.step + 2 * apart.own

    def tolerance(self, quantity: str) -> NDArray[np.float64]:
        """By how much a reading may lie off the field, but for its quantisation and movement, n."""
        return self.limit(quantity) + 3 * (NOISE_DIGITS * self.step + APART[quantity].noise)


def by_label(readings: Sequence[Reading]) -> list[LabelReadings]:
    """Sort readings by label and unit, in the order in which labels first came."""
    groups: dict[tuple[str, str], list[Reading]] = {}
    for one in readings:
        groups.setdefault((one.label, one.unit), []).append(one)
    middle_s = float(np.mean([min(times), max(times)])) if (times := [one.time_s for one in readings]) else 0.0
    return [_of_label(label, unit, some, middle_s) for (label, unit), some in groups.items()]


def _of_label(label: str, unit: str, readings: list[Reading], middle_s: float) -> LabelReadings:
    ordered = sorted(readings, key=lambda one: one.time_s)
    every_s = np.array([one.time_s for one in ordered])
    plain = max((_decimals(one.value) for one in ordered), default=0)
    if len(ordered) > MOST_WEIGHED:
        ordered = [ordered[at] for at in np.linspace(0, len(ordered) - 1, MOST_WEIGHED).round().astype(int).tolist()]
    time_s, value = np.array([one.time_s for one in ordered]), np.array([one.value for one in ordered])
    step = np.array([one.step or 10.0**-plain for one in ordered])
    return LabelReadings(label, unit, time_s, value, step, quantities_of(label, unit), middle_s, every_s)


def _decimals(value: float) -> int:
    return len(f"{value:.9f}".rstrip("0").partition(".")[2])


def quantities_of(label: str, unit: str) -> dict[str, float]:
    """Give what a label may mean: the quantity that its words name, else all that have its unit."""
    known = unit_of(unit)
    if known is None:
        return {}
    fitting = [
        one.name
        for one in QUANTITIES
        if one.name in APART and (own := unit_of(one.unit)) is not None and own.dimension == known.dimension
    ]
    said = " ".join(label.lower().split())
    named = next((one for one in fitting if one in said), None) or judge_name(label, unit, "", 0).quantity
    if named in fitting:
        return {named: 1.0}
    return dict.fromkeys(fitting, 1 / max(len(fitting), 1))
