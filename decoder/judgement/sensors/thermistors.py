"""Temperature sensors side by side, and which samples come from a broken wire and not from heat.

An open or shorted thermistor reads as an end of what its field can say, or as a temperature that no pack has. A pack
that is as cold everywhere is sound: so a sensor is held against its siblings.
"""

from __future__ import annotations

from collections import defaultdict
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.bits import raw_range
from decoder.channels.absent import map_range
from decoder.judgement.cells.cell_table import step_of
from decoder.judgement.cells.medians import row_medians
from decoder.judgement.sensors.side_by_side import side_by_side

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from decoder.channels import Channels, Series

# Colder or hotter than this no thermistor of a pack in use means what it says. Common practice, no source.
COLDEST_C: Final = -35.0
HOTTEST_C: Final = 120.0
# So far from its siblings no sound sensor of a pack is, and so far none is that lies at an end. The same.
OFF_C: Final = 25.0
OFF_AT_END_C: Final = 12.0
# So much within one step none moves. The same.
JUMP_C: Final = 20.0
# A jump takes no longer than twice this: some controllers smooth what they measure. The same.
_JUMP_NS: Final = 500_000_000
# Siblings of one kind that are enough to be compared with; with fewer all temperatures are. The same.
_ENOUGH: Final = 3
# From so many sensors on one more or less does not move their median.
_MANY: Final = 7


def temperatures(channels: Channels, *quantities: str) -> tuple[Series, ...]:
    """Give the series of these quantities that have a value in degC, by place."""
    return tuple(one for one in channels.of(*quantities) if one.present and one.channel.factor is not None)


def like_kinds(sensors: Sequence[Series]) -> list[list[int]]:
    """Group sensors (by their number) that measure the same kind of thing: numbered ones, and those of one name."""
    kinds: dict[tuple[str | None, str], list[int]] = defaultdict(list)
    for number, series in enumerate(sensors):
        kinds[series.channel.quantity, _name(series)].append(number)
    return list(kinds.values())


def _name(series: Series) -> str:
    """Give the word in a sensor's name; a single letter counts like a number."""
    sensor = series.channel.place.sensor
    word = "".join(sign for sign in sensor.lower() if sign.isalpha()) if isinstance(sensor, str) else ""
    return word if len(word) > 1 else ""


def unsound_samples(sensors: Sequence[Series]) -> list[NDArray[np.bool_]]:
    """Tell for each sensor which of its samples are those of an open or shorted wire.

    Such a sample is far from what the siblings say, and lies at an end of the field or where no thermistor measures,
    or came by a jump. Heat that rises to the end of the field is heat.
    """
    if not sensors:
        return []
    table = side_by_side(sensors)
    grid = table.value.copy()
    ends = [_ends(one) for one in sensors]
    for column, (low, high) in enumerate(ends):
        with np.errstate(invalid="ignore"):
            grid[(grid[:, column] <= low) | (grid[:, column] >= high), column] = np.nan
    kind_of = {number: kind for kind in like_kinds(sensors) for number in kind}
    found = []
    for number, series in enumerate(sensors):
        kind = kind_of[number]
        among = kind if len(kind) > _ENOUGH else list(range(len(sensors)))
        usual = _usual(grid, among, number)
        found.append(_unsound(series, ends[number], table.time_ns, usual))
    return found


def _ends(series: Series) -> tuple[float, float]:
    """Give the highest value (degC) that is a low end, and the lowest that is a high end."""
    channel = series.channel
    low, high = COLDEST_C, HOTTEST_C
    if channel.signal.is_float:
        return low, high
    least, most = raw_range(channel.signal.field)
    # All ones often mean 'not available': then the value below is the highest.
    raw = np.array([least, most - 1], np.float64)
    outer = map_range(channel)
    own = sorted(raw * channel.signal.scale + channel.signal.offset)
    if outer is not None:
        own = [max(own[0], outer[0]), min(own[1], outer[1])]
    factor, shift = channel.factor or 1.0, channel.shift or 0.0
    ends = sorted(end * factor + shift for end in own)
    half = step_of(series) / 2
    return max(low, ends[0] + half), min(high, ends[1] - half)


def _usual(grid: NDArray[np.float64], among: Sequence[int], own: int) -> NDArray[np.float64]:
    """Give the median of the siblings at each time; of the sensor itself over all times where it has none."""
    others = list(among) if len(among) >= _MANY else [number for number in among if number != own]
    if others:
        return row_medians(grid[:, others])
    mine = grid[:, own]
    known = mine[np.isfinite(mine)]
    return np.full(len(grid), float(np.median(known)) if len(known) else np.nan)


def _unsound(
    series: Series, ends: tuple[float, float], grid_ns: NDArray[np.int64], usual: NDArray[np.float64]
) -> NDArray[np.bool_]:
    celsius = series.in_quantity_unit
    here = np.flatnonzero(np.isfinite(celsius))
    unsound = np.zeros(len(series), np.bool_)
    time_ns = series.rising_ns[here]
    value = celsius[here]
    at = np.clip(np.searchsorted(grid_ns, time_ns, side="right") - 1, 0, len(grid_ns) - 1)
    away = value - usual[at]
    extreme = (value <= ends[0]) | (value >= ends[1])
    with np.errstate(invalid="ignore"):
        off = np.abs(away) > np.where(extreme, OFF_AT_END_C, OFF_C)
    if not off.any():
        return unsound
    edges = np.diff(off.astype(np.int8), prepend=0, append=0)
    starts, stops = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)  # a run is [start, stop)
    jumped = _jumps(time_ns, value, starts)
    ended = _jumps(time_ns, value, np.minimum(stops, len(value) - 1)) & (stops < len(value))
    crept = (starts > 0) & ~jumped & (away[starts] > 0)
    run = np.cumsum(edges[:-1] == 1) - 1
    bad = off.copy()
    bad[off] = ~crept[run[off]] & (extreme[off] | jumped[run[off]] | ended[run[off]])
    unsound[here] = bad
    return unsound


def _jumps(time_ns: NDArray[np.int64], value: NDArray[np.float64], at: NDArray[np.intp]) -> NDArray[np.bool_]:
    """Tell whether the value jumps into each of these samples; never into the first."""
    before = np.minimum(np.searchsorted(time_ns, time_ns[at] - _JUMP_NS, side="right"), at) - 1
    after = np.maximum(np.searchsorted(time_ns, time_ns[at] + _JUMP_NS, side="right") - 1, at)
    jumps: NDArray[np.bool_] = (at > 0) & (np.abs(value[after] - value[np.maximum(before, 0)]) > JUMP_C)
    return jumps
