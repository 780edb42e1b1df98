"""A handheld meter held to a made pack: readings with its resolution, errors, noise and its own clock.

6000 counts, as ordinary handheld meters have; their data sheets give an error as a share of the value and digits of
the last place. Common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.discovery.readings import Reading

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from tools.packs.truth import PackTrial, TrueChannel

    Array = NDArray[np.float64]

COUNTS: Final = 6000
FINEST: Final = {"V": 0.001, "A": 0.1, "degC": 0.1, "kohm": 1.0, "%": 0.1, "kPa": 0.1, "kW": 0.1}
# Largest error as a share of the value, and in digits of the last place.
ERRORS: Final = {"V": (0.0005, 1.0), "A": (0.005, 1.0), "degC": (0.0, 3.0), "kohm": (0.01, 1.0)}
OTHER_ERRORS: Final = (0.0, 1.0)
NOISE_DIGITS: Final = 0.3
LOOKS_S: Final = 0.2  # over which the meter takes a mean
EDGE_S: Final = 0.5  # no readings this close to an end of the capture
WORST_OFFSET_S: Final = 10.0
WORST_DRIFT_PPM: Final = 100.0


@dataclass(frozen=True, slots=True)
class Clock:
    """The meter's clock: it shows `offset_s` more than the capture's at its first frame, and gains `drift_ppm`."""

    offset_s: float = 0.0
    drift_ppm: float = 0.0

    def shows(self, time_s: Array) -> Array:
        """Give what it shows at times of the capture (s from the first frame)."""
        return time_s * (1 + self.drift_ppm * 1e-6) + self.offset_s


@dataclass(frozen=True, eq=False, slots=True)
class Taken:
    """Readings, and when each was truly taken (s from the capture's first frame)."""

    readings: tuple[Reading, ...]
    true_s: Array
    clock: Clock


def draw_clock(rng: np.random.Generator) -> Clock:
    """Draw a meter's clock: up to 10 s off, up to 100 ppm fast or slow."""
    return Clock(
        float(rng.uniform(-WORST_OFFSET_S, WORST_OFFSET_S)), float(rng.uniform(-WORST_DRIFT_PPM, WORST_DRIFT_PPM))
    )


def take(
    trial: PackTrial,
    channel: TrueChannel,
    count: int,
    rng: np.random.Generator,
    *,
    clock: Clock | None = None,
    times_s: Sequence[float] | None = None,
    label: str | None = None,
) -> Taken:
    """Take `count` readings of what a channel shows, at random times of the capture or at `times_s`."""
    clock = draw_clock(rng) if clock is None else clock
    last_s = (int(trial.frames.time_ns[-1]) - int(trial.frames.time_ns[0])) / 1e9
    drawn = rng.uniform(EDGE_S, max(EDGE_S, last_s - EDGE_S), count)
    true_s = np.sort(drawn if times_s is None else np.asarray(times_s, float))
    looks = np.linspace(-LOOKS_S / 2, LOOKS_S / 2, 5)
    value = trial.value(channel, (true_s[:, None] + looks).ravel()).reshape(-1, len(looks)).mean(axis=1)
    digit = digits_of(value, channel.unit)
    gain, digits = ERRORS.get(channel.unit, OTHER_ERRORS)
    value = value * (1 + gain * rng.uniform(-1, 1)) + digit * digits * rng.uniform(-1, 1)
    shown = np.round((value + rng.normal(0, NOISE_DIGITS, len(value)) * digit) / digit) * digit
    name = label or f"{channel.quantity or channel.decoy} {channel.place}"
    readings = tuple(
        Reading(round(time_s, 2), name, float(f"{one:.10g}"), channel.unit, step)
        for time_s, one, step in zip(clock.shows(true_s).tolist(), shown.tolist(), digit.tolist(), strict=True)
    )
    return Taken(readings, true_s, clock)


def digits_of(value: Array, unit: str) -> Array:
    """Give the worth of the last place: the finest with which each value still has no more than 6000 counts."""
    finest = FINEST.get(unit, 0.1)
    ranges = np.ceil(np.log10(np.maximum(np.abs(value), finest) / (COUNTS * finest)))
    return finest * 10.0 ** np.clip(ranges, 0, None)
