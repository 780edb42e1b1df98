"""What a row of like fields may measure: every natural scale of every quantity that comes in arrays, weighed.

Weighed are how usual the scale is, where the values lie, how far the members lie apart, and how many they are. The
densities are rough: common practice, no source; what likelihoods they lead to is corrected by counted trials.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.discovery.natural_scales import scales_of
from decoder.discovery.physics.pages import NO_EFFECT, page_effect
from decoder.maps.chemistry import WINDOWS

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from decoder.discovery.natural_scales import NaturalScale
    from decoder.discovery.physics.like_fields import LikeFields

LONGEST: Final = 16
_SHORTEST: Final = 6
# How usual cells of a chemistry are, and between which voltages most of their captures are taken.
CHEMISTRIES: Final[dict[str, tuple[float, float, float]]] = {
    "NMC": (0.60, 3.30, 4.20),
    "NCA": (0.12, 3.20, 4.20),
    "LFP": (0.22, 2.95, 3.45),
    "LTO": (0.03, 2.00, 2.70),
    "NiMH": (0.03, 1.15, 1.45),
}
_ODD_SHARE: Final = 0.03  # of captures, in which cells lie elsewhere in their window


@dataclass(frozen=True, slots=True)
class Spread:
    """Log-normal: how far the members of a sound array lie apart, in the quantity's unit (standard deviation)."""

    usual: float
    factor: float


@dataclass(frozen=True, slots=True)
class Kind:
    """A quantity that comes in arrays.

    prior : how usual such an array is among rows of like fields
    low, high : between which most values lie; spread : between members; members : fewest, usual, most
    own : how far a member strays on its own in time at most, usually (standard deviation)
    """

    quantity: str
    prior: float
    low: float
    high: float
    spread: Spread
    members: tuple[int, int, int]
    own: float


KINDS: Final = (
    Kind("cell voltage", 0.40, 0.0, 0.0, Spread(0.005, 2.5), (6, 24, 400), 0.15),
    Kind("module temperature", 0.30, 0.0, 45.0, Spread(0.9, 2.2), (3, 4, 120), 1.5),
    Kind("module voltage", 0.05, 12.0, 110.0, Spread(0.3, 6.0), (2, 4, 36), 0.8),
    Kind("swelling pressure", 0.06, 10.0, 250.0, Spread(3.0, 2.5), (3, 4, 64), 2.0),
)
# Of fields in slots that are not filled by zeros: ones fill them, or something else rests there.
_FILLED: Final = 0.15
_CUT: Final = 0.004
_LEAPS: Final = 0.002  # of the values, so many more leap where upper bits that move were cut off
_AGAIN: Final = 0.002
# And of numbers that are usually so much shorter than the slot they rest in.
_ROOMY: Final = 3  # bits
_SHORT: Final = 0.4
_FEW: Final = 0.04  # of a quantity's arrays have fewer members than usual


@dataclass(frozen=True, slots=True)
class Meaning:
    """One way to read a row.

    length : bits of its members; value : usual value in the quantity's unit; spread : between members, in the same
    weight : log of how likely it is, against the others of the same row
    """

    quantity: str
    scale: float
    offset: float
    length: int
    value: float
    spread: float
    weight: float


def meanings_of(row: LikeFields) -> list[Meaning]:
    """Give the meanings that a row may have, the likeliest first."""
    found: dict[tuple[str, float, float], Meaning] = {}
    strays, again = _strays(row), _again(row)
    for length, shortest, usual, spread, odds in _lengths(row):
        for kind in KINDS:
            for scale in scales_of(kind.quantity):
                meaning = _meaning(kind, scale, length, shortest, usual, spread, len(row), odds)
                if meaning is None:
                    continue
                own = max(strays * scale.scale - 0.6 * scale.scale, 0.0) / kind.own
                meaning = replace(meaning, weight=meaning.weight - 0.5 * own**2 + again)
                key = (meaning.quantity, meaning.scale, meaning.offset)
                if key not in found or found[key].weight < meaning.weight:
                    found[key] = meaning
    return sorted(found.values(), key=lambda one: -one.weight)


