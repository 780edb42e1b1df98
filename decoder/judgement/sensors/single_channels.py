"""What one channel says by itself: out of range, absent, stale, stuck."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from decoder.channels.states import STALE_CYCLES, STUCK_SIBLING_STEPS, beyond_limits, stale_samples
from decoder.judgement.finding import Finding, Severity
from decoder.judgement.spans import Span, duration, spans
from decoder.maps.pack_sheet import Place
from decoder.printable import printable

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from decoder.channels import Channels, Limit, Series

# An absence that begins with the channel's first sample and ends within this time is a wake-up.
# Common practice, no source.
WAKE_UP_S = 5.0
# Findings of the same code that begin and end within this time of each other have one cause.
SAME_MOMENT_S = 1.0
_NAMED_CHANNELS = 3


def channel_findings(channels: Channels) -> Iterator[Finding]:
    """Judge every channel by itself; what many channels show at the same time becomes one finding."""
    shared: list[Finding] = []
    for series in channels.series.values():
        if not len(series):
            continue
        yield from _out_of_range(series)
        if series.stuck:
            yield _stuck(series)
        shared.extend(_absent(series))
        shared.extend(_stale(series))
    yield from _together(shared, channels)


def _out_of_range(series: Series) -> Iterator[Finding]:
    low, high = beyond_limits(series.channel, series.number)
    for bad, side, limit in ((low, "low", series.channel.low), (high, "high", series.channel.high)):
        if limit is not None and bad.any():
            for span in spans(series.time_ns, bad):
                yield _beyond(series, span, bad, side, limit)


def _beyond(
    series: Series, span: Span, bad: np.ndarray[tuple[int], np.dtype[np.bool_]], side: str, limit: Limit
) -> Finding:
    channel = series.channel
    inside = slice(span.first, span.last + 1)
    distance = np.where(bad[inside], np.abs(series.number[inside] - limit.value), -1.0)
    worst = span.first + int(np.argmax(distance))
    value, at = _in_unit(series, series.number[worst]), _in_unit(series, limit.value)
    kind = "supply" if channel.quantity == "supply voltage" else "channel"
    grave = channel.quantity == "cell voltage"
    than = "below" if side == "low" else "above"
    unit = channel.quantity_unit
    return Finding(
        code=f"{kind}-{side}",
        severity=Severity.WARNING if grave else Severity.CAUTION,
        place=channel.place,
        value=value,
        limit=at,
        unit=unit,
        from_ns=span.from_ns,
        to_ns=span.to_ns,
        worst_ns=int(series.time_ns[worst]),
        channel=channel.name,
        channels=(channel.name,),
        explanation=(
            f"{printable(channel.name)} is {than} its limit {duration(span)} ({span.count} samples). "
            f"{_why_range(channel.quantity, side)}"
        ),
        source=limit.source,
    )


def _why_range(quantity: str | None, side: str) -> str:
    """Say why being out of range matters."""
    if quantity == "cell voltage":
        harm = "copper dissolves and shorts can grow" if side == "low" else "lithium plates out and the cell heats"
        return f"A cell outside its window is damaged for good: {harm}"
    if quantity in {"cell temperature", "module temperature", "coolant temperature"}:
        return "Outside its temperatures a pack ages fast; heat that goes on rising ends in fire"
    if quantity == "supply voltage":
        return "The controller may drop out or read wrong"
    if quantity == "insulation resistance":
        return "Touching the case may be deadly"
    return "The limit was set because beyond it something is wrong"


def _in_unit(series: Series, value: float) -> float:
    channel = series.channel
    if channel.factor is None or channel.shift is None:
        return float(value)
    return float(value) * channel.factor + channel.shift


def _stuck(series: Series) -> Finding:
    channel = series.channel
    present = series.number[~np.isnan(series.number)]
    return Finding(
        code="channel-stuck",
        severity=Severity.CAUTION,
        place=channel.place,
        value=_in_unit(series, present[0]),
        limit=None,
        unit=channel.quantity_unit,
        from_ns=int(series.time_ns[0]),
        to_ns=int(series.time_ns[-1]),
        channel=channel.name,
        channels=(channel.name,),
        explanation=(
            f"{printable(channel.name)} never moves in {len(present)} samples while most of its siblings do. "
            "A sensor that is stuck hides what happens at its place"
        ),
        source=f"siblings move by {STUCK_SIBLING_STEPS} steps or more: common practice, no source",
    )


def _absent(series: Series) -> Iterator[Finding]:
    if series.absent is None:
        return
    for span in spans(series.time_ns, series.absent, join_s=1.0):
        wakes = span.first == 0 and (span.to_ns - span.from_ns) < WAKE_UP_S * 1e9 and span.last < len(series) - 1
        until = int(series.time_ns[min(span.last + 1, len(series) - 1)])
        yield Finding(
            code="channel-absent",
            severity=Severity.NOTICE if wakes else Severity.CAUTION,
            place=series.channel.place,
            value=None,
            limit=None,
            unit="",
            from_ns=span.from_ns,
            to_ns=until,
            channel=series.channel.name,
            channels=(series.channel.name,),
            explanation=(
                f"not available {duration(replace(span, to_ns=until))}"
                + (
                    ", at wake-up, as controllers do before they have measured"
                    if wakes
                    else ". A sensor, its wire or the controller's input is faulty, and nothing watches this place"
                )
            ),
            source="raw value means 'not available'",
        )


def _stale(series: Series) -> Iterator[Finding]:
    stale = stale_samples(series)
    if not stale.any():
        return
    end_ns = series.next_ns if series.next_ns is not None else int(series.time_ns[-1])
    following_ns = np.append(series.time_ns[1:], end_ns)
    gap_ns = np.where(stale, following_ns - series.time_ns, 0)
    cycle = series.cycle_s or 0.0
    for span in spans(series.time_ns, stale, join_s=0.0):
        until = int(following_ns[span.last])
        longest = float(gap_ns[span.first : span.last + 1].max()) / 1e9
        how_long = f"{longest:.1f} s" if span.count == 1 else f"up to {longest:.1f} s, {span.count} times"
        yield Finding(
            code="channel-stale",
            severity=Severity.CAUTION,
            place=series.channel.place,
            value=longest,
            limit=cycle * STALE_CYCLES if series.unanswered_ns is None else None,
            unit="s",
            from_ns=span.from_ns,
            to_ns=until,
            channel=series.channel.name,
            channels=(series.channel.name,),
            explanation=f"no new value for {how_long}, {_expected(series, span)}. What was last shown is not what is",
            source=f"{STALE_CYCLES} {'cycle times' if series.unanswered_ns is None else 'questions in vain'}",
        )


def _expected(series: Series, span: Span) -> str:
    """Say what should have come."""
    if series.unanswered_ns is None:
        return f"expected every {_period(series.cycle_s or 0.0)}"
    ends = series.time_ns[span.first], series.time_ns[min(span.last + 1, len(series) - 1)]
    until = series.next_ns if span.last == len(series) - 1 and series.next_ns is not None else ends[1]
    in_vain = np.count_nonzero((series.unanswered_ns > ends[0]) & (series.unanswered_ns <= until))
    return f"asked for {in_vain} times in vain"


def _period(seconds: float) -> str:
    return f"{seconds * 1000:.0f} ms" if seconds < 1 else f"{seconds:.1f} s"


def _together(findings: Iterable[Finding], channels: Channels) -> Iterator[Finding]:
    """Join findings of several channels that begin and end together: one cause, one finding."""
    groups: list[list[Finding]] = []
    for finding in sorted(findings, key=lambda f: (f.code, f.severity, f.from_ns, f.to_ns)):
        # Sorted by their beginning: a group that began too early will not begin again.
        for group in reversed(groups):
            first = group[0]
            if (first.code, first.severity) != (finding.code, finding.severity) or not _near(
                first.from_ns, finding.from_ns
            ):
                groups.append([finding])
                break
            if _near(first.to_ns, finding.to_ns):
                group.append(finding)
                break
        else:
            groups.append([finding])
    for group in groups:
        yield _joined(group, channels)


def _near(one_ns: int, other_ns: int) -> bool:
    return abs(one_ns - other_ns) <= SAME_MOMENT_S * 1e9


def _joined(group: list[Finding], channels: Channels) -> Finding:
    first = group[0]
    names = [finding.channel for finding in group if finding.channel]
    shown = ", ".join(printable(name) for name in names[:_NAMED_CHANNELS])
    more = f" and {len(names) - _NAMED_CHANNELS} more" if len(names) > _NAMED_CHANNELS else ""
    places = {channels[name].channel.place for name in names}
    modules = {place.module for place in places}
    alone = len(places) == 1
    return replace(
        first,
        place=first.place if alone else Place(module=modules.pop() if len(modules) == 1 else None),
        channel=first.channel if len(names) == 1 else None,
        channels=tuple(names),
        from_ns=min(finding.from_ns for finding in group),
        to_ns=max(finding.to_ns for finding in group),
        explanation=f"{shown}{more}: {first.explanation}",
    )
