"""Two captures place by place: one pack before and after a repair, or a donor beside the original.

Each difference is held against what both sides can tell: below twice its standard deviation it is no difference. A
repair can make one thing better and another worse; both are said.
"""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

import numpy as np

from decoder.channels.series import place_order
from decoder.judgement.cells.cell_figures import cell_figures
from decoder.judgement.cells.cell_table import cell_table, step_of
from decoder.judgement.cells.resistances import cell_resistances
from decoder.judgement.judging import judge
from decoder.maps.pack_sheet import Place
from decoder.printable import printable

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from numpy.typing import NDArray

    from decoder.channels import Channels, Series
    from decoder.judgement.cells.cell_table import CellTable
    from decoder.judgement.finding import Finding

Verdict = Literal["better", "worse", "same", "changed", "unknown"]

# A difference below so many standard deviations is none. Common practice, no source.
SURE: Final = 2.0
# What a voltage at rest or a spread is uncertain by beyond its quantisation: noise and what rest leaves open. Common
# practice, no source.
_VOLT_UNSURE: Final = 0.001
_INSULATION_UNSURE: Final = 0.05  # share; common practice, no source
_MOHM: Final = 1000.0
_TEMPERATURES: Final = ("cell temperature", "module temperature")


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure of a pack: what, where, how much and how uncertain (one standard deviation), both in `unit`.

    less_is_better : whether a smaller amount is the better one; ``None`` where neither is
    """

    what: str
    place: Place
    value: float
    unsure: float
    unit: str
    less_is_better: bool | None = True


@dataclass(frozen=True, slots=True)
class Difference:
    """One figure in both captures; ``None`` on the side that does not have it."""

    what: str
    place: Place
    first: float | None
    second: float | None
    unsure: float
    unit: str
    verdict: Verdict


@dataclass(frozen=True, slots=True)
class Comparison:
    """All differences by what and place, and what became of the findings."""

    differences: tuple[Difference, ...]
    gone: tuple[Finding, ...]
    new: tuple[Finding, ...]
    stayed: tuple[Finding, ...]

    @property
    def verdicts(self) -> Mapping[Verdict, int]:
        """How many differences there are of each verdict."""
        return Counter(one.verdict for one in self.differences)


def compare(first: Channels, second: Channels) -> Comparison:
    """Compare two decoded captures. Rest voltages need rest and resistances need current steps in both."""
    sides = [
        {(one.what, one.place): one for one in _figures(channels) if math.isfinite(one.value + one.unsure)}
        for channels in (first, second)
    ]
    keys = sorted({*sides[0], *sides[1]}, key=_order)
    differences = tuple(_difference(sides[0].get(key), sides[1].get(key)) for key in keys)
    return Comparison(differences, *_findings(judge(first).findings, judge(second).findings))


_REST: Final = "off the median cell at rest"
_SPREAD_REST: Final = "spread at rest"
_SPREAD_LOAD: Final = "spread under load"
_RESISTANCE: Final = "resistance after {:g} s"
_TEMPERATURE: Final = "temperature, the median"
_HEALTH: Final = "state of health"
_INSULATION: Final = "insulation resistance, the lowest"
_ORDER: Final = (
    _SPREAD_REST,
    _SPREAD_LOAD,
    _REST,
    _RESISTANCE.format(1.0),
    _RESISTANCE.format(10.0),
    _TEMPERATURE,
    _HEALTH,
    _INSULATION,
)


def _figures(channels: Channels) -> Iterator[Figure]:
    table = cell_table(channels)
    if table is not None:
        yield from _of_cells(channels, table)
        yield from _resistances(table)
    for one in channels.of(*_TEMPERATURES, "state of health", "insulation resistance"):
        known = one.in_quantity_unit[np.isfinite(one.in_quantity_unit)]
        if len(known):
            yield _of_channel(one, known)


def _of_channel(series: Series, known: NDArray[np.float64]) -> Figure:
    """Give the figure of one channel from its known values; without a place, its name tells it from others."""
    place, step = series.channel.place, step_of(series)
    named = f" ({printable(series.channel.name)})" if place == Place() else ""
    if series.channel.quantity == "state of health":
        return Figure(_HEALTH + named, place, float(known[-1]), step / 2, "%", less_is_better=False)
    if series.channel.quantity == "insulation resistance":
        value = float(known.min())
        unsure = max(step, value * _INSULATION_UNSURE)
        return Figure(_INSULATION + named, place, value, unsure, "kohm", less_is_better=False)
    return Figure(_TEMPERATURE + named, place, float(np.median(known)), step / 2, "degC", less_is_better=None)


def _order(key: tuple[str, Place]) -> tuple[int, str, tuple[int, int, str, int]]:
    what, place = key
    return next(rank for rank, known in enumerate(_ORDER) if what.startswith(known)), what, place_order(place)


def _of_cells(channels: Channels, table: CellTable) -> Iterator[Figure]:
    figures = cell_figures(channels, table)
    step_v = float(np.median(table.step_v))
    unsure = float(np.hypot(step_v / np.sqrt(6), _VOLT_UNSURE))
    for series, offset in zip(table.cells, figures.rest_offset_v.tolist(), strict=True):
        if np.isfinite(offset):
            yield Figure(_REST, series.channel.place, offset, unsure, "V")
    # Under load a spread grows with the current, which is another one in another capture: resistances tell better.
    for what, spreads, less in (
        (_SPREAD_REST, figures.rest_spread_v, True),
        (_SPREAD_LOAD, figures.load_spread_v, None),
    ):
        for module, spread in spreads.items():
            if np.isfinite(spread):
                yield Figure(what, Place(module=module), spread, unsure, "V", less_is_better=less)


def _resistances(table: CellTable) -> Iterator[Figure]:
    found = cell_resistances(table)
    if found is None:
        return
    for wait, ohms, unsures in zip(found.after_s, found.ohm, found.unsure_ohm, strict=True):
        for series, ohm, unsure in zip(table.cells, ohms.tolist(), unsures.tolist(), strict=True):
            if np.isfinite(ohm):
                place = series.channel.place
                yield Figure(_RESISTANCE.format(wait), place, ohm * _MOHM, unsure * _MOHM, "mohm")


def _difference(first: Figure | None, second: Figure | None) -> Difference:
    one = first or second
    assert one is not None  # every key comes from one of the sides
    unsure = math.hypot(*(side.unsure if side else 0.0 for side in (first, second)))
    before, after = (None if side is None else side.value for side in (first, second))
    return Difference(one.what, one.place, before, after, unsure, one.unit, _verdict(first, second, unsure))


def _verdict(first: Figure | None, second: Figure | None, unsure: float) -> Verdict:
    if first is None or second is None:
        return "unknown"
    if first.less_is_better is None:
        return "changed" if abs(second.value - first.value) > SURE * unsure else "same"
    gain = abs(first.value) - abs(second.value)
    if not first.less_is_better:
        gain = -gain
    if abs(second.value - first.value) <= SURE * unsure:
        return "same"
    if abs(gain) <= SURE * unsure:
        return "changed"  # to the other side, as far off as before
    return "better" if gain > 0 else "worse"


def _findings(
    first: Sequence[Finding], second: Sequence[Finding]
) -> tuple[tuple[Finding, ...], tuple[Finding, ...], tuple[Finding, ...]]:
    """Give findings that are gone, new, and there in both: by code and place, of the whole pack by the channel too."""
    before, after = ({_of_what(one) for one in some} for some in (first, second))
    return (
        tuple(one for one in first if _of_what(one) not in after),
        tuple(one for one in second if _of_what(one) not in before),
        tuple(one for one in second if _of_what(one) in before),
    )


def _of_what(finding: Finding) -> tuple[str, Place, str | None]:
    """Give what makes two findings the same one: code and place; of the whole pack the channel too."""
    place = finding.place or Place()
    return finding.code, place, finding.channel if place == Place() else None
