"""What is drawn over time: what every pack has, and what the findings are about."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.judgement.finding import Severity
from decoder.report.decimation import decimated, envelope
from decoder.report.drawing import Band, Line, Panel, StateRow, time_picture
from decoder.report.plotted import (
    MOST_POINTS,
    LegendEntry,
    Makings,
    drawn_states,
    entry,
    in_degrees,
    limits_of,
    line_of,
    names_of,
    range_words,
    state_row,
    steady_scans,
    thinned,
)
from decoder.report.texts import (
    Degrees,
    turned,
    unit_words,
)

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from markupsafe import Markup
    from numpy.typing import NDArray

    from decoder.channels import Channels
    from decoder.judgement import Judgement
    from decoder.judgement.cells.cell_table import CellTable

_BINS: Final = 500
_MOST_MODULES: Final = 6
_MOST_NAMED: Final = 4
_MOST_STATES: Final = 8
_MOST_LINES: Final = 5
_TEMPERATURES: Final = ("cell temperature", "module temperature")
_STATES: Final = ("contactor", "interlock")
_SUPPLIES: Final = ("supply voltage", "keep-alive voltage")
# Findings whose module is drawn in full.
_CELL_CODES: Final = frozenset(
    {"cell-imbalance", "cell-resistance", "cell-self-discharge", "tap-suspect", "module-spread", "map-suspect"}
)
# Shown only where a finding is about them.
_ON_DEMAND: Final = (
    ("swelling pressure", "Swelling pressure"),
    ("insulation resistance", "Insulation resistance"),
    ("state of charge", "State of charge"),
    ("module voltage", "Module voltages"),
    ("coolant temperature", "Coolant temperatures"),
)


@dataclass(frozen=True, slots=True)
class TimePicture:
    """One picture with its heading, its legend and what its marks mean."""

    title: str
    pictures: tuple[Markup, ...]
    legend: tuple[LegendEntry, ...]
    caption: str = ""


def time_pictures(
    channels: Channels, judgement: Judgement, table: CellTable | None, degrees: Degrees
) -> list[TimePicture]:
    """Draw everything over time that matters."""
    makings = Makings(
        channels,
        judgement,
        table,
        degrees,
        (channels.last_ns - channels.first_ns) / 1e9,
        [(n, one) for n, one in enumerate(judgement.findings, start=1) if one.severity > Severity.NOTICE],
    )
    found: list[TimePicture] = []
    for number, plan in enumerate(_plans(makings), start=1):
        title, panels, legend, caption = plan
        pictures = time_picture(panels, makings.end_s, f"time{number}", title, _described(panels))
        found.append(TimePicture(title, pictures, tuple(legend), caption))
    return found


_Plan = tuple[str, list[Panel], list[LegendEntry], str]


def _plans(makings: Makings) -> Iterator[_Plan]:
    for plan in (_current_and_voltage(makings), _all_cells(makings)):
        if plan is not None:
            yield plan
    yield from _modules(makings)
    for plan in (_temperatures(makings), _switches_and_supplies(makings)):
        if plan is not None:
            yield plan
    for quantity, title in _ON_DEMAND:
        plan = _on_demand(makings, quantity, title)
        if plan is not None:
            yield plan


def _current_and_voltage(makings: Makings) -> _Plan | None:
    panels: list[Panel] = []
    legend: list[LegendEntry] = []
    for quantities, title in ((("pack current",), "Current"), (("pack voltage", "link voltage"), "Voltage")):
        those = [one for one in makings.channels.of(*quantities) if one.present][:_MOST_LINES]
        if those:
            lines = [
                line_of(makings, one, one.channel.quantity or "", len(legend) + at) for at, one in enumerate(those)
            ]
            panels.append(
                Panel(title, those[0].channel.quantity_unit, tuple(lines), marks=makings.marks(names_of(those)))
            )
            legend += [entry(line, those[0].channel.quantity_unit) for line in lines]
    caption = ""
    if makings.table is not None and makings.table.current is not None:
        caption = f"Current counts positive while {'discharging' if makings.table.sign > 0 else 'charging'}."
    return ("Pack current and voltage", panels, legend, caption) if panels else None


def _all_cells(makings: Makings) -> _Plan | None:
    table = makings.table
    if table is None:
        return None
    time_s, volt = steady_scans(makings, table)
    if not len(time_s):
        return None
    rows = (np.nanmax(volt, axis=1), np.nanmedian(volt, axis=1), np.nanmin(volt, axis=1))
    words = ("highest cell", "median cell", "lowest cell")
    lines = [thinned(word, time_s, row, style) for word, row, style in zip(words, rows, (1, 0, 2), strict=True)]
    marks = makings.marks(names_of(table.cells))
    legend = [entry(line, "V", 3) for line in lines]
    panel = Panel("Cell voltage", "V", tuple(lines), marks=marks, limits=limits_of(table.cells, makings))
    return "Lowest, median and highest cell", [panel], legend, _SCANS


_SCANS: Final = "Cells are compared within one scan; scans during which the current moved are left out."


def _modules(makings: Makings) -> Iterator[_Plan]:
    """Draw the modules that findings about cells name: the named cells over the band of the others."""
    table = makings.table
    if table is None:
        return
    named: dict[int, list[int]] = {}
    columns = {one.channel.name: at for at, one in enumerate(table.cells)}
    for _, finding in makings.numbered:
        place = finding.place
        if finding.code in _CELL_CODES and place is not None and place.module is not None:
            cells = named.setdefault(place.module, [])
            about = finding.channels if finding.code == "tap-suspect" else ()
            those = {columns[name] for name in about if name in columns}
            those |= {
                at
                for at in table.members(place.module).tolist()
                if table.cells[at].channel.place.cell == place.cell and place.cell is not None
            }
            cells += [at for at in sorted(those) if at not in cells and int(table.module[at]) == place.module]
    time_s, volt = steady_scans(makings, table)
    for module, cells in list(named.items())[:_MOST_MODULES]:
        members = table.members(module)
        shown = cells[:_MOST_NAMED]
        others = np.setdiff1d(members, shown)
        if len(others) and len(time_s):
            yield _module(makings, table, (module, shown, others), (time_s, volt))


def _module(
    makings: Makings,
    table: CellTable,
    which: tuple[int, Sequence[int], NDArray[np.intp]],
    scans: tuple[NDArray[np.float64], NDArray[np.float64]],
) -> _Plan:
    module, shown, others = which
    time_s, volt = scans
    known = np.isfinite(volt[:, others]).any(axis=1)
    rest = volt[known][:, others]
    low, high = np.nanmin(rest, axis=1), np.nanmax(rest, axis=1)
    chosen = np.union1d(decimated(low, MOST_POINTS // 2), decimated(high, MOST_POINTS // 2))
    words = "the other cells" if shown else "all its cells"
    band = Band(words, time_s[known][chosen], low[chosen], high[chosen])
    lines = [
        thinned(f"cell {table.cells[at].channel.place.cell}", time_s, volt[:, at], style)
        for style, at in enumerate(shown)
    ]
    names = names_of(table.cells[at] for at in table.members(module).tolist())
    legend = [entry(line, "V", 3) for line in lines]
    legend.append(LegendEntry(None, f"{words}: {range_words(rest, 'V', 3)}"))
    cells = tuple(table.cells[at] for at in table.members(module).tolist())
    panel = Panel("Cell voltage", "V", tuple(lines), band, marks=makings.marks(names), limits=limits_of(cells, makings))
    return f"Module {module}", [panel], legend, _SCANS


def _temperatures(makings: Makings) -> _Plan | None:
    those = [one for one in makings.channels.of(*_TEMPERATURES) if one.present]
    if not those:
        return None
    about = {name for _, one in makings.numbered for name in (*one.channels, one.channel or "")}
    named = [one for one in those if one.channel.name in about][:_MOST_NAMED]
    edges = np.linspace(makings.channels.first_ns, makings.channels.last_ns + 1, _BINS + 1).astype(np.int64)
    edges = np.unique(edges)
    table = envelope(those, edges)
    known = np.isfinite(table[0]).any(axis=0)
    if not known.any():
        return None
    time_s = ((edges[:-1] + edges[1:]) / 2 - makings.channels.first_ns)[known] / 1e9
    low = in_degrees(makings, np.nanmin(table[0][:, known], axis=0))
    high = in_degrees(makings, np.nanmax(table[1][:, known], axis=0))
    middle = in_degrees(makings, np.nanmedian(table[:, :, known].mean(axis=0), axis=0))
    unit = turned(None, "degC", makings.degrees)[1]
    lines = [Line("median sensor", time_s, middle, 0)]
    lines += [line_of(makings, one, str(one.channel.place), style) for style, one in enumerate(named, start=1)]
    legend = [entry(line, unit, 1) for line in lines]
    legend.append(LegendEntry(None, f"all {len(those)} sensors: {range_words(np.array([low, high]), unit, 1)}"))
    band = Band("all sensors", time_s, low, high)
    panel = Panel(
        "Temperature",
        unit_words(unit),
        tuple(lines),
        band,
        marks=makings.marks(names_of(those)),
        limits=limits_of(those, makings),
    )
    return "Temperatures of cells and modules", [panel], legend, ""


def _switches_and_supplies(makings: Makings) -> _Plan | None:
    """Draw contactors, interlock and 12 V, where something was found about them."""
    supplies = [one for one in makings.channels.of(*_SUPPLIES) if one.present][:_MOST_LINES]
    switches = [one for one in makings.channels.of(*_STATES) if one.present][:_MOST_STATES]
    marks = makings.marks(names_of([*supplies, *switches]))
    if not marks:
        return None
    panels: list[Panel] = []
    legend: list[LegendEntry] = []
    if switches:
        rows = tuple(state_row(makings, one) for one in switches)
        panels.append(Panel("Contactors and interlock", "", states=rows, marks=makings.marks(names_of(switches))))
    if supplies:
        lines = tuple(line_of(makings, one, one.channel.quantity or "", style) for style, one in enumerate(supplies))
        limits = limits_of(supplies, makings)
        panels.append(Panel("Supplies", "V", lines, marks=makings.marks(names_of(supplies)), limits=limits))
        legend += [entry(line, "V", 2) for line in lines]
    caption = f"A bar stands while it says {drawn_states(switches)}." if switches else ""
    return "Contactors, interlock and supplies", panels, legend, caption


def _on_demand(makings: Makings, quantity: str, title: str) -> _Plan | None:
    those = [one for one in makings.channels.of(quantity) if one.present]
    marks = makings.marks(names_of(those))
    if not marks:
        return None
    about = {name for _, one in makings.numbered for name in (*one.channels, one.channel or "")}
    shown = sorted(those, key=lambda one: one.channel.name not in about)[:_MOST_LINES]
    unit = shown[0].channel.quantity_unit
    lines = [line_of(makings, one, str(one.channel.place), style) for style, one in enumerate(shown)]
    unit = turned(None, unit, makings.degrees)[1]
    panel = Panel(title, unit_words(unit), tuple(lines), marks=marks, limits=limits_of(shown, makings))
    more = len(those) - len(shown)
    return title, [panel], [entry(line, unit) for line in lines], f"{more} more are not drawn." if more else ""


def _described(panels: Sequence[Panel]) -> str:
    """Say in words what a picture shows, for those who do not see it."""
    parts = []
    for panel in panels:
        said = [f"{line.label} {range_words(line.value, panel.unit, 3)}" for line in panel.lines]
        if panel.band is not None:
            said.append(f"{panel.band.label} {range_words(np.array([panel.band.low, panel.band.high]), panel.unit, 3)}")
        said += [f"{row.label}: {_state_words(row)}" for row in panel.states]
        said += [f"finding {mark.number} from {mark.spans_s[0][0]:.1f} s" for mark in panel.marks]
        parts.append(f"{panel.title}: {'; '.join(said)}.")
    return " ".join(parts)


def _state_words(row: StateRow) -> str:
    if not row.spans_s:
        return "never"
    first, last = row.spans_s[0][0], row.spans_s[-1][1]
    breaks = sum(1 for one, two in pairwise(row.spans_s) if two[0] > one[1])
    return f"from {first:.1f} s to {last:.1f} s" + (f", {breaks} times interrupted" if breaks else "")
