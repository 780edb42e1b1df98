"""Temperatures against each other: broken wires, sensors that do not follow, and one place that is warmer or colder."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.judgement.cells.cell_table import step_of
from decoder.judgement.cells.medians import row_medians
from decoder.judgement.finding import Finding, Severity
from decoder.judgement.sensors.side_by_side import SideBySide, side_by_side
from decoder.judgement.sensors.single_channels import WAKE_UP_S
from decoder.judgement.sensors.thermistors import (
    COLDEST_C,
    HOTTEST_C,
    OFF_AT_END_C,
    OFF_C,
    like_kinds,
    temperatures,
    unsound_samples,
)
from decoder.judgement.spans import Span, duration, spans
from decoder.maps.default_limits import DefaultLimit, limit_of
from decoder.printable import printable

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from decoder.channels import Channels, Series

COMPARED: Final = ("cell temperature", "module temperature")
# So many samples at a rail, two of them one after the other, or so many single ones. Common practice, no source.
_FEWEST_AT_RAIL: Final = 3
# A spread lasts so long, or half of the capture, before it is a finding. Common practice, no source.
_SPREAD_LASTS_S: Final = 10.0
_DUST_C: Final = 1e-6
# A sensor does not follow if it shows one value in so many samples, while the median of at least three siblings goes
# so far (degC, and steps of the sensor), and each of them half of that the same way. Common practice, no source.
_STILL_SAMPLES: Final = 20
_FOLLOWED: Final = 3
_MOVE_C: Final = 4.0
_MOVE_STEPS: Final = 6
_LONGEST_STILL: Final = 3  # stretches looked at, the longest first
_PRACTICE: Final = "common practice, no source"


def temperature_findings(channels: Channels, not_judged: dict[str, str]) -> Iterator[Finding]:
    """Judge temperatures against their siblings; reasons for not judging go to `not_judged`."""
    every = temperatures(channels, *COMPARED, "coolant temperature")
    if not every:
        not_judged["temperature-rail"] = not_judged["temperature-spread"] = "no temperature in the capture"
        return
    if len(every) == 1:
        not_judged["temperature-rail"] = "one temperature only: it has no siblings to be held against"
    broken: set[str] = set()
    for series, unsound in zip(every, unsound_samples(every), strict=True):
        if _persists(series, unsound):
            broken.add(series.channel.name)
            yield _rail(series, unsound, every)
    sound = [one for one in every if one.channel.quantity in COMPARED and one.channel.name not in broken]
    kinds = [[sound[number] for number in kind] for kind in like_kinds(sound)]
    if not any(len(kind) > 1 for kind in kinds):
        not_judged["temperature-spread"] = "fewer than two sound sensors of one kind"
    for kind in kinds:
        if len(kind) > 1:
            yield from _among(kind, channels)


def _persists(series: Series, unsound: NDArray[np.bool_]) -> bool:
    """Tell whether samples at a rail are more than damaged frames or a wake-up."""
    where = np.flatnonzero(unsound)
    present = np.flatnonzero(np.isfinite(series.in_quantity_unit))
    if len(where) < min(_FEWEST_AT_RAIL, len(present)) or not len(where):
        return False
    index = np.searchsorted(present, where)
    runs = 1 + int(np.count_nonzero(np.diff(index) > 1))
    wakes = index[0] == 0 and runs == 1 and where[-1] < present[-1]
    if wakes and series.time_ns[where[-1]] - series.time_ns[where[0]] < WAKE_UP_S * 1e9:
        return False
    return runs < len(where) or runs >= _FEWEST_AT_RAIL or len(where) == len(present)


def _rail(series: Series, unsound: NDArray[np.bool_], every: Sequence[Series]) -> Finding:
    channel = series.channel
    where = np.flatnonzero(unsound)
    value = series.in_quantity_unit[where]
    others = [one for one in every if one is not series]
    usual = float(np.median([np.nanmedian(one.in_quantity_unit) for one in others or [series]]))
    worst = int(np.argmax(np.abs(value - usual)))
    cold = bool(value[worst] < usual)
    span = Span(
        int(series.time_ns[where].min()), int(series.time_ns[where].max()), int(where[0]), int(where[-1]), len(where)
    )
    runs = 1 + int(np.count_nonzero(np.diff(where) > 1))
    often = f"in {len(where)} of {series.present} samples, " + (f"{runs} times" if runs > 1 else duration(span))
    return Finding(
        code="temperature-rail",
        severity=Severity.CAUTION,
        place=channel.place,
        value=float(value[worst]),
        limit=max(usual - OFF_AT_END_C, COLDEST_C) if cold else min(usual + OFF_AT_END_C, HOTTEST_C),
        unit=channel.quantity_unit,
        from_ns=span.from_ns,
        to_ns=span.to_ns,
        worst_ns=int(series.time_ns[where[worst]]),
        channel=channel.name,
        channels=(channel.name,),
        explanation=(
            f"{printable(channel.name)} reads {value[worst]:.1f} degC {often}, where its siblings are around "
            f"{usual:.1f} degC. So reads an {'open' if cold else 'open or shorted'} thermistor or a broken wire; "
            "nothing watches the heat at this place"
        ),
        source=f"at an end {OFF_AT_END_C:g}, by a jump {OFF_C:g} degC from the siblings: {_PRACTICE}",
    )


def _among(kind: Sequence[Series], channels: Channels) -> Iterator[Finding]:
    """Judge sensors of one kind, none of which is broken."""
    table = side_by_side(kind)
    still = [series.stuck for series in kind]
    for number, series in enumerate(kind):
        stretch = None if series.stuck else _does_not_follow(number, table)
        if stretch is not None:
            still[number] = True
            yield _stuck(series, *stretch)
    follows = np.flatnonzero(~np.array(still))
    if len(follows) > 1:
        left = SideBySide(tuple(kind[number] for number in follows.tolist()), table.time_ns, table.value[:, follows])
        yield from _spread(left, limit_of(channels.sheet, "temperature_spread_c"), channels)


def _does_not_follow(number: int, table: SideBySide) -> tuple[int, int, float] | None:
    """Give the first and last sample of a stretch with one value while the siblings move, and by how much they do."""
    series = table.sensors[number]
    present = np.flatnonzero(np.isfinite(series.in_quantity_unit))
    if len(table.sensors) <= _FOLLOWED or len(present) < _STILL_SAMPLES:
        return None
    value = series.in_quantity_unit[present]
    time_ns = series.rising_ns[present]
    starts = np.concatenate(([0], np.flatnonzero(np.diff(value) != 0) + 1))
    ends = np.append(starts[1:], len(value)) - 1
    others = np.delete(table.value, number, axis=1)
    needed = max(_MOVE_C, _MOVE_STEPS * step_of(series))
    longest = np.argsort(time_ns[starts] - time_ns[ends], kind="stable")[:_LONGEST_STILL]
    for begin, end in zip(starts[longest], ends[longest], strict=True):
        if end - begin + 1 < _STILL_SAMPLES:
            continue
        rows = np.clip(np.searchsorted(table.time_ns, time_ns[[begin, end]], side="right") - 1, 0, None)
        moved = others[rows[1]] - others[rows[0]]
        moved = moved[np.isfinite(moved)]
        if len(moved) < _FOLLOWED:
            continue
        usual = float(np.median(moved))
        if abs(usual) >= needed and np.all(moved * np.sign(usual) >= abs(usual) / 2):
            return int(present[begin]), int(present[end]), usual
    return None


def _stuck(series: Series, first: int, last: int, moved_c: float) -> Finding:
    channel = series.channel
    value = float(series.in_quantity_unit[first])
    return Finding(
        code="channel-stuck",
        severity=Severity.CAUTION,
        place=channel.place,
        value=value,
        limit=None,
        unit=channel.quantity_unit,
        from_ns=int(series.time_ns[first]),
        to_ns=int(series.time_ns[last]),
        channel=channel.name,
        channels=(channel.name,),
        explanation=(
            f"{printable(channel.name)} stays at {value:.1f} degC in {last - first + 1} samples while its siblings go "
            f"by {moved_c:+.1f} degC. A sensor that is stuck hides what happens at its place"
        ),
        source=f"siblings move by {_MOVE_C:g} degC and {_MOVE_STEPS} steps or more: {_PRACTICE}",
    )


def _spread(table: SideBySide, limit: DefaultLimit, channels: Channels) -> Iterator[Finding]:
    celsius = table.value
    known = np.count_nonzero(np.isfinite(celsius), axis=1) > 1
    spread = np.zeros(len(celsius))
    spread[known] = np.nanmax(celsius[known], axis=1) - np.nanmin(celsius[known], axis=1)
    bad = spread > limit.value + _DUST_C
    long_ns = min(_SPREAD_LASTS_S * 1e9, int(table.time_ns[-1] - table.time_ns[0]) / 2)
    for span in spans(table.time_ns, bad, good=known & ~bad):
        inside = slice(span.first, span.last + 1)
        mostly = span.count * 2 >= np.count_nonzero(known[inside])
        if span.to_ns - span.from_ns >= long_ns and mostly:
            yield _spread_finding(table, span, span.first + int(np.argmax(spread[inside])), spread, limit, channels)


def _spread_finding(
    table: SideBySide, span: Span, worst: int, spread: NDArray[np.float64], limit: DefaultLimit, channels: Channels
) -> Finding:
    row = table.value[worst]
    # Which one is odd is asked over the whole span: at one moment the ends may lie equally far from the median.
    inside = table.value[span.first : span.last + 1]
    away = row_medians((inside - row_medians(inside)[:, None]).T)
    away[~np.isfinite(row)] = np.nan
    # Of two, the warmer one: heat does the harm.
    odd = int(np.nanargmax(np.abs(away) + _DUST_C * (away > 0)))
    lowest, highest = table.sensors[int(np.nanargmin(row))], table.sensors[int(np.nanargmax(row))]
    series = table.sensors[odd]
    place = series.channel.place
    where = channels.sheet.where_in_case(place.module) if channels.sheet and place.module is not None else None
    beside = f" (module {place.module}: {where})" if where else ""
    return Finding(
        code="temperature-spread",
        severity=Severity.CAUTION,
        place=place,
        value=float(spread[worst]),
        limit=limit.value,
        unit="degC",
        from_ns=span.from_ns,
        to_ns=span.to_ns,
        worst_ns=int(table.time_ns[worst]),
        channel=series.channel.name,
        channels=tuple(dict.fromkeys((lowest.channel.name, highest.channel.name))),
        explanation=(
            f"lowest {np.nanmin(row):.1f} degC ({lowest.channel.place}), highest {np.nanmax(row):.1f} degC "
            f"({highest.channel.place}) among {len(table.sensors)} sensors of one kind, {duration(span)}; "
            f"{place} stands {away[odd]:+.1f} degC off the median{beside}. Cells that differ in temperature age "
            "unequally; coolant may not reach the place, or a joint may be hot"
        ),
        source=limit.source,
    )
