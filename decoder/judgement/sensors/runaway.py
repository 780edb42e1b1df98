"""The signs of a thermal runaway, after the pack alarm of the published test rules.

Two of these in one module: a cell's voltage falls by more than a quarter of what it was; a temperature is above the
limit; a temperature rises by 1 degC a second for three seconds (GB 38031 / GTR 20, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING, Final, Literal

import numpy as np

from decoder.judgement.cells.medians import row_medians
from decoder.judgement.electrics.lasting import lasting
from decoder.judgement.finding import Finding, Severity
from decoder.judgement.sensors.temperature_rise import rising
from decoder.judgement.sensors.temperatures import COMPARED
from decoder.judgement.sensors.thermistors import temperatures, unsound_samples
from decoder.maps.default_limits import limit_of
from decoder.maps.pack_sheet import Place
from decoder.printable import printable

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from decoder.channels import Channels, Series
    from decoder.judgement.cells.cell_table import CellTable
    from decoder.maps.default_limits import DefaultLimit

# A sign lasts so long (GB 38031 / GTR 20 pack alarm for the rise, from memory; for the others common practice).
_LASTS_S: Final = 3.0
# Signs further apart than this have nothing to do with each other. Common practice, no source.
_APART_NS: Final = 300_000_000_000
# What a cell was at the start: the median over so long, or this share of a short capture. Common practice, no source.
_START_NS: Final = 5_000_000_000
_START_SHARE: Final = 0.1
# Where a neighbour rises by this share of what a cell falls, the sense wire between them is off. The same.
_TAP_SHARE: Final = 0.5

Kind = Literal["hot", "drop", "rise"]
_ORDER: Final[tuple[Kind, ...]] = ("hot", "drop", "rise")


@dataclass(frozen=True, slots=True)
class _Moments:
    """From when to when, and the worst value and its time."""

    from_ns: int
    to_ns: int
    worst_ns: int
    value: float

    @classmethod
    def worst_of(cls, time_ns: NDArray[np.int64], bad: NDArray[np.bool_], value: NDArray[np.float64]) -> _Moments:
        where = np.flatnonzero(bad)
        worst = int(where[np.argmax(value[where])])
        return cls(int(time_ns[where[0]]), int(time_ns[where[-1]]), int(time_ns[worst]), float(value[worst]))


@dataclass(frozen=True, slots=True)
class _Sign:
    kind: Kind
    place: Place
    channel: str
    at: _Moments
    limit: DefaultLimit
    words: str


def runaway_findings(channels: Channels, table: CellTable | None, not_judged: dict[str, str]) -> Iterator[Finding]:
    """Judge each module; reasons for not judging go to `not_judged`."""
    sensors = temperatures(channels, *COMPARED)
    if not sensors:
        not_judged["runaway-precursor"] = "no cell or module temperature in the capture"
        return
    if table is None:
        not_judged["runaway-precursor"] = "without cell voltages, by temperatures only"
    signs = [*_warm(channels, sensors), *(_drops(channels, table) if table is not None else ())]
    # Where either side does not say its modules, the pack is one.
    modules = {sign.place.module for sign in signs}
    numbered = None not in modules
    for module in sorted(modules, key=lambda one: one or 0) if numbered else [None]:
        members = [sign for sign in signs if not numbered or sign.place.module == module]
        together = _together(members)
        if together:
            yield _finding(module, together)


def _warm(channels: Channels, sensors: Sequence[Series]) -> Iterator[_Sign]:
    hottest = limit_of(channels.sheet, "runaway_temperature_c")
    fastest = limit_of(channels.sheet, "temperature_rise_c_per_s")
    for series, unsound in zip(sensors, unsound_samples(sensors), strict=True):
        name, place = series.channel.name, series.channel.place
        found = rising(series, unsound, fastest.value)
        hot = lasting(found.time_ns, found.celsius > hottest.value, _LASTS_S, at_least=2)
        if hot.any():
            at = _Moments.worst_of(found.time_ns, hot, found.celsius)
            words = f"{printable(name)} reaches {at.value:.1f} degC"
            yield _Sign("hot", place, name, at, hottest, words)
        if found.is_rising.any():
            at = _Moments.worst_of(found.time_ns, found.is_rising, found.rate)
            words = f"{printable(name)} rises by {at.value:.1f} degC a second"
            yield _Sign("rise", place, name, at, fastest, words)


def _drops(channels: Channels, table: CellTable) -> Iterator[_Sign]:
    """Give the cells whose voltage falls for longer by more than the limit, beyond what the median cell falls."""
    limit = limit_of(channels.sheet, "runaway_voltage_drop_percent")
    volt, time_ns = table.scans.volt, table.scans.time_ns
    since_ns = time_ns - time_ns[0]
    start_rows = since_ns <= min(_START_NS, _START_SHARE * float(since_ns[-1]))
    start = row_medians(volt[start_rows].T)
    with np.errstate(invalid="ignore", divide="ignore"):
        percent = np.where(start > 0, (1 - volt / start) * 100, np.nan)
        usual = np.maximum(row_medians(percent), 0.0)
        usual = np.where(np.isfinite(usual), usual, 0.0)
        beyond = percent - usual[:, None] > limit.value
    for column in np.flatnonzero(beyond.any(axis=0)):
        bad = beyond[:, column] & ~_is_tap(table, start, usual, int(column))
        bad = lasting(time_ns, bad, _LASTS_S, good=np.isfinite(percent[:, column]) & ~bad)
        if bad.any():
            channel = table.cells[column].channel
            at = _Moments.worst_of(time_ns, bad, percent[:, column])
            words = (
                f"{printable(channel.name)} falls from {start[column]:.3f} V by {at.value:.0f} %, beyond what the "
                "median cell falls"
            )
            yield _Sign("drop", channel.place, channel.name, at, limit, words)


def _is_tap(table: CellTable, start: NDArray[np.float64], usual: NDArray[np.float64], column: int) -> NDArray[np.bool_]:
    """Tell at which scans a neighbour rises as the cell falls: then their common sense wire is off."""
    share = 1 - usual / 100
    fall = start[column] * share - table.scans.volt[:, column]
    tap = np.zeros(len(fall), np.bool_)
    for beside in (column - 1, column + 1):
        if 0 <= beside < len(table.cells) and table.module[beside] == table.module[column]:
            gain = table.scans.volt[:, beside] - start[beside] * share
            with np.errstate(invalid="ignore"):
                tap |= gain > _TAP_SHARE * fall
    return tap


def _together(signs: Sequence[_Sign]) -> list[_Sign]:
    """Give the first sign of each kind that has another kind near in time, in the order of `_ORDER`."""
    near: dict[Kind, _Sign] = {}
    ordered = sorted(signs, key=lambda sign: sign.at.from_ns)
    for one, other in combinations(ordered, 2):
        if (
            one.kind != other.kind
            and max(one.at.from_ns, other.at.from_ns) - min(one.at.to_ns, other.at.to_ns) <= _APART_NS
        ):
            near.setdefault(one.kind, one)
            near.setdefault(other.kind, other)
    return [near[kind] for kind in _ORDER if kind in near]


def _finding(module: int | None, signs: Sequence[_Sign]) -> Finding:
    first = signs[0]
    cell = next((sign.place.cell for sign in signs if sign.kind == "drop"), None)
    names = tuple(dict.fromkeys(sign.channel for sign in signs))
    units = {"hot": "degC", "drop": "%", "rise": "degC/s"}
    return Finding(
        code="runaway-precursor",
        severity=Severity.DANGER,
        place=Place(module=module, cell=cell),
        value=first.at.value,
        limit=first.limit.value,
        unit=units[first.kind],
        from_ns=min(sign.at.from_ns for sign in signs),
        to_ns=max(sign.at.to_ns for sign in signs),
        worst_ns=first.at.worst_ns,
        channel=names[0] if len(names) == 1 else None,
        channels=names,
        explanation=(
            f"{len(signs)} of three signs in one place: {'; '.join(sign.words for sign in signs)}. So begins a cell "
            "that burns: fire and gas may follow within minutes"
        ),
        source="GB 38031 / GTR 20 pack alarm, from memory; "
        + ", ".join(dict.fromkeys(f"{sign.limit.key}: {sign.limit.source}" for sign in signs)),
    )
