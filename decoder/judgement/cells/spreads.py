"""Spread within a module and over the pack, and the sum of the cells against the pack voltage."""

from __future__ import annotations

from collections import defaultdict
from typing import TYPE_CHECKING

import numpy as np

from decoder.judgement.cells.cell_table import beside
from decoder.judgement.cells.instants import Scans, scans
from decoder.judgement.finding import Finding, Severity
from decoder.judgement.spans import Span, duration, spans
from decoder.maps.default_limits import DefaultLimit, limit_of
from decoder.maps.pack_sheet import Place
from decoder.printable import printable

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from decoder.channels import Channels, Series
    from decoder.judgement.cells.cell_table import CellTable

# So many scans in a row must be beyond a limit before it is a finding (all of them, in a shorter capture).
PERSISTENT_SCANS = 3
# The sum of cells is only compared while the median cell moves by less than this between scans.
STEADY_CELL_V = 0.005
_FEWEST_CELLS = 2
_TOO_FEW = "too few samples of the cells"
_NEVER_STEADY = "the current was never steady within a scan"
# The lowest cell ends a discharge first, so it is named; the highest only if it is so many times as far from the
# median. Common practice, no source.
STANDS_OUT = 1.5


def spread_findings(
    channels: Channels, not_judged: dict[str, str], known: CellTable | None = None
) -> Iterator[Finding]:
    """Judge the spread of each module and of the pack; reasons for not judging go to `not_judged`.

    known : all cells lined up already; taken where they are the cells that are judged here
    """
    cells = [series for series in channels.one_a_place("cell voltage") if len(series)]
    current = next(iter(channels.of("pack current")), None)
    if len(cells) < _FEWEST_CELLS:
        for code in ("module-spread", "pack-spread", "sum-mismatch"):
            not_judged[code] = "fewer than two cell voltages in the capture"
        return
    modules = cells_by_module(cells)
    if not modules:
        not_judged["module-spread"] = "nothing says which module a cell belongs to (a pack sheet can)"
    limit = limit_of(channels.sheet, "module_spread_v")
    for module, members in modules.items():
        scan = scans(members, current)
        if scan is None or not _judged(scan).any():
            not_judged["module-spread"] = f"module {module}: {_NEVER_STEADY if scan is not None else _TOO_FEW}"
        else:
            yield from _spread_in("module-spread", Place(module=module), members, scan, limit, channels)
    same = known is not None and known.current is current and known.cells == tuple(cells)
    table = known.scans if known is not None and same else scans(cells, current)
    if table is None:
        for code in ("pack-spread", "sum-mismatch"):
            not_judged[code] = _TOO_FEW
        return
    if _judged(table).any():
        yield from _pack_spread(cells, table, channels)
    else:
        not_judged["pack-spread"] = _NEVER_STEADY
    yield from _sum_mismatch(channels, cells, table, not_judged)


def cells_by_module(cells: Sequence[Series]) -> dict[int, list[Series]]:
    """Give the cells of each module that has two or more, in the order of their places."""
    modules: dict[int, list[Series]] = defaultdict(list)
    for series in cells:
        if series.channel.place.module is not None:
            modules[series.channel.place.module].append(series)
    return {module: members for module, members in modules.items() if len(members) >= _FEWEST_CELLS}


def _judged(table: Scans) -> NDArray[np.bool_]:
    """Tell which scans can be judged: two cells or more, at one instant or while the current is steady."""
    judged: NDArray[np.bool_] = table.steady & (np.count_nonzero(~np.isnan(table.volt), axis=1) >= _FEWEST_CELLS)
    return judged


def _pack_spread(cells: Sequence[Series], table: Scans, channels: Channels) -> Iterator[Finding]:
    yield from _spread_in("pack-spread", Place(), cells, table, limit_of(channels.sheet, "pack_spread_v"), channels)


def _spread_in(
    code: str, place: Place, cells: Sequence[Series], table: Scans, limit: DefaultLimit, channels: Channels
) -> Iterator[Finding]:
    """Give a finding for each span in which largest minus smallest cell stays above the limit.

    What the pack moved between scans is taken off: so much could come from comparing different moments.
    """
    judged = _judged(table)
    spread = np.zeros(len(table.volt))
    spread[judged] = np.nanmax(table.volt[judged], axis=1) - np.nanmin(table.volt[judged], axis=1)
    dust = 1e-6  # so that 4.140 - 4.100 is not above 0.040, in 32-bit floats neither
    bad = judged & (spread - table.moved_v > limit.value + dust)
    good = judged & (spread <= limit.value + dust)
    at_least = min(PERSISTENT_SCANS, len(judged))
    for span in spans(table.time_ns, bad, good=good, at_least=at_least):
        yield _spread_finding(code, place, cells, table, spread * bad, span, limit, channels)


