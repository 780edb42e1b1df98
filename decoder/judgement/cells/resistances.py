"""The resistance of every cell, and which cells stand out by it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from decoder.judgement.cells.measured_resistances import WAITS_S, measured, usually_unsure_ohm
from decoder.judgement.cells.spreads import cell_words
from decoder.judgement.finding import Finding, Severity
from decoder.maps.default_limits import limit_of
from decoder.maps.pack_sheet import Place

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from decoder.channels import Channels
    from decoder.judgement.cells.cell_answers import Combined
    from decoder.judgement.cells.cell_table import CellTable
    from decoder.maps.default_limits import DefaultLimit

_CODE = "cell-resistance"
# A difference of so many standard deviations is no chance. Common practice, no source.
_SURE = 4.0
# Modified z of Iglewicz and Hoaglin, and the least spread it is taken against: equal cells differ by some percent.
_ODD, _TO_Z = 3.5, 0.6745
_LEAST_SPREAD = 0.03  # common practice, no source
# Resistance doubles with so many degrees less, at most: what a colder module may have without being ill.
# Common practice, no source.
_DOUBLES_C = 10.0
# From this level on, against the median cell, a voltage is rather read at a wrong scale, and the answer to current with
# it. Common practice, no source.
_WRONG_SCALE = 1.1
# A neighbour that seems to resist less by this share of what a cell resists more: the wire between them, not the cell.
# Common practice, no source.
_OPPOSITE = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class CellResistances:
    """The resistance of each cell some time after a step of the current.

    after_s : the times, s
    ohm : float64, times x cells, NaN where unknown; in the columns of the `CellTable`
    unsure_ohm : float64, as `ohm`, one standard deviation
    steps : for each time, how many steps of the current are in it (or stretches of a current that never rests)
    """

    after_s: tuple[float, ...]
    ohm: NDArray[np.float64]
    unsure_ohm: NDArray[np.float64]
    steps: tuple[int, ...]


def cell_resistances(table: CellTable) -> CellResistances | None:
    """Give the resistance of each cell 1 s and 10 s after a step of the current; ``None`` where nothing tells it.

    Where the current never rests, the first are those over moves within 1 s.
    """
    waits = measured(table).waits
    if all(wait is None for wait in waits):
        return None
    unknown = np.full(len(table.cells), np.nan)
    return CellResistances(
        WAITS_S,
        np.stack([unknown if wait is None else wait.ohm for wait in waits]),
        np.stack([unknown if wait is None else wait.unsure_ohm for wait in waits]),
        tuple(0 if wait is None else wait.moves for wait in waits),
    )


def resistance_findings(channels: Channels, table: CellTable, not_judged: dict[str, str]) -> Iterator[Finding]:
    """Tell which cells, or modules, resist clearly more than the median cell; why not, where that cannot be judged."""
    if table.current is None:
        not_judged[_CODE] = "no channel for the pack current"
        return
    found = measured(table)
    known = [0 if wait is None else int(np.isfinite(wait.ohm).sum()) for wait in found.waits]
    number = int(np.argmax(known))
    wait = found.waits[number]
    if wait is None:
        not_judged[_CODE] = "the current makes no step that is quiet before and after, nor moves enough to tell by"
        return
    how = _how(wait, WAITS_S[number], by_moves=found.by_moves and number == 0)
    limit = limit_of(channels.sheet, "cell_resistance_percent")
    seen_ohm, limit_ohm = _SURE * usually_unsure_ohm(wait), limit.value / 100 * wait.median_ohm
    if not wait.median_ohm > _SURE * wait.shared_ohm:
        not_judged[_CODE] = (
            f"the cells do not clearly answer to {how}: only resistances that differ by {seen_ohm * 1e3:.2f} mohm or "
            "more would have been seen"
        )
        return
    off_ohm = wait.ohm / _expected(channels, table) - wait.median_ohm
    bad = _stand_out(table, wait, off_ohm, limit_ohm)
    places = list(_places(table, off_ohm, bad, limit_ohm))
    if not places and seen_ohm > limit_ohm:
        not_judged[_CODE] = (
            f"{how} would show a cell from {seen_ohm * 1e3:.2f} mohm above the median cell on; the limit is "
            f"{limit_ohm * 1e3:.2f} mohm above it"
        )
    for place, members in places:
        yield _finding(table, wait, place, members, limit, how)


def _how(wait: Combined, after_s: float, *, by_moves: bool) -> str:
    if by_moves:
        return f"moves of the current of up to {wait.largest_a:.0f} A within a second"
    steps = "1 step" if wait.moves == 1 else f"{wait.moves} steps"
    return f"{steps} of the current of up to {wait.largest_a:.0f} A, {after_s:.0f} s after"


def _expected(channels: Channels, table: CellTable) -> NDArray[np.float64]:
    """Give how many times the median cell's resistance each cell may show without resisting more: 1 or more."""
    known = np.isfinite(table.scans.volt).any(axis=0)
    volt = np.full(len(table.cells), np.nan)
    volt[known] = np.nanmedian(table.scans.volt[:, known], axis=0)
    level = volt / np.nanmedian(volt)
    scale = np.where(level >= _WRONG_SCALE, level, 1.0)
    warmth = _module_temperatures(channels)
    if not warmth:
        return scale
    usual = float(np.median(list(warmth.values())))
    colder = np.array([max(usual - warmth.get(module, usual), 0.0) for module in table.module.tolist()])
    return scale * 2.0 ** (colder / _DOUBLES_C)


