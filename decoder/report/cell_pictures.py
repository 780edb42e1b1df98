"""Every cell of the pack side by side: how far each lies from the median cell at rest, and its resistance."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.judgement.finding import SEVERITY_SYMBOLS
from decoder.report.drawing import NARROW, WIDE
from decoder.report.svg_parts import FAINT, INK, LINES, SEVERITIES, SOFT, UNITS_AN_INCH, drawing_style, inline_svg
from decoder.report.texts import number_words

if TYPE_CHECKING:
    from collections.abc import Sequence

    from markupsafe import Markup
    from matplotlib.axes import Axes
    from numpy.typing import NDArray

    from decoder.judgement import Judgement
    from decoder.judgement.cells.cell_table import CellTable

# So many cells stand in one row of the picture; modules are not split unless they are larger.
_ACROSS: Final = {WIDE: 44, NARROW: 24}
_ROW: Final = 92
_HEAD: Final = 30
_FOOT: Final = 20
_TOP: Final = 6
_LEFT: Final = 46
_RIGHT: Final = 10
_MODULE_GAP: Final = 1.2


@dataclass(frozen=True, slots=True, eq=False)
class CellPoints:
    """One number of each cell.

    module, cell : int, of each; 0 where nothing says
    value, unsure : float64, of each, in `unit`; NaN where not known
    flags : column -> (number of the finding, its symbol, its severity's word)
    base : where the stems begin
    """

    module: NDArray[np.int64]
    cell: NDArray[np.int64]
    value: NDArray[np.float64]
    unsure: NDArray[np.float64] | None
    unit: str
    digits: int
    base: float
    flags: dict[int, tuple[int, str, str]]


def cell_numbers(table: CellTable) -> NDArray[np.int64]:
    """Give the number of each cell within its module; counted where nothing says."""
    return np.array([one.channel.place.cell or at for at, one in enumerate(table.cells, start=1)], np.int64)


def flagged_cells(table: CellTable, judgement: Judgement, codes: frozenset[str]) -> dict[int, tuple[int, str, str]]:
    """Give the cells that findings of some kinds name, each with the gravest of them."""
    flags: dict[int, tuple[int, str, str]] = {}
    columns = {(one.channel.place.module, one.channel.place.cell): at for at, one in enumerate(table.cells)}
    for number, finding in enumerate(judgement.findings, start=1):
        if finding.code in codes and finding.place is not None and finding.place.cell is not None:
            column = columns.get((finding.place.module, finding.place.cell))
            if column is not None:
                symbol = SEVERITY_SYMBOLS[finding.severity]
                flags.setdefault(column, (number, symbol, finding.severity.word))
    return flags


def cell_picture(points: CellPoints, name: str, title: str, description: str) -> tuple[Markup, ...]:
    """Draw a stem for each cell, wide and narrow."""
    return tuple(
        _drawn(points, width, f"{name}-{kind}", title, description)
        for kind, width in (("wide", WIDE), ("narrow", NARROW))
    )


def rows_of_modules(module: NDArray[np.int64], across: int) -> list[list[NDArray[np.intp]]]:
    """Put modules into rows of at most `across` cells; one that is larger is cut."""
    parts = []
    for number in dict.fromkeys(module.tolist()):
        columns = np.flatnonzero(module == number)
        parts += [columns[at : at + across] for at in range(0, len(columns), across)]
    rows: list[list[NDArray[np.intp]]] = []
    room = 0
    for part in parts:
        if not rows or len(part) > room:
            rows.append([])
            room = across
        rows[-1].append(part)
        room -= len(part)
    return rows


def _drawn(points: CellPoints, width: int, name: str, title: str, description: str) -> Markup:
    from matplotlib.figure import Figure  # noqa: PLC0415  (heavy)

    rows = rows_of_modules(points.module, _ACROSS[width])
    longest = max(sum(len(part) + _MODULE_GAP for part in row) for row in rows)
    height = _TOP + len(rows) * (_ROW + _HEAD + _FOOT)
    ends = _ends(points)
    with drawing_style():
        figure = Figure(figsize=(width / UNITS_AN_INCH, height / UNITS_AN_INCH), dpi=UNITS_AN_INCH)
        for place, row in enumerate(rows):
            bottom = height - _TOP - (place + 1) * (_ROW + _HEAD + _FOOT) + _FOOT
            axes = figure.add_axes((_LEFT / width, bottom / height, (width - _LEFT - _RIGHT) / width, _ROW / height))
            axes.set_xlim(-_MODULE_GAP / 2 - 0.5, longest - _MODULE_GAP / 2 - 0.5)
            axes.set_ylim(*ends)
            _fill_row(axes, points, row)
        return inline_svg(figure, name, title, description, name.rpartition("-")[2])


def _ends(points: CellPoints) -> tuple[float, float]:
    known = points.value[np.isfinite(points.value)]
    low = min(float(known.min(initial=points.base)), points.base)
    high = max(float(known.max(initial=points.base)), points.base)
    room = max(high - low, 10.0**-points.digits)
    return low - (0.28 * room if low < points.base else 0.1 * room), high + 0.28 * room


def _fill_row(axes: Axes, points: CellPoints, row: Sequence[NDArray[np.intp]]) -> None:
    axes.axhline(points.base, color=SOFT, linewidth=0.8)
    axes.grid(visible=True, axis="y")
    axes.tick_params(length=0)
    axes.spines["bottom"].set_visible(False)
    axes.spines["left"].set_visible(False)
    axes.locator_params(axis="y", nbins=4)
    ticks: list[float] = []
    words: list[str] = []
    at = 0.0
    for part in row:
        x = at + np.arange(len(part), dtype=np.float64)
        ticks += x[::2].tolist()
        words += [str(number) for number in points.cell[part[::2]].tolist()]
        number = int(points.module[part[0]])
        axes.annotate(
            f"module {number}" if number else "cells",
            (at - 0.4, 1),
            xytext=(0, 14),
            xycoords=("data", "axes fraction"),
            textcoords="offset points",
            weight="bold",
        )
        axes.axvspan(at - 0.6, at + len(part) - 0.4, facecolor=FAINT, alpha=0.35, linewidth=0)
        _stems(axes, points, part, x)
        at += len(part) + _MODULE_GAP
    axes.set_xticks(ticks, words)


def _stems(axes: Axes, points: CellPoints, part: NDArray[np.intp], x: NDArray[np.float64]) -> None:
    value = points.value[part]
    known = np.isfinite(value)
    plain = known & np.array([column not in points.flags for column in part.tolist()])
    axes.vlines(x[known], points.base, value[known], color=LINES[0], linewidth=1.2)
    axes.plot(x[plain], value[plain], linestyle="", marker="o", markersize=4, color=LINES[0])
    if points.unsure is not None:
        axes.errorbar(
            x[known], value[known], yerr=points.unsure[part][known], linestyle="", ecolor=SOFT, elinewidth=0.7
        )
    for place in np.flatnonzero(known & ~plain).tolist():
        number, symbol, word = points.flags[int(part[place])]
        axes.plot(x[place], value[place], linestyle="", marker="D", markersize=6, color=SEVERITIES[word])
        upwards = value[place] >= points.base
        axes.annotate(
            f"{symbol} {number}  {number_words(float(value[place]), points.digits)}",
            (x[place], value[place]),
            xytext=(0, 6 if upwards else -6),
            textcoords="offset points",
            ha="right" if x[place] > axes.get_xlim()[1] - 3 else ("left" if x[place] < 2 else "center"),
            va="bottom" if upwards else "top",
            color=INK,
        )
    for place in np.flatnonzero(~known).tolist():
        axes.annotate("×", (x[place], points.base), ha="center", va="center", color=SOFT)
