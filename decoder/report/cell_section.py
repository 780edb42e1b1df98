"""The section about cells: pictures of all of them, modules side by side, and all cells in numbers."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.report.cell_pictures import CellPoints, cell_numbers, cell_picture, flagged_cells
from decoder.report.texts import NOTHING, number_words

if TYPE_CHECKING:
    from collections.abc import Mapping

    from markupsafe import Markup
    from numpy.typing import NDArray

    from decoder.judgement import Judgement
    from decoder.judgement.cells.cell_figures import CellFigures
    from decoder.judgement.cells.cell_table import CellTable
    from decoder.judgement.cells.resistances import CellResistances

_RESISTANCE_CODES: Final = frozenset({"cell-resistance"})
_LEVEL_CODES: Final = frozenset(
    {"cell-imbalance", "cell-self-discharge", "tap-suspect", "module-spread", "pack-spread", "map-suspect"}
)
_AT_REST: Final = "Median over the scans at rest."
_NOT_AT_REST: Final = "The pack was never at rest: median over the scans during which the current did not move."


@dataclass(frozen=True, slots=True)
class CellPicture:
    """One picture of all cells."""

    title: str
    pictures: tuple[Markup, ...]
    caption: str


@dataclass(frozen=True, slots=True)
class ModuleFigures:
    """One module in words: its lowest and highest cell at rest, its spread at rest and under load in mV."""

    module: int
    cells: int
    lowest: str
    highest: str
    rest_spread: str
    load_spread: str


@dataclass(frozen=True, slots=True)
class CellSection:
    """`headings` and `rows` are a table of all cells; the first two columns are module and cell."""

    pictures: tuple[CellPicture, ...] = ()
    modules: tuple[ModuleFigures, ...] = ()
    spread_by_charge: tuple[tuple[str, str], ...] = ()
    headings: tuple[str, ...] = ()
    rows: tuple[tuple[str, ...], ...] = ()

    @property
    def knows_rest(self) -> bool:
        """Whether any module's spread at rest is known."""
        return any(one.rest_spread != NOTHING for one in self.modules)


def cell_section(
    judgement: Judgement, table: CellTable, figures: CellFigures, resistances: CellResistances | None
) -> CellSection:
    """Draw and list all cells."""
    numbers = cell_numbers(table)
    offset_mv, caption = _offsets(table, figures)
    pictures = []
    if np.isfinite(offset_mv).any():
        flags = flagged_cells(table, judgement, _LEVEL_CODES)
        points = CellPoints(table.module, numbers, offset_mv, None, "mV", 0, 0.0, flags)
        pictures.append(_picture(points, "offset", "Distance from the median cell, mV", caption))
    columns = [
        ("at rest, V", figures.rest_v, 3),
        ("from the median, mV", offset_mv, 1),
        ("under load from the median, mV", figures.load_offset_v * 1e3, 1),
    ]
    if resistances is not None:
        drawn = int(np.argmax(np.isfinite(resistances.ohm).sum(axis=1)))
        for number, after_s in enumerate(resistances.after_s):
            milliohm = resistances.ohm[number] * 1e3
            columns.append((f"mΩ after {after_s:g} s", milliohm, 2))
            if number == drawn and np.isfinite(milliohm).any():
                pictures.append(_resistance_picture(judgement, table, resistances, number))
    known = [column for column in columns if np.isfinite(column[1]).any()]
    flags = flagged_cells(table, judgement, _LEVEL_CODES | _RESISTANCE_CODES)
    return CellSection(
        tuple(pictures),
        tuple(_modules(table, figures)),
        tuple((f"{number_words(charge, 1)} %", _millivolt(spread)) for charge, spread in figures.spread_by_charge),
        ("module", "cell", *(heading for heading, _, _ in known), "finding"),
        tuple(
            (
                str(module) if module else NOTHING,
                str(cell),
                *(number_words(float(value[at]), digits) for _, value, digits in known),
                f"{flags[at][1]} {flags[at][0]}" if at in flags else "",
            )
            for at, (module, cell) in enumerate(zip(table.module.tolist(), numbers.tolist(), strict=True))
        ),
    )


def _offsets(table: CellTable, figures: CellFigures) -> tuple[NDArray[np.float64], str]:
    """Give how far each cell lies from the pack's median cell (mV), and during which scans."""
    if np.isfinite(figures.rest_v).any():
        return (figures.rest_v - np.nanmedian(figures.rest_v)) * 1e3, _AT_REST
    known = np.isfinite(table.scans.volt).any(axis=1)
    steady = known & table.scans.steady
    volt = table.scans.volt[steady if steady.any() else known]
    seen = np.isfinite(volt).any(axis=0)
    offset = np.full(volt.shape[1], np.nan)
    if len(volt):
        offset[seen] = np.nanmedian((volt - np.nanmedian(volt, axis=1, keepdims=True))[:, seen], axis=0)
    return offset * 1e3, _NOT_AT_REST


def _resistance_picture(
    judgement: Judgement, table: CellTable, resistances: CellResistances, number: int
) -> CellPicture:
    points = CellPoints(
        table.module,
        cell_numbers(table),
        resistances.ohm[number] * 1e3,
        resistances.unsure_ohm[number] * 1e3,
        "mΩ",
        2,
        0.0,
        flagged_cells(table, judgement, _RESISTANCE_CODES),
    )
    steps = resistances.steps[number]
    title = f"Resistance {resistances.after_s[number]:g} s after a step of the current, mΩ"
    caption = f"From {steps} step{'s' * (steps != 1)}; a thin line is one standard deviation to either side."
    return _picture(points, "resistance", title, caption)


def _picture(points: CellPoints, name: str, title: str, caption: str) -> CellPicture:
    marked = " A diamond with a number is a finding." if points.flags else ""
    return CellPicture(title, cell_picture(points, name, title, _described(points)), caption + marked)


def _described(points: CellPoints) -> str:
    """Say in words what a picture shows, for those who do not see it."""
    known = np.flatnonzero(np.isfinite(points.value))
    low, high = (int(known[which(points.value[known])]) for which in (np.argmin, np.argmax))
    words = [
        f"{name}: module {points.module[at]} cell {points.cell[at]}, "
        f"{number_words(float(points.value[at]), points.digits)} {points.unit}"
        for name, at in (("lowest", low), ("highest", high))
    ]
    return f"{len(known)} cells; {'; '.join(words)}. All numbers are in a table below."


def _modules(table: CellTable, figures: CellFigures) -> list[ModuleFigures]:
    numbers = cell_numbers(table)
    return [
        ModuleFigures(
            module,
            len(table.members(module)),
            _extreme(figures.lags, module, numbers, figures),
            _extreme(figures.leads, module, numbers, figures),
            _millivolt(figures.rest_spread_v.get(module)),
            _millivolt(figures.load_spread_v.get(module)),
        )
        for module in table.modules
    ]


def _extreme(columns: Mapping[int, int], module: int, numbers: NDArray[np.int64], figures: CellFigures) -> str:
    """Name a module's lowest or highest cell, with its voltage at rest."""
    column = columns.get(module)
    if column is None:
        return NOTHING
    volt = number_words(float(figures.rest_v[column]), 3)
    return f"cell {numbers[column]}" + (f", {volt} V" if volt != NOTHING else "")


def _millivolt(volt: float | None) -> str:
    return NOTHING if volt is None else f"{number_words(volt * 1e3, 1)} mV"