def _module_temperatures(channels: Channels) -> dict[int, float]:
    """Give the median temperature of each module that has a sensor."""
    by_module: dict[int, list[float]] = {}
    for series in channels.of("cell temperature", "module temperature"):
        module = series.channel.place.module
        if module is not None and series.present:
            by_module.setdefault(module, []).append(float(np.nanmedian(series.in_quantity_unit)))
    return {module: float(np.median(values)) for module, values in by_module.items()}


def _stand_out(table: CellTable, wait: Combined, off_ohm: NDArray[np.float64], limit_ohm: float) -> NDArray[np.bool_]:
    """Tell which cells resist more than the limit, more than the others scatter, and more than is unsure."""
    spread = float(np.nanmedian(np.abs(off_ohm)))
    floor = _TO_Z * max(usually_unsure_ohm(wait), _LEAST_SPREAD * wait.median_ohm)
    bad = (off_ohm > limit_ohm) & (off_ohm > _SURE * wait.own_ohm) & (_TO_Z * off_ohm > _ODD * max(spread, floor))
    # A wire between two cells takes from the one what it gives to the other.
    same = (table.module[1:] == table.module[:-1]).astype(np.float64)
    lowest = np.minimum(np.append(off_ohm[1:] * same, 0.0), np.append(0.0, off_ohm[:-1] * same))
    torn = lowest < -_OPPOSITE * off_ohm
    alone: NDArray[np.bool_] = bad & ~torn
    return alone


def _places(
    table: CellTable, off_ohm: NDArray[np.float64], bad: NDArray[np.bool_], limit_ohm: float
) -> Iterator[tuple[Place, NDArray[np.intp]]]:
    """Give the modules most of whose cells stand out, then the cells that stand out alone, with their columns."""
    alone = bad.copy()
    for module in table.modules:
        members = table.members(module)
        if np.count_nonzero(bad[members]) > len(members) / 2:
            yield Place(module=module), members
            alone[members] &= off_ohm[members] > np.nanmedian(off_ohm[members]) + limit_ohm
    for column in np.flatnonzero(alone).tolist():
        yield table.cells[column].channel.place, np.array([column])


def _finding(
    table: CellTable, wait: Combined, place: Place, members: NDArray[np.intp], limit: DefaultLimit, how: str
) -> Finding:
    known = members[np.isfinite(wait.ohm[members])]
    ohm, unsure = float(wait.ohm[known].sum()), float(np.sqrt((wait.unsure_ohm[known] ** 2).sum()))
    median = wait.median_ohm * len(known)
    names = [table.cells[column].channel.name for column in known.tolist()]
    assert table.current is not None
    whole = place.cell is None and len(known) > 1
    subject = f"module {place.module}" if whole else cell_words(table.cells[int(known[0])])
    against = f"{len(known)} median cells have" if whole else "the median cell has"
    return Finding(
        code=_CODE,
        severity=Severity.WARNING,
        place=place,
        value=ohm * 1e3,
        limit=median * (1 + limit.value / 100) * 1e3,
        unit="mohm",
        # A resistance does not end with the step that told it.
        from_ns=int(table.scans.time_ns[0]),
        to_ns=int(table.scans.time_ns[-1]),
        worst_ns=wait.largest_ns,
        channel=None if whole else names[0],
        channels=(*names, table.current.channel.name),
        explanation=(
            f"{subject}: {ohm * 1e3:.2f} mohm (give or take {unsure * 1e3:.2g}), {against} {median * 1e3:.2f} mohm; "
            f"from {how}. {_why(table, members, whole=whole)}"
        ),
        source=limit.source,
    )


def _why(table: CellTable, members: NDArray[np.intp], *, whole: bool) -> str:
    if whole:
        return "Most of its cells resist more: the module is aged, or colder than its sensors say"
    column = int(members[0])
    siblings = table.members(int(table.module[column]))
    heats = "It heats under load and ends discharge and charge early for all"
    if table.module[column] > 0 and column in {int(siblings[0]), int(siblings[-1])}:
        return f"{heats}. It sits at an end of its module: it may be the joint to the next one, not the cell"
    return heats
