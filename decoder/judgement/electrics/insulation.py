"""Insulation of the high voltage against the case, in ohm for each volt of the working voltage."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.bits import raw_range
from decoder.channels.states import cycle_s
from decoder.judgement.electrics.contactor_states import ContactorStates, contactor_states
from decoder.judgement.electrics.lasting import runs
from decoder.judgement.electrics.link_voltage import PackVoltage, pack_voltage
from decoder.judgement.finding import Finding, Severity
from decoder.maps.default_limits import limit_of
from decoder.printable import printable

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from decoder.channels import Channels, Series
    from decoder.maps.default_limits import DefaultLimit

# Voltage class B begins above 60 V d.c.: ISO 6469-3 and UN R100, from memory.
CLASS_B_V: Final = 60.0
# A monitor measures for seconds, so single values say little: medians over so long (or four values), overlapping by
# half. A window is filled to four fifths at least, so what is low in its median lasted for 2 s.
# Common practice, no source.
_WINDOW_S: Final = 5.0
_FILLED_SHARE: Final = 0.8
_FEWEST: Final = 4
# After waking up and after a contactor moved, a monitor must begin anew: so long it may say anything.
# Common practice, no source.
_SETTLING_S: Final = 10.0


def insulation_findings(channels: Channels, not_judged: dict[str, str]) -> Iterator[Finding]:
    """Judge each insulation resistance over the largest pack voltage; reasons for not judging go to `not_judged`."""
    those = [series for series in channels.of("insulation resistance") if series.present]
    if not those:
        not_judged["insulation-low"] = "no channel for the insulation resistance has a value"
        return
    pack = pack_voltage(channels, whole=False)
    if pack is None:
        not_judged["insulation-low"] = "neither the pack voltage nor cells are known"
        return
    if pack.largest_v <= CLASS_B_V:
        not_judged["insulation-low"] = (
            f"at {pack.largest_v:.1f} V the pack is below voltage class B ({CLASS_B_V:.0f} V d.c.)"
        )
        return
    states = contactor_states(channels)
    for series in those:
        finding = _low(channels, series, pack, _moved_ns(states))
        if isinstance(finding, str):
            not_judged["insulation-low"] = f"{printable(series.channel.name)}: {finding}"
        elif finding is not None:
            yield finding


def _moved_ns(states: ContactorStates | str) -> NDArray[np.int64]:
    """Give the times at which a main contactor moved."""
    if isinstance(states, str):
        return np.empty(0, np.int64)
    moved = (np.diff(states.main, axis=1) != 0).any(axis=0)
    return np.asarray(states.time_ns[1:][moved])


def _low(channels: Channels, series: Series, pack: PackVoltage, moved_ns: NDArray[np.int64]) -> Finding | str | None:
    """Give the gravest finding of one channel: below the limit of d.c., else below that of joined a.c. circuits."""
    kohm = series.in_quantity_unit
    known = np.isfinite(kohm)
    time_ns = series.rising_ns[known]
    ohm_per_v = kohm[known] * 1000 / pack.largest_v
    at_ns, median = _medians(time_ns, ohm_per_v)
    if not len(at_ns):
        return f"fewer than {_FEWEST} values, or over less than {_FILLED_SHARE * _WINDOW_S:.0f} s"
    events_ns = np.concatenate((time_ns[:1], moved_ns))
    direct = limit_of(channels.sheet, "insulation_ohm_per_v")
    joined = limit_of(channels.sheet, "insulation_combined_ohm_per_v")
    for limit, severity in ((direct, Severity.DANGER), (joined, Severity.CAUTION)):
        # The largest number that a channel can say means 'so much or more'.
        low = (median < limit.value * (1 - 1e-9)) & (median < _top(series) * 1000 / pack.largest_v)
        low &= ~_settling(at_ns, low, events_ns)
        if low.any():
            return _finding(series, pack, at_ns, median, low, limit, severity)
    return None


def _top(series: Series) -> float:
    """Give the largest value that the channel can say, in kohm."""
    signal = series.channel.signal
    ends = [raw * signal.scale + signal.offset for raw in raw_range(signal.field)] if not signal.is_float else [np.inf]
    most = max(ends) if signal.maximum is None or signal.maximum <= 0 else min(max(ends), signal.maximum)
    factor, shift = series.channel.factor, series.channel.shift
    return float(most * (1.0 if factor is None else factor) + (0.0 if shift is None else shift))


def _medians(time_ns: NDArray[np.int64], value: NDArray[np.float64]) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Give when each window begins, and the (upper) medians over them; windows that are not filled are left out."""
    cycle_ns = int((cycle_s(time_ns) or 0.0) * 1e9)
    length_ns = max(int(_WINDOW_S * 1e9), _FEWEST * cycle_ns)
    # Only windows that begin beside a sample: between two logs there may be years.
    half_ns = length_ns // 2
    borders = time_ns[0] + half_ns * np.unique((time_ns - time_ns[0]) // half_ns)
    first, end = np.searchsorted(time_ns, borders), np.searchsorted(time_ns, borders + length_ns)
    covered_ns = time_ns[end - 1] - time_ns[first] + cycle_ns
    at = np.flatnonzero((end - first >= _FEWEST) & (covered_ns >= _FILLED_SHARE * length_ns))
    return borders[at], np.array([_upper_median(value[first[one] : end[one]]) for one in at.tolist()])


def _upper_median(value: NDArray[np.float64]) -> float:
    """Give the middle value, of two the higher one: of four, two that are wrong now and then do not count."""
    middle = len(value) // 2
    return float(np.partition(value, middle)[middle])


def _settling(at_ns: NDArray[np.int64], low: NDArray[np.bool_], events_ns: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Mark low windows that begin while the monitor settles and recover with it."""
    marks = np.zeros(len(low), np.bool_)
    settle_ns = int(_SETTLING_S * 1e9)
    for first, last in zip(*(ends.tolist() for ends in runs(low)), strict=True):
        begins_ns, ends_ns = int(at_ns[first]), int(at_ns[last])
        began = begins_ns + int(_WINDOW_S * 1e9) >= events_ns
        near = events_ns[began & (begins_ns - events_ns <= settle_ns)]
        recovers = last < len(low) - 1
        # At the end of a capture nobody knows whether it recovers; a low that was there from the start is believed.
        if len(near) and ends_ns - int(near.max()) <= settle_ns and (recovers or first > 0):
            marks[first : last + 1] = True
    return marks


def _finding(
    series: Series,
    pack: PackVoltage,
    at_ns: NDArray[np.int64],
    median: NDArray[np.float64],
    low: NDArray[np.bool_],
    limit: DefaultLimit,
    severity: Severity,
) -> Finding:
    worst = int(np.argmin(np.where(low, median, np.inf)))
    where = np.flatnonzero(low)
    until_ns = min(int(at_ns[where[-1]]) + int(_WINDOW_S * 1e9), int(np.max(series.time_ns)))
    value = float(median[worst])
    kohm = value * pack.largest_v / 1000
    if severity is Severity.DANGER:
        means = "Whoever touches pack and case may be killed"
    else:
        means = "This counts where an a.c. circuit is joined with the pack's (UN R100 5.1.3), as by an inverter"
    return Finding(
        code="insulation-low",
        severity=severity,
        place=series.channel.place,
        value=value,
        limit=limit.value,
        unit="ohm/V",
        from_ns=int(at_ns[where[0]]),
        to_ns=until_ns,
        worst_ns=int(at_ns[worst]),
        channel=series.channel.name,
        channels=(series.channel.name, *(pack.names if len(pack.names) == 1 else ())),
        explanation=(
            f"{printable(series.channel.name)} falls to {kohm:.0f} kohm (median over {_WINDOW_S:.0f} s), {value:.0f} "
            f"ohm for each of the {pack.largest_v:.0f} V ({printable(pack.words)}); the limit is "
            f"{limit.value * pack.largest_v / 1000:.0f} kohm. {means}"
        ),
        source=limit.source,
    )
