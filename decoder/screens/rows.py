"""The pages of channels, and what each row shows at a moment. No terminal in here."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final
from weakref import WeakKeyDictionary

import numpy as np

from decoder.channels import State
from decoder.channels.series import place_order
from decoder.channels.states import state_at
from decoder.maps.quantities import QUANTITIES
from decoder.printable import printable
from decoder.screens.symbols import age_words, digits_of, number_words, place_words

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

    from numpy.typing import NDArray

    from decoder.channels import Channels, Series
    from decoder.judgement import Finding

OTHER_TITLE: Final = "Other channels"
_BLOCK: Final = 256
# Columns that rows can be sorted by, in the order in which the key steps through them.
SORTS: Final = ("place", "name", "value", "unit", "lowest", "highest", "trend", "state", "age")
# A finding about more channels than this flags none of them: it is about the whole.
_FEW_CHANNELS: Final = 4


@dataclass(frozen=True, slots=True)
class Title:
    """One quantity's channels by name, in order of place, and how many of them a finding names."""

    title: str
    names: tuple[str, ...]
    flagged: int


@dataclass(frozen=True, slots=True)
class Row:
    """What one channel shows at a moment, as text made safe; `stale` and `absent` values never look live."""

    name: str
    label: str
    place: str
    value: str
    unit: str
    lowest: str
    highest: str
    state: State
    age: str
    flagged: bool
    message: str
    comment: str


@dataclass(frozen=True, slots=True)
class Moment:
    """A channel at one moment: index of its latest sample, value in its quantity's unit, state, age."""

    index: int | None
    value: float
    state: State
    age_s: float | None


def moment_of(series: Series, time_ns: int) -> Moment:
    """Give the latest sample at `time_ns`."""
    index = series.index_at(time_ns)
    state = state_at(series, time_ns)
    if index is None:
        return Moment(None, float("nan"), state, None)
    age_s = max(0, time_ns - int(series.time_ns[index])) / 1e9
    return Moment(index, float(series.in_quantity_unit[index]), state, age_s)


