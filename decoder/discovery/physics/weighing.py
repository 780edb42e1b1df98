"""All that was found weighed together: what one thing says of another, and which claims can stand side by side.

The sum of a row of cells that equals a pack voltage speaks for both; two rows that tell the same voltages at two scales
speak for each other; a meaning that no sum bears out loses to one that does. Weights are logs of odds; what they are
worth is corrected by counted trials (`likelihoods.py`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.discovery.physics.array_meanings import meanings_of
from decoder.discovery.physics.candidates import rows_of
from decoder.discovery.physics.charges import ChargeLike, charge_like
from decoder.discovery.physics.containers import families_of
from decoder.discovery.physics.currents import (
    CurrentLike,
    CurrentMeaning,
    common_voltage,
    current_like,
    discharging,
    meanings_of_current,
)
from decoder.discovery.physics.extremes import Extreme, extremes_of
from decoder.discovery.physics.like_fields import like_fields
from decoder.discovery.physics.picking import Occupied, picked
from decoder.discovery.physics.singles import Single, singles_of
from decoder.discovery.physics.states import Switch, rise_of, switches_of
from decoder.discovery.physics.voltages import Match, matches_of, sums_of

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from decoder.discovery.field_at import Sampled
    from decoder.discovery.physics.array_meanings import Meaning
    from decoder.discovery.physics.like_fields import LikeFields
    from decoder.discovery.proposal import Carving

_SAME_SHARE: Final = 0.003  # two rows that tell the same cells
_SAME_WEIGHT: Final = 4.0
_SAME_CELLS: Final = 0.7  # correlation of how far each member lies from the others
_MOST_LEFT_OUT: Final = 4  # members at the ends that are found to be none later
_SUM_OF_ONE_MEANING: Final = 9.0  # at most, what a sum is worth for a row's meaning
# Log odds that a row of like fields is none of the known arrays, by how many members it has: few fields come to lie
# close together by chance easily.
_OTHER_MEMBERS: Final = (4, 8, 16, 32, 64)
_OTHER_WEIGHT: Final = (-1.5, -3.5, -5.5, -8.0, -10.0)
SURE_WEIGHT: Final = 3.0  # of a voltage or a summary, from which on its number is nothing else
_MANY: Final = 12  # members of a row of cells that others are held against
_UNLIKE_CELLS: Final = 0.05  # share by which the usual cells of two arrays of one pack differ at most,
_UNLIKE_SUMS: Final = 0.03  # and the sum of the modules from that of the cells
_CONTRADICTED: Final = 0.002
_SOMETHING_ELSE: Final = 1e-3  # chance that is left for what nobody thought of
_CLEAR: Final = 0.5  # chance from which on a row's bits are no longer free


@dataclass(frozen=True, slots=True)
class Weighed:
    """A row with its meanings, the likeliest first, and the chance of each; what is left to 1 is that it is none."""

    row: LikeFields
    meanings: tuple[Meaning, ...]
    chances: tuple[float, ...]
    sums: tuple[Match, ...] = ()
    same_as: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Findings:
    """All that was weighed."""

    rows: tuple[Weighed, ...] = ()
    voltages: tuple[Match, ...] = ()
    currents: tuple[tuple[CurrentLike, CurrentMeaning, tuple[CurrentMeaning, ...]], ...] = ()
    charges: tuple[ChargeLike, ...] = ()
    extremes: tuple[Extreme, ...] = ()
    switches: tuple[Switch, ...] = ()


def weigh(carvings: Sequence[Carving], sampled: Sampled, progress: Callable[[float], None] | None = None) -> Findings:
    """Look for everything and weigh it."""
    tell = progress or (lambda _: None)
    rows = rows_of(families_of(carvings))
    tell(0.4)
    found = like_fields(picked(rows, carvings, sampled, Occupied(sampled)), sampled)
    found = [one for one in found if one.table is not None]
    meanings = [meanings_of(one) for one in found]
    kept = [number for number, some in enumerate(meanings) if some]
    found, meanings = [found[number] for number in kept], [meanings[number] for number in kept]
    tell(0.6)
    occupied = Occupied(sampled)
    for row, some in zip(found, meanings, strict=True):
        # That a row is one is clear before its scale is: the sum that tells the scale must not come from its bits.
        if sum(_chances(row, [one.weight for one in some])) >= _CLEAR:
            for at in row.cut_to(some[0].length).fields:
                occupied.take(at)
    singles = singles_of(carvings, sampled, occupied)
    sums = sums_of(found, meanings)
    matches = matches_of(sums, singles)
    tell(0.8)
    weighed = [_weighed(number, found, meanings, matches) for number in range(len(found))]
    findings = _with_singles(_without_contradictions(weighed), matches, singles)
    tell(1.0)
    return replace(findings, switches=_switches(findings, carvings, sampled))


def _chances(row: LikeFields, weights: Sequence[float]) -> list[float]:
    """Give the chance of each meaning, with 'none of them' as another."""
    other = float(np.interp(np.log2(len(row)), np.log2(_OTHER_MEMBERS), _OTHER_WEIGHT))
    odds = np.exp(np.array([*weights, other]) - max(*weights, other))
    return [float(one) for one in (odds / odds.sum())[:-1]]


def _weighed(
    number: int, rows: Sequence[LikeFields], meanings: Sequence[Sequence[Meaning]], matches: Sequence[Match]
) -> Weighed:
    row = rows[number]
    weights = []
    best: list[tuple[Match, ...]] = []
    same: list[tuple[int, ...]] = []
    for meaning in meanings[number]:
        bearing = [one for one in matches if (number, meaning) in zip(one.sum.rows, one.sum.meanings, strict=True)]
        bearing.sort(key=lambda one: -one.weight + 1.5 * len(one.sum.rows))
        alike = _same_as(number, meaning, rows, meanings)
        told = min(max((one.weight for one in bearing), default=0.0), _SUM_OF_ONE_MEANING)
        weights.append(meaning.weight + max(told, 0.0) + (_SAME_WEIGHT if alike else 0.0))
        best.append(tuple(bearing[:3]))
        same.append(alike)
    chances = _chances(row, weights)
    order = sorted(range(len(weights)), key=lambda which: -weights[which])
    return Weighed(
        row,
        tuple(meanings[number][which] for which in order),
        tuple(chances[which] for which in order),
        best[order[0]],
        same[order[0]],
    )


def _without_contradictions(weighed: Sequence[Weighed]) -> list[Weighed]:
    """Hold all rows against the one that is best borne out as cells: cells of one pack are alike, modules add up."""
    known = [one for one in weighed if _is_known(one)]
    if not known:
        return list(weighed)
    best = max(known, key=lambda one: (_borne_out(one), len(one.row) * one.chances[0]))
    return [one if one is best else _held_against(one, best) for one in weighed]


def _is_known(one: Weighed) -> bool:
    return one.meanings[0].quantity == "cell voltage" and one.chances[0] >= _CLEAR and len(one.row) >= _MANY


def _borne_out(one: Weighed) -> bool:
    """Tell whether a number equals the sum of just this row."""
    return any(some.weight > SURE_WEIGHT and len(some.sum.rows) == 1 for some in one.sums)


def _held_against(one: Weighed, best: Weighed) -> Weighed:
    cell_v = best.meanings[0].value
    pack_v = cell_v * len(best.row) if _borne_out(best) else None

    def contradicts(meaning: Meaning) -> bool:
        if meaning.quantity == "cell voltage":
            return abs(meaning.value - cell_v) > _UNLIKE_CELLS * cell_v
        if meaning.quantity == "module voltage" and pack_v is not None:
            return abs(meaning.value * len(one.row) - pack_v) > _UNLIKE_SUMS * pack_v
        return False

    odds = [
        chance * (_CONTRADICTED if contradicts(meaning) else 1.0)
        for meaning, chance in zip(one.meanings, one.chances, strict=True)
    ]
    none = max(1.0 - sum(one.chances), _SOMETHING_ELSE)
    total = sum(odds) + none
    order = sorted(range(len(odds)), key=lambda which: -odds[which])
    same = order[0] == 0
    return Weighed(
        one.row,
        tuple(one.meanings[which] for which in order),
        tuple(odds[which] / total for which in order),
        one.sums if same and not contradicts(one.meanings[0]) else (),
        one.same_as if same else (),
    )


def _same_as(
    number: int, meaning: Meaning, rows: Sequence[LikeFields], meanings: Sequence[Sequence[Meaning]]
) -> tuple[int, ...]:
    """Give the rows that tell the same cells: as many, at the same voltage, each as far from the others as there."""
    found = []
    if meaning.quantity != "cell voltage" or len(rows[number]) < _MANY:
        return ()
    for other, row in enumerate(rows):
        if other == number or abs(len(row) - len(rows[number])) > _MOST_LEFT_OUT:
            continue
        for some in meanings[other][:4]:
            step = max(some.scale, meaning.scale)
            near = abs(some.value - meaning.value) <= _SAME_SHARE * meaning.value + 0.3 * step
            if some.quantity == "cell voltage" and near and _same_cells(rows[number], meaning, row, some):
                found.append(other)
                break
    return tuple(found)


def _same_cells(one: LikeFields, meaning: Meaning, other: LikeFields, its: Meaning) -> bool:
    """Tell whether the members of two rows differ from each other in the same way."""
    tables = one.cut_to(meaning.length).table, other.cut_to(its.length).table
    if tables[0] is None or tables[1] is None or tables[0].raw.shape[1] != tables[1].raw.shape[1]:
        return False
    volt = meaning.scale * tables[0].raw.mean(axis=0), its.scale * tables[1].raw.mean(axis=0)
    if min(volt[0].std(), volt[1].std()) == 0:
        return False
    return bool(np.corrcoef(*volt)[0, 1] >= _SAME_CELLS)


def _with_singles(weighed: list[Weighed], matches: Sequence[Match], singles: Sequence[Single]) -> Findings:
    """Add what the rows that are believed say of single numbers."""
    cells = [
        (number, one)
        for number, one in enumerate(weighed)
        if one.meanings[0].quantity == "cell voltage" and one.chances[0] >= _CLEAR
    ]
    believed = {(number, one.meanings[0]) for number, one in enumerate(weighed) if one.chances[0] >= _CLEAR}
    voltages = [
        one for one in matches if all(pair in believed for pair in zip(one.sum.rows, one.sum.meanings, strict=True))
    ]
    extremes = [
        some
        for number, one in enumerate(weighed)
        if one.chances[0] >= _CLEAR
        for some in extremes_of(number, one.row, one.meanings[0], singles)
    ]
    known = {one.single.place for one in voltages if one.weight > SURE_WEIGHT}
    known |= {one.single.place for one in extremes if one.weight > SURE_WEIGHT}
    currents = _currents(cells, [one for one in singles if one.place not in known])
    cell_v = float(np.median([one.meanings[0].value for _, one in cells])) if cells else None
    flow = None
    if currents:
        like, meaning, _ = currents[0]
        flow = (like.single.track.time_s, discharging(like, meaning))
    charges = charge_like(singles, cell_v, flow)
    return Findings(tuple(weighed), tuple(voltages), tuple(currents), tuple(charges), tuple(extremes))


def _switches(findings: Findings, carvings: Sequence[Carving], sampled: Sampled) -> tuple[Switch, ...]:
    """Give the states that switch with the link, where it is known and rises."""
    links = sorted((one for one in findings.voltages if one.link), key=lambda one: -one.weight)
    rise_s = rise_of(links[0]) if links else None
    return () if rise_s is None else tuple(switches_of(carvings, sampled, rise_s))


def _currents(
    cells: Sequence[tuple[int, Weighed]], singles: Sequence[Single]
) -> list[tuple[CurrentLike, CurrentMeaning, tuple[CurrentMeaning, ...]]]:
    """Give the current-like numbers of the row of cells that tells most of them, with their meanings."""
    best: list[CurrentLike] = []
    for _, one in cells:
        voltage = common_voltage(one.row, one.meanings[0])
        found = [] if voltage is None else current_like(voltage, singles)
        if found and (not best or abs(found[0].correlation) > abs(best[0].correlation)):
            best = found
    result = []
    for like in best:
        meanings = meanings_of_current(like)
        if meanings:
            result.append((like, meanings[0], tuple(meanings[1:4])))
    return result
