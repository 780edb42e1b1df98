"""A meaning as a channel, before it is in any signal map: what its samples would be."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.bits import MAX_FIELD_BITS
from decoder.channels.absent import absent_samples
from decoder.channels.series import Channel, Series
from decoder.channels.states import cycle_s
from decoder.maps.quantities import quantity as quantity_row
from decoder.maps.roles import Role
from decoder.maps.signal_map import Message, Signal
from decoder.maps.units import unit_conversion

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from decoder.discovery.meaning import Meaning

# As in `decoder.channels.absent`: shorter fields use all their values.
_SHORTEST_BITS: Final = 8
_NEAR_SHARE: Final = 0.75  # common practice, no source
_NAMELESS: Final = "field"


def preview(
    meaning: Meaning,
    time_ns: NDArray[np.int64],
    raw: NDArray[np.int64] | NDArray[np.uint64],
    absent_raw: tuple[int, ...] = (),
) -> Series:
    """Give the channel that a meaning makes of raw values, all samples that mean 'not available' taken out.

    absent_raw : what else means that, beside the usual values
    """
    if meaning.quantity is None and not absent_raw:
        absent_raw = _lonely_all_ones(meaning, raw)
    channel = _channel(meaning, absent_raw)
    value = raw.astype(np.float64) * meaning.scale + meaning.offset
    absent = absent_samples(channel, raw)
    if absent is not None:
        value[absent] = np.nan
    return Series(
        channel=channel,
        rows=np.arange(len(raw)),
        time_ns=time_ns,
        raw=raw,
        value=value,
        absent=absent,
        cycle_s=cycle_s(time_ns),
    )


def _lonely_all_ones(meaning: Meaning, raw: NDArray[np.int64] | NDArray[np.uint64]) -> tuple[int, ...]:
    """Give the raw value of all ones where nothing else comes near it: without a quantity nothing tells more."""
    field = meaning.at.field
    if field.signed or not _SHORTEST_BITS <= field.length < MAX_FIELD_BITS:
        return ()
    others = raw[raw != field.all_ones]
    is_lonely = len(others) and len(others) < len(raw) and int(others.max()) < _NEAR_SHARE * field.all_ones
    return (field.all_ones,) if is_lonely else ()


def _channel(meaning: Meaning, absent_raw: tuple[int, ...]) -> Channel:
    key = meaning.at.stream
    signal = Signal(
        meaning.name or _NAMELESS,
        meaning.at.field,
        meaning.scale,
        meaning.offset,
        meaning.unit,
        meaning.low,
        meaning.high,
        labels=meaning.labels,
    )
    message = Message("bench", key.can_id, key.extended, meaning.at.field.last_byte + 1, (signal,))
    row = quantity_row(meaning.quantity) if meaning.quantity is not None else None
    factor, shift = (unit_conversion(meaning.unit, row) if row is not None else None) or (None, None)
    return Channel(
        signal.name,
        key.bus,
        message,
        signal,
        Role(quantity=meaning.quantity, place=meaning.place, absent=absent_raw or None),
        factor=factor,
        shift=shift,
        can_id=key.can_id,
        is_assembled=key.carrier is not None,
    )