def _spread_finding(
    code: str,
    place: Place,
    cells: Sequence[Series],
    table: Scans,
    spread: NDArray[np.float64],
    span: Span,
    limit: DefaultLimit,
    channels: Channels,
) -> Finding:
    worst = span.first + int(np.argmax(spread[span.first : span.last + 1]))
    row = table.volt[worst]
    odd = _odd_one(row)
    lowest, highest = cells[int(np.nanargmin(row))], cells[int(np.nanargmax(row))]
    where = _module_words(channels, cells[odd].channel.place)
    return Finding(
        code=code,
        severity=Severity.WARNING if code == "module-spread" else Severity.CAUTION,
        place=Place(module=cells[odd].channel.place.module, cell=cells[odd].channel.place.cell)
        if code == "module-spread"
        else place,
        value=float(spread[worst]),
        limit=limit.value,
        unit="V",
        from_ns=span.from_ns,
        to_ns=span.to_ns,
        worst_ns=int(table.time_ns[worst]),
        channel=cells[odd].channel.name,
        channels=tuple(dict.fromkeys((lowest.channel.name, highest.channel.name))),
        explanation=(
            f"{_subject(place)}: lowest {cell_words(lowest)} {np.nanmin(row):.3f} V, highest {cell_words(highest)} "
            f"{np.nanmax(row):.3f} V at one instant, {duration(span)}; {cell_words(cells[odd])} stands out{where}. "
            f"The weakest cell ends discharge and charge for all: spread costs range, and grows"
        ),
        source=limit.source,
    )


def _odd_one(row: NDArray[np.float64]) -> int:
    """Give the cell that a spread is about: the lowest, unless the highest stands out clearly more."""
    median = np.nanmedian(row)
    above, below = np.nanmax(row) - median, median - np.nanmin(row)
    return int(np.nanargmax(row)) if above > STANDS_OUT * below else int(np.nanargmin(row))


def _subject(place: Place) -> str:
    return f"module {place.module}" if place.module is not None else "the pack"


def cell_words(series: Series) -> str:
    """Name a cell by its place, or by its channel where the place is not known."""
    place = series.channel.place
    if place.module is not None and place.cell is not None:
        return f"cell {place.cell} of module {place.module}"
    return f"cell {place.cell}" if place.cell is not None else printable(series.channel.name)


def _module_words(channels: Channels, place: Place) -> str:
    if channels.sheet is None or place.module is None:
        return ""
    where = channels.sheet.where_in_case(place.module)
    return f" (module {place.module}: {where})" if where else ""


def _sum_mismatch(
    channels: Channels, cells: Sequence[Series], table: Scans, not_judged: dict[str, str]
) -> Iterator[Finding]:
    """Compare the sum of all cells with the measured pack voltage, while the pack is steady."""
    packs = channels.of("pack voltage")
    reason = _why_no_sum(channels, cells, packs)
    if reason:
        not_judged["sum-mismatch"] = reason
        return
    pack = packs[0]
    limit = limit_of(channels.sheet, "sum_mismatch_percent")
    total = table.volt.sum(axis=1)  # NaN where a cell is missing
    volt, percent = _against_pack(pack, table, total)
    judged = table.steady & (table.moved_v < STEADY_CELL_V) & np.isfinite(percent)
    at_least = min(PERSISTENT_SCANS, len(judged))
    moments = np.count_nonzero(judged)
    if moments < at_least:
        often = f"only {moments} times" if moments else "at no moment"
        not_judged["sum-mismatch"] = f"{often} were all cells there and the pack steady"
        return
    bad = judged & (percent > limit.value)
    for span in spans(table.time_ns, bad, good=judged & ~bad, at_least=at_least):
        inside = slice(span.first, span.last + 1)
        worst = span.first + int(np.argmax(np.where(bad, percent, 0.0)[inside]))
        yield Finding(
            code="sum-mismatch",
            severity=Severity.CAUTION,
            place=Place(),
            value=float(percent[worst]),
            limit=limit.value,
            unit="%",
            from_ns=span.from_ns,
            to_ns=span.to_ns,
            worst_ns=int(table.time_ns[worst]),
            channel=pack.channel.name,
            channels=(pack.channel.name,),
            explanation=(
                f"{len(cells)} cells add up to {total[worst]:.1f} V, {pack.channel.name} says {volt[worst]:.1f} V, "
                f"{duration(span)}. A cell is missing or read wrong, the map's scale is off, or the pack sensor is"
            ),
            source=limit.source,
        )


def _against_pack(
    pack: Series, table: Scans, total: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Give the pack voltage at each scan, and by how many percent `total` misses it; NaN where it is not fresh.

    The pack voltage may be sent less often than the cells: of the samples before and after the scan, the one that is
    missed by less counts.
    """
    both = beside(pack, table.time_ns)
    with np.errstate(invalid="ignore", divide="ignore"):
        percents = [np.abs(total - volt) / np.abs(volt) * 100 for volt in both]
        take_after = np.isnan(percents[0]) | (percents[1] < percents[0])
    return np.where(take_after, both[1], both[0]), np.where(take_after, percents[1], percents[0])


def _why_no_sum(channels: Channels, cells: Sequence[Series], packs: Sequence[Series]) -> str | None:
    if not packs:
        return "no channel for the pack voltage"
    expected = channels.sheet.cells_in_series if channels.sheet is not None else None
    if expected is None:
        return "the pack sheet does not say how many cells are in series"
    if len(cells) != expected:
        return f"{len(cells)} cell voltages in the capture, {expected} cells in series by the pack sheet"
    return None
