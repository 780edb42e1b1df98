"""Which raw values mean 'not available'.

A controller that has no measurement sends a raw value that it agreed with its readers on. Taken for a number it looks
plausible (255 * 0.5 - 40 = 87.5 degC), so it must be known for what it is; and a true 87.5 degC must not be hidden.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from decoder.bits import raw_range
from decoder.maps.plan import values
from decoder.maps.quantities import quantity

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from decoder.channels.series import Channel
    from decoder.maps.signal_map import Message, Signal

# Value-table words for 'not available', letters only. Common practice, no source; SNA: signal not available.
_ABSENT_WORDS = re.compile(
    r"^(signal|data|value|sensor)?(not|un)avail(able)?$|^n/?a$|^sna$|^absent$|^missing$"
    r"|^no(t)?(data|valid|signal|measured|measurement|value|present)$"
    r"|^(signal|data|value|sensor)?(invalid|notvalid)$|^invalid(value|data|signal)$"
)
# Fields shorter than this use all their values (common practice, no source).
_SHORTEST_BITS = 8
# SAE J1939-71 (from memory): a most significant byte of FE means error, FF not available.
_J1939_ERROR = 0xFE


@dataclass(frozen=True, slots=True)
class Neighbours:
    """Values outside the samples at hand, where a capture is read in blocks; ``None`` where there is none.

    before, after : the nearest samples whose bits are not those of 'not available'
    run_first, run_last : the ends of a run of such bits that begins in an earlier block, or ends in a later one
    """

    before: float | None = None
    after: float | None = None
    run_first: float | None = None
    run_last: float | None = None


def absent_samples(
    channel: Channel, raw: NDArray[Any], neighbours: Neighbours | None = None
) -> NDArray[np.bool_] | None:
    """Tell which samples are 'not available'; ``None`` if none is.

    In this order: the sheet's raw values (an empty list switches every test off); a label that says so; all ones in a
    field of eight bits or more (in a J1939 map the FE range too), if such a value cannot be, or is reached or left in
    one step that the quantity cannot make.
    """
    if channel.role.absent == () or not len(raw):
        return None
    named = named_values(channel.signal, channel.role.absent or ())
    # In the raw values' own type: 64 bits must not pass through a float.
    absent = np.isin(raw, np.array(named, raw.dtype)) if named else np.zeros(len(raw), np.bool_)
    special = _special(channel, raw)
    if special is not None:
        absent |= special & _cannot_be(channel, raw, special, neighbours or Neighbours())
    return absent if absent.any() else None


def named_values(signal: Signal, by_sheet: Sequence[int] = ()) -> list[int]:
    """Raw values that the value table or the sheet calls absent; 255 in a signed byte is the bits of -1."""
    found = {*(raw for raw, word in signal.labels.items() if says_absent(word)), *by_sheet}
    low, high = raw_range(signal.field)
    whole = 1 << signal.field.length
    return sorted({value if value <= high else value - whole for value in found if low <= value < whole})


def says_absent(word: str) -> bool:
    """Tell whether a value-table word means 'not available'."""
    return bool(_ABSENT_WORDS.match(re.sub(r"[^a-z/]", "", word.lower())))


def _special(channel: Channel, raw: NDArray[Any]) -> NDArray[np.bool_] | None:
    """Mark samples that may mean 'not available' by their bits, ``None`` if there are none."""
    if channel.signal.is_multiplexor or channel.quantity in {"alive counter", "check"}:
        return None
    special = special_bits(channel.message, channel.signal, raw)
    return special if special is not None and special.any() else None


def special_bits(message: Message, signal: Signal, raw: NDArray[Any]) -> NDArray[np.bool_] | None:
    """Mark samples whose bits are all ones (J1939: in the range for errors too); ``None`` for a field too short."""
    length = signal.field.length
    if length < _SHORTEST_BITS:
        return None
    special = np.asarray(raw == signal.field.all_ones)
    if message.is_j1939 and length in {8, 16, 32} and not signal.is_float:
        special |= (raw >> (length - 8)) & 0xFF >= _J1939_ERROR
    return special


def _cannot_be(
    channel: Channel, raw: NDArray[Any], special: NDArray[np.bool_], neighbours: Neighbours
) -> NDArray[np.bool_]:
    """Tell for all samples whether this value cannot be a measurement; meant where `special` is set."""
    value = values(channel.signal, raw).astype(np.float64)
    bounds = _possible(channel)
    impossible = np.isnan(value)
    if bounds is not None:
        impossible |= (value < bounds[0]) | (value > bounds[1])
    step = _largest_step(channel)
    if step is not None and not impossible[special].all():
        impossible |= _in_jumping_runs(value, special, step, neighbours)
    return impossible


def _possible(channel: Channel) -> tuple[float, float] | None:
    """Give what the value can be, in the channel's unit: the map's range, else the quantity's, else ``None``."""
    given = map_range(channel)
    if given is not None:
        return given
    if channel.quantity is None or channel.factor is None or channel.shift is None:
        return None
    plausible = quantity(channel.quantity).plausible
    if plausible is None:
        return None
    ends = [(end - channel.shift) / channel.factor for end in plausible]
    return min(ends), max(ends)


def map_range(channel: Channel) -> tuple[float, float] | None:
    """Give the map's [min|max] where it says something: a range that every raw value fulfils says nothing."""
    signal = channel.signal
    if signal.minimum is None and signal.maximum is None:
        return None
    low = -np.inf if signal.minimum is None else signal.minimum
    high = np.inf if signal.maximum is None else signal.maximum
    if signal.is_float:
        return low, high
    ends = [raw * signal.scale + signal.offset for raw in raw_range(signal.field)]
    slack = abs(signal.scale) / 2
    return None if low <= min(ends) + slack and high >= max(ends) - slack else (low, high)


def limiting_range(channel: Channel) -> tuple[float, float] | None:
    """Give the map's [min|max] where it limits anything: not if all that the quantity can be lies within."""
    given = map_range(channel)
    if given is None or channel.quantity is None or channel.factor is None or channel.shift is None:
        return given
    plausible = quantity(channel.quantity).plausible
    if plausible is None:
        return given
    ends = [(end - channel.shift) / channel.factor for end in plausible]
    return None if given[0] <= min(ends) and given[1] >= max(ends) else given


def _largest_step(channel: Channel) -> float | None:
    if channel.quantity is None or channel.factor is None:
        return None
    step = quantity(channel.quantity).step
    return None if step is None else abs(step / channel.factor)


def _in_jumping_runs(
    value: NDArray[np.float64], special: NDArray[np.bool_], step: float, neighbours: Neighbours
) -> NDArray[np.bool_]:
    """Mark each run of special values that begins or ends with a step larger than `step`."""
    edges = np.diff(special.astype(np.int8), prepend=0, append=0)
    starts, ends = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    outside = np.concatenate(([_or_nan(neighbours.before)], value, [_or_nan(neighbours.after)]))
    before, after = outside[starts], outside[ends + 1]
    first, last = value[starts], value[ends - 1]
    if special[0] and neighbours.run_first is not None:
        first[0] = neighbours.run_first
    if special[-1] and neighbours.run_last is not None:
        last[-1] = neighbours.run_last
    with np.errstate(invalid="ignore"):
        jumps = (np.abs(first - before) > step) | (np.abs(last - after) > step)
    marks = np.zeros(len(value) + 1, np.int64)
    np.add.at(marks, starts[jumps], 1)
    np.add.at(marks, ends[jumps], -1)
    return np.cumsum(marks[:-1]) > 0


def _or_nan(value: float | None) -> float:
    return np.nan if value is None else value