def _again(row: LikeFields) -> float:
    """Give log odds of pages that make one number look like many."""
    effect = page_effect(row)
    return float(np.log(_AGAIN)) if effect is not None and effect < NO_EFFECT else 0.0


def _strays(row: LikeFields) -> float:
    """Give how far members stray on their own in time, in raw steps."""
    return 0.0 if row.table is None else float(np.median(row.table.rest.std(axis=0)))


def _lengths(row: LikeFields) -> Iterator[tuple[int, int, float, float, float]]:
    """Give lengths in which the values differ: longest, shortest, usual value, spread, whether the next bit is set."""
    first, last, usual = 0, 0, None
    runs: list[tuple[int, int, NDArray[np.float64]]] = []
    most = min(row.room, LONGEST)
    for length in range(_SHORTEST, most + 1):
        values = row.usual(length)
        if values is None:
            break
        if usual is not None and not np.array_equal(values, usual):
            runs.append((length - 1, first, usual))
            first = length
        elif usual is None:
            first = length
        usual, last = values, length
    if usual is None:
        return
    runs.append((last, first, usual))
    whole = int(np.median(usual))
    leaps = row.leaps(last)
    for length, shortest, values in runs:
        above, bits = whole >> length, last - length
        odds = 1.0 if above == 0 else _FILLED if above == (1 << bits) - 1 else _CUT
        if length < last and row.leaps(length) > leaps + _LEAPS:
            odds = min(odds, _CUT)
        yield length, shortest, float(np.median(values)), _apart(values), odds


def _apart(values: NDArray[np.float64]) -> float:
    """Give the standard deviation without the odd ones (1.4826 x the median distance, or the inner ones')."""
    off = np.abs(values - np.median(values))
    return float(max(1.4826 * np.median(off), np.sort(off)[: max(int(0.9 * len(off)), 1)].std()))


def _meaning(
    kind: Kind, row: NaturalScale, length: int, shortest: int, usual: float, spread: float, members: int, odds: float
) -> Meaning | None:
    if not (row.bits[0] <= length and shortest <= row.bits[1]) or row.half_range:
        return None
    if not kind.members[0] <= members <= kind.members[2]:
        return None
    value = row.scale * usual + row.offset
    weight = np.log(kind.prior) + np.log(row.share)
    where = _cell_density(value) if kind.quantity == "cell voltage" else _density(value, kind.low, kind.high)
    if where <= 0:
        return None
    weight += np.log(where)
    # A spread below a step says no more than that: it is taken as that of rounding.
    own = np.hypot(spread * row.scale, 0.3 * row.scale)
    off = np.log(own / kind.spread.usual) / np.log(kind.spread.factor)
    weight += -0.5 * max(abs(float(off)) - (1.0 if own < row.scale else 0.0), 0.0) ** 2
    weight += np.log(_FEW) if members < kind.members[1] else 0.0
    weight += np.log(odds)
    if length >= row.bits[1] + _ROOMY:
        weight += np.log(_SHORT)
    return Meaning(kind.quantity, row.scale, row.offset, length, value, float(own), float(weight))


def _cell_density(volt: float) -> float:
    """Give how usual a cell voltage is, against values that could be anything from 0 to 6 V."""
    total = 0.0
    for name, (share, low, high) in CHEMISTRIES.items():
        window = WINDOWS[name]
        if low <= volt <= high:
            total += share * (1 - _ODD_SHARE) * 6 / (high - low)
        elif window.low_v <= volt <= window.high_v + 0.05:
            total += share * _ODD_SHARE * 6 / (window.high_v - window.low_v)
    return total


def _density(value: float, low: float, high: float) -> float:
    """Give 1 between two values, and less and less beyond them."""
    beyond = max(low - value, value - high, 0.0) / (high - low)
    return float(np.exp(-((beyond / 0.35) ** 2))) if beyond < 1 else 0.0
