"""Channels and findings as what is drawn over time: lines, marks, limits, and what a legend says of them."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.channels.states import STALE_CYCLES
from decoder.judgement.finding import SEVERITY_SYMBOLS
from decoder.report.decimation import decimated
from decoder.report.drawing import Line, Mark, StateRow
from decoder.report.texts import Degrees, number_words, short_name, turned, unit_words

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

    from decoder.channels import Channels, Series
    from decoder.judgement import Finding, Judgement
    from decoder.judgement.cells.cell_table import CellTable

MOST_POINTS: Final = 1500
# The raw value of a switch that is drawn as a bar; most say 1 while closed. Common practice, no source.
_DRAWN_STATE: Final = 1


@dataclass(frozen=True, slots=True)
class LegendEntry:
    """What one line or band is; `style` as in `Line`, ``None`` for a band."""

    style: int | None
    text: str


@dataclass(frozen=True, eq=False)
class Makings:
    """What all pictures are made from."""

    channels: Channels
    judgement: Judgement
    table: CellTable | None
    degrees: Degrees
    end_s: float = 0.0
    numbered: list[tuple[int, Finding]] = field(default_factory=list)

    def second(self, time_ns: NDArray[np.int64]) -> NDArray[np.float64]:
        """Give times from the first frame; the clock never runs back."""
        return (np.maximum.accumulate(time_ns) - self.channels.first_ns) / 1e9

    def marks(self, names: Iterable[str], codes: frozenset[str] | None = None) -> tuple[Mark, ...]:
        """Give when findings about these channels hold, gravest first; several of one kind and place are one mark."""
        wanted = set(names)
        together: dict[tuple[object, ...], list[tuple[int, Finding]]] = {}
        for number, finding in self.numbered:
            about = set(finding.channels) | ({finding.channel} if finding.channel else set())
            if about & wanted and (codes is None or finding.code in codes):
                together.setdefault((finding.code, finding.place), []).append((number, finding))
        return tuple(self._mark(those) for those in together.values())

    def _mark(self, those: Sequence[tuple[int, Finding]]) -> Mark:
        number, first = those[0]
        spans = [
            ((one.from_ns - self.channels.first_ns) / 1e9, (one.to_ns - self.channels.first_ns) / 1e9)
            for _, one in those
        ]
        return Mark(number, SEVERITY_SYMBOLS[first.severity], first.severity.word, tuple(sorted(spans)))


def names_of(those: Iterable[Series]) -> list[str]:
    """Give the names of channels."""
    return [one.channel.name for one in those]


def steady_scans(makings: Makings, table: CellTable) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Give time (s) and voltages (scans x cells) of the scans that can be compared; all, where none can."""
    known = np.isfinite(table.scans.volt).any(axis=1)
    steady = known & table.scans.steady
    chosen = steady if steady.any() else known
    return makings.second(table.scans.time_ns[chosen]), table.scans.volt[chosen]


def thinned(label: str, time_s: NDArray[np.float64], value: NDArray[np.float64], style: int) -> Line:
    """Make a line of at most `MOST_POINTS` points, peaks kept."""
    chosen = decimated(value, MOST_POINTS)
    return Line(label, time_s[chosen], value[chosen], style)


def line_of(makings: Makings, series: Series, label: str, style: int) -> Line:
    """Make a line of one channel; it breaks where no sample came for long."""
    time_s, value = makings.second(series.time_ns), in_degrees(makings, series.in_quantity_unit, series)
    if series.cycle_s and len(time_s) > 1:
        gaps = np.flatnonzero(np.diff(time_s) > STALE_CYCLES * series.cycle_s)
        time_s = np.insert(time_s, gaps + 1, time_s[gaps])
        value = np.insert(value.astype(np.float64), gaps + 1, np.nan)
    return thinned(label, time_s, value, style)


def in_degrees(makings: Makings, value: NDArray[np.float64], series: Series | None = None) -> NDArray[np.float64]:
    """Turn temperatures into the degrees that are shown; of a series only if it is a temperature."""
    if makings.degrees is Degrees.CELSIUS or (series is not None and series.channel.quantity_unit != "degC"):
        return value
    return value * 1.8 + 32.0


def limits_of(those: Sequence[Series], makings: Makings) -> tuple[tuple[str, float], ...]:
    """Give the limits that all these channels share."""
    limits = []
    for word, which in (("low limit", "low"), ("high limit", "high")):
        found = set()
        for series in those:
            limit = getattr(series.channel, which)
            factor, shift = series.channel.factor or 1.0, series.channel.shift or 0.0
            value = None if limit is None else limit.value * factor + shift
            found.add(turned(value, series.channel.quantity_unit, makings.degrees)[0])
        if len(found) == 1 and (value := found.pop()) is not None:
            limits.append((f"{word} {value:g}", value))
    return tuple(limits)


def state_row(makings: Makings, series: Series) -> StateRow:
    """Give when a switch says 1; a bounded count of changes is drawn."""
    says = (series.raw == _DRAWN_STATE).astype(np.float64)
    if series.absent is not None:
        says = np.where(series.absent, np.nan, says)
    chosen = decimated(says, MOST_POINTS)
    time_s, on = makings.second(series.time_ns)[chosen], (says[chosen] == 1).astype(np.int8)
    begins = np.flatnonzero(np.diff(on, prepend=0) == 1)
    ends = np.flatnonzero(np.diff(on, append=0) == -1)
    following = np.append(time_s[1:], makings.end_s)
    spans = tuple(zip(time_s[begins].tolist(), following[ends].tolist(), strict=True))
    return StateRow(short_name(_switch_name(series), 9), spans)


def _switch_name(series: Series) -> str:
    return str(series.channel.place.sensor or series.channel.quantity)


def drawn_states(switches: Sequence[Series]) -> str:
    """Say what the bars of switches stand for: the map's word for the raw value 1, where they differ with names."""
    named: dict[str, list[str]] = {}
    for series in switches:
        word = series.channel.signal.labels.get(_DRAWN_STATE)
        named.setdefault(f"'{word}'" if word else f"{_DRAWN_STATE}", []).append(_switch_name(series))
    if len(named) == 1:
        return next(iter(named))
    return "; ".join(f"{word} ({', '.join(names)})" for word, names in named.items())


def entry(line: Line, unit: str, digits: int = 1) -> LegendEntry:
    """Say what a line is, and between which values it runs."""
    return LegendEntry(line.style, f"{line.label}: {range_words(line.value, unit, digits)}")


def range_words(value: NDArray[np.float64], unit: str, digits: int) -> str:
    """Write lowest and highest value."""
    known = value[np.isfinite(value)]
    if not len(known):
        return "no value"
    low, high = (number_words(float(end), digits) for end in (known.min(), known.max()))
    return f"{low} {unit_words(unit)}" if low == high else f"{low} to {high} {unit_words(unit)}"
