"""Swelling pressure: a module that presses more than it did at the start, and more than its siblings do.

Temperature and charge move all modules alike, so what the median sibling moves is taken off. A sensor that jumps to
what no module presses is broken, and tells nothing of swelling.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.bits import raw_range
from decoder.judgement.cells.cell_table import step_of
from decoder.judgement.cells.medians import median_of, row_medians
from decoder.judgement.electrics.lasting import lasting
from decoder.judgement.finding import Finding, Severity
from decoder.judgement.sensors.side_by_side import SideBySide, side_by_side
from decoder.judgement.spans import duration, spans
from decoder.maps.default_limits import DefaultLimit, limit_of
from decoder.maps.pack_sheet import Place
from decoder.maps.quantities import quantity
from decoder.printable import printable

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from decoder.channels import Channels, Series

_QUANTITY: Final = "swelling pressure"
# What it was at the start: the median over so long, or this share of a short capture. Common practice, no source.
_START_S: Final = 5.0
_START_SHARE: Final = 0.1
# A rise lasts so long before it is a finding, or this share of a short capture; so long is smoothed. The same.
_LASTS_S: Final = 5.0
_LASTS_SHARE: Final = 0.2
_SMOOTHED_S: Final = 5.0
_SMOOTHED_ROWS: Final = 25
# More than so many limits at one step is the sensor's doing. The same.
_JUMP_LIMITS: Final = 10
# What moves all modules alike is told from so many limits on: temperature and charge do it. The same.
_ALIKE_LIMITS: Final = 3


def pressure_findings(channels: Channels, not_judged: dict[str, str]) -> Iterator[Finding]:
    """Judge swelling pressures against their start and each other; reasons for not judging go to `not_judged`."""
    sensors = [one for one in channels.of(_QUANTITY) if one.present and one.channel.factor is not None]
    if not sensors:
        not_judged["pressure-rise"] = "no swelling pressure in the capture"
        return
    limit = limit_of(channels.sheet, "pressure_rise_kpa")
    table = side_by_side(sensors)
    span_ns = int(table.time_ns[-1] - table.time_ns[0])
    if span_ns == 0:
        not_judged["pressure-rise"] = "the swelling pressure is heard at one moment only"
        return
    if len(sensors) == 1:
        not_judged["pressure-rise"] = (
            "one swelling pressure only: temperature and charge move it too, so it is judged from "
            f"{_ALIKE_LIMITS * limit.value:g} kPa on"
        )
    rise = _rise_over_start(table, limit)
    least_s = min(_LASTS_S, _LASTS_SHARE * span_ns / 1e9)
    own: list[int] = []
    for number, series in enumerate(sensors if len(sensors) > 1 else ()):
        more = rise[:, number] - row_medians(np.delete(rise, number, axis=1))
        # A sibling that falls makes no swelling here.
        excess = np.fmin(more, rise[:, number])
        bad = _above(excess, limit.value + step_of(series) / 2, table.time_ns, least_s)
        if bad.any():
            own.append(number)
            yield _module(series, table, rise[:, number], excess, bad, limit)
    alike = row_medians(rise)
    bad = _above(alike, _ALIKE_LIMITS * limit.value, table.time_ns, least_s)
    if bad.any():
        yield _pack(table, alike, bad, limit)


def _rise_over_start(table: SideBySide, limit: DefaultLimit) -> NDArray[np.float64]:
    """Give how far each pressure is above its start, smoothed; NaN where the sensor says what cannot be."""
    value = np.stack([_plausible(one, table.value[:, n], limit) for n, one in enumerate(table.sensors)], axis=1)
    from_start_ns = table.time_ns - table.time_ns[0]
    start_rows = from_start_ns <= min(_START_S * 1e9, _START_SHARE * float(from_start_ns[-1]))
    rise = np.full(value.shape, np.nan)
    rows = int(_SMOOTHED_S * 1e9 / max(float(from_start_ns[-1]) / (len(value) - 1), 1.0))
    half = min(rows, _SMOOTHED_ROWS) // 2
    for column, pressure in enumerate(value.T):
        known = np.flatnonzero(np.isfinite(pressure))
        if not len(known):
            continue
        # A sensor that wakes later has its start later.
        first = start_rows | (table.time_ns <= table.time_ns[known[0]])
        smooth = row_medians(np.lib.stride_tricks.sliding_window_view(np.pad(pressure, half, "edge"), 2 * half + 1))
        rise[:, column] = smooth - median_of(pressure[first])
    return rise


def _plausible(series: Series, kpa: NDArray[np.float64], limit: DefaultLimit) -> NDArray[np.float64]:
    """Leave out what lies at an end of the field or what no module presses, and what comes by a jump until it goes."""
    low, high = quantity(_QUANTITY).plausible or (0.0, np.inf)
    signal, factor, shift = series.channel.signal, series.channel.factor or 1.0, series.channel.shift or 0.0
    if not signal.is_float:
        least, most = raw_range(signal.field)
        # All ones often mean 'not available': then the value below is the highest.
        ends = [(raw * signal.scale + signal.offset) * factor + shift for raw in (least, most - 1)]
        low, high = max(low, min(ends)), min(high, max(ends))
    half = step_of(series) / 2
    with np.errstate(invalid="ignore"):
        fits = (kpa > low + half) & (kpa < high - half)
    known = np.flatnonzero(fits)
    sound = np.full(len(kpa), np.nan)
    if not len(known):
        return sound
    # Between jumps stand stretches, each off the usual level by the jumps before it.
    steps = np.diff(kpa[known], prepend=kpa[known[0]])
    jumps = np.where(np.abs(steps) > _JUMP_LIMITS * limit.value, steps, 0.0)
    level = np.cumsum(jumps)
    same = np.abs(level - np.median(level)) <= _JUMP_LIMITS * limit.value
    sound[known[same]] = kpa[known[same]]
    return sound


def _above(rise: NDArray[np.float64], most: float, time_ns: NDArray[np.int64], least_s: float) -> NDArray[np.bool_]:
    with np.errstate(invalid="ignore"):
        return lasting(time_ns, rise > most + 1e-6, least_s, good=rise <= most + 1e-6)


def _module(
    series: Series,
    table: SideBySide,
    rise: NDArray[np.float64],
    excess: NDArray[np.float64],
    bad: NDArray[np.bool_],
    limit: DefaultLimit,
) -> Finding:
    channel = series.channel
    return _finding(
        (channel.name,),
        channel.place,
        Severity.DANGER,
        table,
        excess,
        bad,
        limit.value,
        limit.source,
        f"{printable(channel.name)} rises by {np.nanmax(np.where(bad, rise, np.nan)):.1f} kPa over its start",
        "above what its siblings do. A module that swells makes gas or plates lithium",
    )


def _pack(table: SideBySide, alike: NDArray[np.float64], bad: NDArray[np.bool_], limit: DefaultLimit) -> Finding:
    names = tuple(one.channel.name for one in table.sensors)
    who = "all swelling pressures rise" if len(names) > 1 else f"{printable(names[0])} rises"
    return _finding(
        names,
        Place() if len(names) > 1 else table.sensors[0].channel.place,
        Severity.WARNING,
        table,
        alike,
        bad,
        _ALIKE_LIMITS * limit.value,
        f"{_ALIKE_LIMITS} times the limit ({limit.source})",
        f"{who} over the start",
        "in the median. Heat and charge move all modules alike and may explain it; where neither rose, cells swell",
    )


def _finding(
    names: tuple[str, ...],
    place: Place,
    severity: Severity,
    table: SideBySide,
    rise: NDArray[np.float64],
    bad: NDArray[np.bool_],
    limit: float,
    source: str,
    what: str,
    meaning: str,
) -> Finding:
    where = np.flatnonzero(bad)
    worst = int(where[np.argmax(rise[where])])
    whole = spans(table.time_ns, bad, join_s=np.inf)[0]
    return Finding(
        code="pressure-rise",
        severity=severity,
        place=place,
        value=float(rise[worst]),
        limit=limit,
        unit="kPa",
        from_ns=whole.from_ns,
        to_ns=whole.to_ns,
        worst_ns=int(table.time_ns[worst]),
        channel=names[0] if len(names) == 1 else None,
        channels=names,
        explanation=f"{what}, {duration(whole)}, by up to {rise[worst]:.1f} kPa {meaning}",
        source=source,
    )
