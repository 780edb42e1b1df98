"""Temperatures that rise faster than a pack in use heats."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.judgement.cells.cell_table import step_of
from decoder.judgement.finding import Finding, Severity
from decoder.judgement.sensors.temperatures import COMPARED
from decoder.judgement.sensors.thermistors import temperatures, unsound_samples
from decoder.judgement.spans import Span, duration, spans
from decoder.maps.default_limits import DefaultLimit, limit_of
from decoder.printable import printable

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from decoder.channels import Channels, Series

# A rise lasts so long (GB 38031 / GTR 20 pack alarm, from memory).
RISES_S: Final = 3.0
# What is looked at as one rise, so long or so many samples; longer ones are found by their parts. Common practice,
# no source.
_WINDOW_S: Final = 12.0
_WINDOW_SAMPLES: Final = 4
# Samples within this time count as one: no pack heats so much faster, and the jump of a wire stays one step.
_BIN_NS: Final = 250_000_000
# A rise falls back by no more than one step, or this. Common practice, no source.
_FALLS_BACK_C: Final = 0.5
# More than this share of a rise within one step is the jump of a wire. Common practice, no source.
_JUMP_SHARE: Final = 0.6
# Both ends of a rise are known within one step of resolution.
_UNSURE_STEPS: Final = 2
_DUST: Final = 1e-9


@dataclass(frozen=True, slots=True, eq=False)
class Rising:
    """Samples of a sensor, at most four a second, and which belong to a rise.

    time_ns : int64, never falling; celsius : float64; is_rising : bool
    rate : float64, the fastest rise that ends at each sample (degC/s), 0 where none does
    """

    time_ns: NDArray[np.int64]
    celsius: NDArray[np.float64]
    is_rising: NDArray[np.bool_]
    rate: NDArray[np.float64]


def temperature_rise_findings(channels: Channels, not_judged: dict[str, str]) -> Iterator[Finding]:
    """Judge how fast temperatures rise; reasons for not judging go to `not_judged`."""
    sensors = temperatures(channels, *COMPARED)
    if not sensors:
        not_judged["temperature-rise"] = "no cell or module temperature in the capture"
        return
    limit = limit_of(channels.sheet, "temperature_rise_c_per_s")
    short = True
    for series, unsound in zip(sensors, unsound_samples(sensors), strict=True):
        found = rising(series, unsound, limit.value)
        short &= len(found.time_ns) < 3 or bool(found.time_ns[-1] - found.time_ns[0] < RISES_S * 1e9)
        for span in spans(found.time_ns, found.is_rising):
            yield _finding(series, found, span, limit)
    if short:
        not_judged["temperature-rise"] = f"no temperature is heard for {RISES_S:g} s"


def rising(series: Series, unsound: NDArray[np.bool_], limit_c_per_s: float) -> Rising:
    """Find where a temperature rises by `limit_c_per_s` or more for three seconds or more, and not by one jump.

    unsound : its samples that come from a broken wire
    """
    here = np.flatnonzero(np.isfinite(series.in_quantity_unit) & ~unsound)
    time_ns = series.rising_ns[here]
    number = (time_ns - time_ns[0]) // _BIN_NS if len(here) else time_ns
    last = np.append(np.diff(number) > 0, True)[: len(here)]
    time_ns, celsius = time_ns[last], series.in_quantity_unit[here][last]
    rate = np.zeros(len(time_ns))
    marks = np.zeros(len(time_ns) + 1, np.int64)
    step = step_of(series)
    least_c = RISES_S * limit_c_per_s + _UNSURE_STEPS * step
    steps = np.diff(celsius)
    falls = np.concatenate(([0], np.cumsum(steps < -max(step, _FALLS_BACK_C) - _DUST)))
    largest = steps.copy()
    window_s = max(_WINDOW_S, _WINDOW_SAMPLES * float(np.median(np.diff(time_ns))) / 1e9) if len(steps) else 0.0
    for lag in range(1, min(int(_WINDOW_S * 1e9) // _BIN_NS + 1, len(time_ns))):
        largest = np.maximum(largest[: len(time_ns) - lag], steps[lag - 1 :])
        rise = celsius[lag:] - celsius[:-lag]
        took_s = (time_ns[lag:] - time_ns[:-lag]) / 1e9
        fits = (took_s >= RISES_S) & (took_s <= window_s) & (rise >= least_c - _DUST)
        fits &= (rise >= limit_c_per_s * took_s - _DUST) & (falls[lag:] == falls[:-lag])
        fits &= largest <= _JUMP_SHARE * rise
        # What is flat before and after it is no part of a rise.
        fits &= (steps[: len(time_ns) - lag] > 0) & (steps[lag - 1 :] > 0)
        starts = np.flatnonzero(fits)
        np.add.at(marks, starts, 1)
        np.add.at(marks, starts + lag + 1, -1)
        rate[starts + lag] = np.maximum(rate[starts + lag], rise[starts] / took_s[starts])
    return Rising(time_ns, celsius, np.cumsum(marks[:-1]) > 0, rate)


def _finding(series: Series, found: Rising, span: Span, limit: DefaultLimit) -> Finding:
    channel = series.channel
    inside = slice(span.first, span.last + 1)
    worst = span.first + int(np.argmax(found.rate[inside]))
    low, high = float(found.celsius[span.first]), float(found.celsius[span.last])
    return Finding(
        code="temperature-rise",
        severity=Severity.WARNING,
        place=channel.place,
        value=float(found.rate[worst]),
        limit=limit.value,
        unit="degC/s",
        from_ns=span.from_ns,
        to_ns=span.to_ns,
        worst_ns=int(found.time_ns[worst]),
        channel=channel.name,
        channels=(channel.name,),
        explanation=(
            f"{printable(channel.name)} rises from {low:.1f} to {high:.1f} degC {duration(span)}, at its fastest by "
            f"{found.rate[worst]:.1f} degC a second over {RISES_S:g} s or more. No pack heats so fast in use: a cell "
            "may be failing, or a joint burning"
        ),
        source=limit.source,
    )