class Extremes:
    """Lowest and highest value up to a moment: running figures block by block, kept for each series once asked for."""

    def __init__(self) -> None:
        self._kept: WeakKeyDictionary[Series, tuple[NDArray[np.float64], NDArray[np.float64]]] = WeakKeyDictionary()

    def at(self, series: Series, index: int | None) -> tuple[float, float]:
        """Give lowest and highest of the samples up to `index`, NaN where all are absent."""
        if index is None:
            return float("nan"), float("nan")
        low, high = self.of(series)
        block = index // _BLOCK
        part = series.in_quantity_unit[block * _BLOCK : index + 1]
        lowest, highest = float(np.fmin.reduce(part)), float(np.fmax.reduce(part))
        if block:
            lowest = float(np.fmin(lowest, low[block - 1]))
            highest = float(np.fmax(highest, high[block - 1]))
        return lowest, highest

    def of(self, series: Series) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Give the running lowest and highest at the end of each block."""
        kept = self._kept.get(series)
        if kept is None:
            value = series.in_quantity_unit
            starts = np.arange(0, len(value), _BLOCK)
            kept = (
                np.fmin.accumulate(np.fmin.reduceat(value, starts)),
                np.fmax.accumulate(np.fmax.reduceat(value, starts)),
            )
            self._kept[series] = kept
        return kept


def flagged_names(findings: Sequence[Finding]) -> frozenset[str]:
    """Give the channels that a finding is about."""
    names: set[str] = set()
    for finding in findings:
        if finding.channel is not None:
            names.add(finding.channel)
        elif len(finding.channels) <= _FEW_CHANNELS:
            names.update(finding.channels)
    return frozenset(names)


def titles(
    channels: Channels, flagged: Collection[str], *, only_flagged: bool = False, find: str = ""
) -> tuple[Title, ...]:
    """Sort the channels into titles by quantity; titles without a channel are left out.

    `find`: only names that hold this text, upper and lower case alike.
    """
    sought = find.casefold()
    groups: dict[str, list[str]] = {}
    for name in channels:
        if (only_flagged and name not in flagged) or (sought and sought not in printable(name).casefold()):
            continue
        groups.setdefault(_TITLE_OF.get(channels[name].channel.quantity or "", OTHER_TITLE), []).append(name)
    found = []
    for title in (*dict.fromkeys(row.page for row in QUANTITIES), OTHER_TITLE):
        names = groups.get(title)
        if names:
            ordered = names if title == OTHER_TITLE else sorted(names, key=lambda name: _place_key(channels[name]))
            found.append(Title(title, tuple(ordered), sum(name in flagged for name in names)))
    return tuple(found)


_TITLE_OF = {row.name: row.page for row in QUANTITIES}
_ORDER_OF = {row.name: order for order, row in enumerate(QUANTITIES)}


def _place_key(series: Series) -> tuple[object, ...]:
    channel = series.channel
    return (
        _ORDER_OF.get(channel.quantity or "", len(_ORDER_OF)),
        place_order(channel.place),
        natural(channel.name),
    )


def natural(name: str) -> tuple[tuple[int, int, str], ...]:
    """Give a key that sorts Cell_2 before Cell_10."""
    return tuple(
        (0, int(part), "") if part.isascii() and part.isdigit() else (1, 0, part.casefold())
        for part in re.split(r"([0-9]{1,18})", name)
        if part
    )


def in_order(
    names: Sequence[str],
    channels: Channels,
    extremes: Extremes,
    time_ns: int,
    *,
    by: str,
    downwards: bool,
    window_s: float = 10.0,
) -> list[str]:
    """Order the names of a page by a column as it is at `time_ns`; what has no value comes last either way."""
    if by == "place":  # the names come in order of place
        return list(reversed(names)) if downwards else list(names)
    if by == "name":
        return sorted(names, key=natural, reverse=downwards)
    if by == "unit":
        return sorted(names, key=lambda name: channels[name].channel.quantity_unit, reverse=downwards)
    keys = {name: _sort_key(channels[name], extremes, time_ns, by, window_s) for name in names}
    with_value = [name for name in names if not np.isnan(keys[name])]
    without = [name for name in names if np.isnan(keys[name])]
    return sorted(with_value, key=keys.__getitem__, reverse=downwards) + without


def _sort_key(series: Series, extremes: Extremes, time_ns: int, by: str, window_s: float) -> float:
    moment = moment_of(series, time_ns)
    if by == "value":
        return moment.value
    if by == "state":
        return float(moment.state)
    if by == "age":
        return float("nan") if moment.age_s is None else moment.age_s
    if by == "trend":  # how far it moved within the window
        before = series.index_at(time_ns - int(window_s * 1e9))
        if moment.index is None:
            return float("nan")
        return moment.value - float(series.in_quantity_unit[before or 0])
    return extremes.at(series, moment.index)[0 if by == "lowest" else 1]


def row_of(series: Series, extremes: Extremes, time_ns: int, flagged: Collection[str]) -> Row:
    """Give what the row of one channel shows at `time_ns`."""
    channel = series.channel
    moment = moment_of(series, time_ns)
    digits = digits_of(channel)
    lowest, highest = extremes.at(series, moment.index)
    return Row(
        name=channel.name,
        label=printable(channel.name, 200),
        place=printable(place_words(channel.place), 20),
        value=value_words(series, moment, digits),
        unit=printable(channel.quantity_unit, 8),
        lowest=number_words(lowest, digits),
        highest=number_words(highest, digits),
        state=moment.state,
        age=age_words(moment.age_s),
        flagged=channel.name in flagged,
        message=printable(channel.message.name, 80),
        comment=printable(channel.signal.comment, 200),
    )


def value_words(series: Series, moment: Moment, digits: int) -> str:
    """Write the value, or the map's word for it; an old one in brackets, so that it does not look live."""
    if moment.index is None or moment.state is State.ABSENT:
        return number_words(None, digits)
    word = series.label(moment.index)
    shown = number_words(moment.value, digits) if word is None else printable(word, 40)
    return f"({shown})" if moment.state is State.STALE else shown
