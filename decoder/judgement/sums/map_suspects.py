"""Where the map is wrong rather than the pack: a scale that is off by a factor, cells that stand at each other's place.

A module that is low in charge answers to the current as the others do, and its cells add up to what is measured over
it. One whose scale is wrong is off by the same factor in its voltage and in its answer to the current, or against what
is measured over it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.judgement.cells.cell_table import beside, step_of
from decoder.judgement.cells.medians import MAD_TO_SIGMA, median_of, row_medians, spread_of
from decoder.judgement.finding import Finding, Severity
from decoder.judgement.sums.exchanged_cells import exchanged_cells
from decoder.judgement.sums.module_sums import all_cells, module_voltages, quiet
from decoder.maps.chemistry import WINDOWS
from decoder.maps.pack_sheet import Place
from decoder.printable import printable

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from decoder.channels import Channels, Series
    from decoder.judgement.cells.cell_table import CellTable

_PRACTICE: Final = "common practice, no source"
# A factor that differs from 1 by less is no scale but a sensor's gain. Common practice, no source.
SMALLEST_FACTOR: Final = 0.01
# From here on the answer to the current can tell a factor from resistances that differ; below, only sums can. A scale
# that is wrong by a tenth shows as a little less or more. Common practice, no source.
LARGE_FACTOR: Final = 0.09
# What a sensor of the pack voltage may be off by at most, and what a usual one is off by. Common practice, no source.
_PACK_GAIN: Final = 0.01
_USUAL_GAIN: Final = 0.005
# Factors that wrong scales make: decimal places, bits, 1000 for 1024, steps such as 0.125 for 0.1.
FACTORS: Final = tuple(
    sorted(
        factor for one in (1.024, 1.25, 1.5, 2.0, 2.5, 4.0, 5.0, 8.0, 10.0, 100.0, 1000.0) for factor in (one, 1 / one)
    )
)
# So near to one of them, as a share. Common practice, no source.
_NEAR: Final = 0.015
# A cell voltage that far beyond the chemistry's window is none; without a chemistry, beyond these. Common practice.
_BEYOND_WINDOW_V: Final = 0.3
_ANY_CELL_V: Final = (0.8, 4.6)
# The answer to the current needs so many moves of the pack, each of so many steps and volts.
_FEWEST_MOVES: Final = 4
_MOVE_STEPS: Final = 3
_MOVE_V: Final = 0.010
_FEWEST_SCANS: Final = 3
# It tells a factor that is so many standard deviations from 1, by how the other modules answer unlike each other: two
# on either side of the middle. Common practice, no source.
_TELLS: Final = 4


@dataclass(frozen=True, slots=True)
class _Look:
    """What is seen of one module beside the others: NaN where it cannot be told.

    ratio : its median cell over that of the other modules
    answer : how far it moves when they move by 1
    by_sum : its cells' sum over what is measured over the module
    typical_v : its median cell (V)
    unsure : how far `by_sum` may be off where the sensor of the pack voltage is a usual one
    """

    ratio: float
    answer: float
    by_sum: float
    typical_v: float
    unsure: float = 0.0


def map_findings(channels: Channels, table: CellTable, not_judged: dict[str, str]) -> Iterator[Finding]:
    """Judge the map by the cells; reasons for not judging go to `not_judged`."""
    usable = quiet(table)
    if np.count_nonzero(usable) < _FEWEST_SCANS:
        not_judged["map-suspect"] = "the pack was never steady for long enough to compare its voltages"
        return
    if len(table.modules) < 2 and not channels.of("pack voltage"):
        not_judged["map-suspect"] = "neither modules nor a pack voltage to hold the cells against"
        return
    modules = list(_scaled_modules(channels, table, usable))
    yield from modules
    if not modules:  # else no sum can be trusted
        yield from exchanged_cells(channels, table, usable)
        yield from _scaled_pack(channels, table, usable)


def _scaled_modules(channels: Channels, table: CellTable, usable: NDArray[np.bool_]) -> Iterator[Finding]:
    """Give a finding for each module whose cells are all off by one factor."""
    modules = table.modules
    if len(modules) < 2:
        return
    level = np.stack([row_medians(table.scans.volt[:, table.members(module)]) for module in modules], axis=1)
    window = _window(channels)
    for at, module in enumerate(modules):
        others = row_medians(np.delete(level, at, axis=1))
        look = _look(channels, table, usable, level, at)
        sound = window[0] <= look.typical_v <= window[1]
        others_sound = window[0] <= median_of(others[usable]) <= window[1]
        if (others_sound or not sound) and _is_factor(look, sound=sound, alone=len(modules) == 2):
            yield _scaled_module(channels, table, module, look)


def _window(channels: Channels) -> tuple[float, float]:
    window = WINDOWS.get(channels.sheet.chemistry or "") if channels.sheet is not None else None
    if window is None:
        return _ANY_CELL_V
    return window.low_v - _BEYOND_WINDOW_V, window.high_v + _BEYOND_WINDOW_V


def _look(
    channels: Channels,
    table: CellTable,
    usable: NDArray[np.bool_],
    level: NDArray[np.float64],
    at: int,
) -> _Look:
    """Look at one module, column `at` of `level` (k x modules, the median cell of each, V)."""
    own, others = level[:, at], row_medians(np.delete(level, at, axis=1))
    known = usable & np.isfinite(own) & (others > 0)
    ratio = median_of(own[known] / others[known])
    step_v = float(np.median(table.step_v))
    answer = answer_to(own, others, table.scans.steady, step_v)
    if _answers_scatter(np.delete(level, at, axis=1), table.scans.steady, step_v) > abs(ratio - 1) / _TELLS:
        answer = np.nan
    by_sum, unsure = _by_sum(channels, table, usable, table.modules[at], ratio)
    return _Look(ratio, answer, by_sum, median_of(own[known]), unsure)


def _answers_scatter(level: NDArray[np.float64], steady: NDArray[np.bool_], step_v: float) -> float:
    """Give by how much (one standard deviation) modules that are no suspects answer unlike each other; 0 for one.

    level : float64, k x modules, their median cells (V)
    """
    if level.shape[1] < 2:
        return 0.0
    answers = [
        answer_to(level[:, one], row_medians(np.delete(level, one, axis=1)), steady, step_v)
        for one in range(level.shape[1])
    ]
    scatter = median_of(np.abs(np.array(answers) - 1)) / MAD_TO_SIGMA
    return scatter if np.isfinite(scatter) else 0.0


def answer_to(own: NDArray[np.float64], others: NDArray[np.float64], steady: NDArray[np.bool_], step_v: float) -> float:
    """Give how far one voltage moves when another moves by 1, from steady scan to steady scan; NaN if they hardly do.

    own, others : float64, k, V
    steady : bool, k, which scans are of one moment
    step_v : what one step of their raw values is worth
    """
    known = np.flatnonzero(steady & np.isfinite(own) & np.isfinite(others))
    moves, own_moves = np.diff(others[known]), np.diff(own[known])
    far = np.abs(moves) >= max(_MOVE_STEPS * step_v, _MOVE_V)
    if np.count_nonzero(far) < _FEWEST_MOVES:
        return np.nan
    return float((own_moves[far] * moves[far]).sum() / (moves[far] ** 2).sum())


def _by_sum(
    channels: Channels, table: CellTable, usable: NDArray[np.bool_], module: int, ratio: float
) -> tuple[float, float]:
    """Give the sum of a module's cells over what is measured over it, and how far that may be off.

    It is measured by its own channel, else by the pack voltage less all other cells.

    ratio : the module's factor; the pack's sensor must be good enough to tell it from 1
    """
    off = abs(ratio - 1)
    total = table.scans.volt[:, table.members(module)].sum(axis=1)
    if all_cells(channels.sheet, table, module):
        for series, measured in module_voltages(channels, table):
            if measured == module:
                return _ratio(total, beside(series, table.scans.time_ns)[0], usable), 0.0
    for series in _pack_voltages(channels, table):
        pack = beside(series, table.scans.time_ns)[0]
        left = pack - (table.scans.volt.sum(axis=1) - total)
        pack_v, left_v = median_of(pack[usable]), median_of(left[usable])
        if not left_v > 0:  # NaN too
            continue
        if pack_v * _PACK_GAIN <= off / 4 * left_v:
            return _ratio(total, left, usable), 0.0
        # A usual sensor tells whether the sum is off by just what the module is, where that is twice what it may miss.
        unsure = pack_v * _USUAL_GAIN / left_v
        if off >= LARGE_FACTOR and unsure < off / 2 and _evenly_off(table, usable, module, ratio):
            return _ratio(total, left, usable), unsure
    return np.nan, 0.0


def _evenly_off(table: CellTable, usable: NDArray[np.bool_], module: int, ratio: float) -> bool:
    """Tell whether all cells of a module are off from the others by the same share; low in charge they fan out."""
    members = table.members(module)
    others = row_medians(np.delete(table.scans.volt, members, axis=1))
    known = usable & (others > 0)
    shares = [median_of(table.scans.volt[known, column] / others[known]) for column in members.tolist()]
    return all(abs(share - ratio) <= abs(ratio - 1) / 4 for share in shares)


def _pack_voltages(channels: Channels, table: CellTable) -> list[Series]:
    """Give the channels of the pack voltage, where the pack sheet says that the table holds all cells; else none."""
    expected = channels.sheet.cells_in_series if channels.sheet is not None else None
    return channels.of("pack voltage") if expected == len(table.cells) else []


def _ratio(above: NDArray[np.float64], below: NDArray[np.float64], usable: NDArray[np.bool_]) -> float:
    """Give the median ratio, NaN where it is not steady or not known."""
    known = usable & np.isfinite(above) & np.isfinite(below) & (below != 0)
    ratio = above[known] / below[known]
    middle = median_of(ratio)
    if np.count_nonzero(known) < _FEWEST_SCANS or spread_of(ratio) > max(SMALLEST_FACTOR, abs(middle - 1) / 10):
        return np.nan
    return middle


def _is_factor(look: _Look, *, sound: bool, alone: bool) -> bool:
    """Tell whether a module is off by a factor rather than in charge.

    sound : whether its voltage is one that a cell can have
    alone : whether only one other module is there: the two cannot tell which of them is wrong
    """
    off = abs(look.ratio - 1)
    if not off > SMALLEST_FACTOR:  # NaN too
        return False
    # Each witness speaks for the map where it sees the same factor, for the pack where it sees none.
    near_sum = max(off / 4, look.unsure)
    sum_for_map, sum_for_pack = (abs(look.by_sum - factor) <= near_sum for factor in (look.ratio, 1.0))
    answer_for_map, answer_for_pack = (abs(look.answer - factor) <= off / 4 for factor in (look.ratio, 1.0))
    if off < LARGE_FACTOR:
        return sum_for_map
    if sum_for_pack or answer_for_pack:
        return False
    if answer_for_map:
        return sum_for_map or not alone or not sound
    return sum_for_map or (not sound and np.isnan(look.answer))


def _scaled_module(channels: Channels, table: CellTable, module: int, look: _Look) -> Finding:
    cells = [table.cells[column].channel.name for column in table.members(module).tolist()]
    # What is measured over these cells does not meet their sum, and this is why.
    over = [series.channel.name for series, measured in module_voltages(channels, table) if measured == module]
    over += [series.channel.name for series in _pack_voltages(channels, table)]
    seen = [f"{look.ratio:.3g} times the other modules' voltage ({look.typical_v:.3f} V a cell)"]
    if np.isfinite(look.answer):
        seen.append(f"{look.answer:.3g} times their answer to the current")
    if np.isfinite(look.by_sum):
        seen.append(f"a sum {look.by_sum:.4g} times what is measured over it")
    return Finding(
        code="map-suspect",
        severity=Severity.CAUTION,
        place=Place(module=module),
        value=look.ratio,
        limit=None,
        unit="",
        channel=None,
        channels=(*cells, *over),
        explanation=(
            f"all cells of module {module} are off by one factor: {', '.join(seen)}{factor_words(look.ratio)}. A "
            f"module that is low in charge does not do that: the scale in the map is likely wrong, not the pack"
        ),
        source=_PRACTICE,
        from_ns=int(table.scans.time_ns[0]),
        to_ns=int(table.scans.time_ns[-1]),
    )


def factor_words(ratio: float) -> str:
    """Name the factor of a usual wrong scale that a ratio is near to; empty where it is near to none."""
    nearest = _nearest(ratio)
    return f"; a wrong scale gives {nearest:.4g}" if abs(ratio / nearest - 1) <= _NEAR else ""


def _nearest(ratio: float) -> float:
    return min(FACTORS, key=lambda factor: abs(ratio / factor - 1))


def _scaled_pack(channels: Channels, table: CellTable, usable: NDArray[np.bool_]) -> Iterator[Finding]:
    """Give a finding for each pack voltage that is off from the sum of all cells by the factor of a wrong scale.

    A small factor may as well be the sensor's gain: that stays a sum that does not match.
    """
    total = table.scans.volt.sum(axis=1)  # NaN where a cell is missing
    for series in _pack_voltages(channels, table):
        pack = beside(series, table.scans.time_ns)[0]
        ratio = _ratio(pack, total, usable)
        off = abs(ratio - 1)
        if not off >= LARGE_FACTOR or ratio <= 0:
            continue
        answer = answer_to(pack, total, table.scans.steady, max(step_of(series), float(table.step_v.sum())))
        near = abs(ratio / _nearest(ratio) - 1) <= _NEAR
        if near and not abs(answer - 1) <= off / 4:
            name = series.channel.name
            answered = f", and it answers to the current {answer:.3g} times as much" if np.isfinite(answer) else ""
            yield Finding(
                code="map-suspect",
                severity=Severity.CAUTION,
                place=Place(),
                value=ratio,
                limit=None,
                unit="",
                channel=name,
                channels=(name,),
                explanation=(
                    f"{printable(name)} says {median_of(pack[usable]):.1f} V, {len(table.cells)} cells add up to "
                    f"{median_of(total[usable]):.1f} V: {ratio:.4g} times as much{answered}{factor_words(ratio)}. The "
                    f"scale of the pack voltage in the map, or that of all cells, is likely wrong"
                ),
                source=_PRACTICE,
                from_ns=int(table.scans.time_ns[0]),
                to_ns=int(table.scans.time_ns[-1]),
            )
