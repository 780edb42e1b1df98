"""Two signal maps on one capture: which channels decode differently, from when on, and which only one map has.

Channels are paired by the bits that they are cut from, on one bus and identifier, whatever their names. Values are
compared sample by sample, in the unit of the quantity where both maps give the same one.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    from decoder.channels import Channels
    from decoder.channels.series import Series

# What arithmetic of different scales may differ by, as a share of the value.
_ROUNDING: Final = 1e-9


@dataclass(frozen=True, slots=True)
class Difference:
    """A channel that the two maps do not give alike.

    channel, other : by the first and by the second map; one of them ``None`` where only one map has it
    samples, differing : payloads that both take a value from, and those of them whose values differ
    time_ns : the first of these, on the capture's clock; ``None`` where only one map has the channel
    value, other_value : what each map makes of it, ``None`` where that is 'not available'
    """

    bus: str
    can_id: int
    extended: bool
    channel: str | None
    other: str | None
    samples: int
    differing: int = 0
    time_ns: int | None = None
    value: float | None = None
    other_value: float | None = None
    unit: str = ""
    other_unit: str = ""
    how: str = ""


@dataclass(frozen=True, slots=True)
class MapDifference:
    """What decodes differently, what only one of the maps has, and how many channels are the same in both."""

    differing: tuple[Difference, ...]
    only_first: tuple[Difference, ...]
    only_second: tuple[Difference, ...]
    same: int


def map_difference(first: Channels, second: Channels) -> MapDifference:
    """Compare one capture decoded with two maps."""
    others = _by_identifier(second.values())
    paired: set[str] = set()
    shared: dict[tuple[int, int], int] = {}
    differing: list[Difference] = []
    only_first: list[Difference] = []
    same = 0
    for one in first.values():
        if not len(one):
            continue
        partner = _partner(one, others.get(_identifier(one), []), shared)
        if partner is None:
            only_first.append(_alone(one, is_first=True))
            continue
        paired.add(partner.channel.name)
        found = _compared(one, partner)
        if found is None:
            same += 1
        else:
            differing.append(found)
    only_second = [_alone(s, is_first=False) for s in second.values() if len(s) and s.channel.name not in paired]
    return MapDifference(tuple(differing), tuple(only_first), tuple(only_second), same)


def _identifier(one: Series) -> tuple[str, int, bool, bool]:
    channel = one.channel
    return channel.bus, channel.can_id, channel.message.extended, channel.is_assembled


def _by_identifier(all_series: Iterable[Series]) -> dict[tuple[str, int, bool, bool], list[Series]]:
    found = defaultdict(list)
    for one in all_series:
        if len(one):
            found[_identifier(one)].append(one)
    return found


def _partner(one: Series, others: Iterable[Series], shared: dict[tuple[int, int], int]) -> Series | None:
    """Give the series cut from the most bits of the same payloads; of equal ones that with the most payloads.

    shared : how many payloads two series have in common, by the id() of their rows: those of one page are one array
    """
    bits = set(one.channel.signal.field.bit_numbers())
    best, best_fit = None, (0.0, 0)
    for other in others:
        theirs = set(other.channel.signal.field.bit_numbers())
        if bits.isdisjoint(theirs):
            continue
        rows = id(one.rows), id(other.rows)
        payloads = shared.get(rows)
        if payloads is None:
            payloads = shared[rows] = len(np.intersect1d(one.rows, other.rows, assume_unique=True))
        fit = len(bits & theirs) / len(bits | theirs), payloads
        if payloads and fit > best_fit:
            best, best_fit = other, fit
    return best


def _compared(one: Series, other: Series) -> Difference | None:
    _, mine, theirs = np.intersect1d(one.rows, other.rows, assume_unique=True, return_indices=True)
    alike = one.channel.quantity == other.channel.quantity and one.channel.factor is not None
    alike = alike and other.channel.factor is not None
    values = (one.in_quantity_unit if alike else one.number)[mine]
    others = (other.in_quantity_unit if alike else other.number)[theirs]
    differs = ~_equal(values, others)
    if not differs.any():
        return None
    at = int(np.argmax(differs))
    return Difference(
        one.channel.bus,
        one.channel.can_id,
        one.channel.message.extended,
        one.channel.name,
        other.channel.name,
        len(mine),
        int(np.count_nonzero(differs)),
        int(one.time_ns[mine[at]]),
        _or_none(values[at]),
        _or_none(others[at]),
        one.channel.quantity_unit if alike else one.channel.unit,
        other.channel.quantity_unit if alike else other.channel.unit,
        _how(one, other),
    )


def _equal(some: NDArray[np.float64], others: NDArray[np.float64]) -> NDArray[np.bool_]:
    both_empty = np.isnan(some) & np.isnan(others)
    with np.errstate(invalid="ignore"):
        near = np.abs(some - others) <= _ROUNDING * np.maximum(np.abs(some), np.abs(others))
    same: NDArray[np.bool_] = both_empty | near | (some == others)
    return same


def _or_none(value: np.float64) -> float | None:
    return None if np.isnan(value) else float(value)


def _how(one: Series, other: Series) -> str:
    """Say in which of what the maps state they differ."""
    mine, theirs = one.channel.signal, other.channel.signal
    said = []
    bits, their_bits = mine.field.bit_numbers(), theirs.field.bit_numbers()
    if set(bits) != set(their_bits):
        said.append("bits")
    elif bits != their_bits:
        said.append("byte order")
    if (mine.field.signed, mine.is_float) != (theirs.field.signed, theirs.is_float):
        said.append("sign" if mine.is_float == theirs.is_float else "integer or float")
    if mine.scale != theirs.scale:
        said.append("scale")
    if mine.offset != theirs.offset:
        said.append("offset")
    if (mine.page.values if mine.page else ()) != (theirs.page.values if theirs.page else ()):
        said.append("page")
    return ", ".join(said) or "not available"


def _alone(one: Series, *, is_first: bool) -> Difference:
    name = one.channel.name
    return Difference(
        one.channel.bus,
        one.channel.can_id,
        one.channel.message.extended,
        name if is_first else None,
        None if is_first else name,
        len(one),
        unit=one.channel.unit if is_first else "",
        other_unit="" if is_first else one.channel.unit,
    )
