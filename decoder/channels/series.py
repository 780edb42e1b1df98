"""Channels: named series with unit, quantity, place and state.

Raw value, value and label are three things and never mixed: `raw` is what the bits say, `value` is raw scaled to the
unit, the label is the map's word for a raw value. A sample whose raw value means 'not available' keeps its raw value
and has an empty value (NaN, or ``None`` where a column needs integers of more than 53 bits).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import IntEnum
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np

from decoder.errors import ChannelError
from decoder.maps.quantities import quantity
from decoder.transport.j1939_id import pgn

if TYPE_CHECKING:
    from collections.abc import Iterator

    import pandas as pd
    from numpy.typing import NDArray

    from decoder.channels.assembled import AllAssembled, Sender
    from decoder.frames import Frames
    from decoder.maps.pack_sheet import PackSheet, Place
    from decoder.maps.roles import Role
    from decoder.maps.signal_map import Message, Signal, SignalMap


class State(IntEnum):
    """The state of one sample, mildest first; of several that hold, the last in this list is shown."""

    OK = 0
    STUCK = 1
    LOW = 2
    HIGH = 3
    STALE = 4
    ABSENT = 5

    @property
    def word(self) -> str:
        """The state as it is written everywhere."""
        return self.name.lower()


@dataclass(frozen=True, slots=True)
class Limit:
    """One limit of a channel, in the channel's own unit, and where it comes from."""

    value: float
    source: str


@dataclass(frozen=True, slots=True)
class Channel:
    """What a channel is and where it comes from.

    `factor` and `shift` turn its values into the unit of its quantity (value * factor + shift); both are ``None``
    where it has no quantity or a unit that is not comparable. `cycle_s`: the expected time between samples, ``None``
    where nobody says. `can_id`: the identifier as heard, for a parameter group of SAE J1939 not always that of the map.
    `source_address`: who sends the parameter group. `is_assembled`: its samples come from payloads that were carried in
    several frames, mostly answers, which come when they are asked for.
    """

    name: str
    bus: str
    message: Message
    signal: Signal
    role: Role
    low: Limit | None = None
    high: Limit | None = None
    cycle_s: float | None = None
    factor: float | None = None
    shift: float | None = None
    can_id: int = 0
    source_address: int | None = None
    is_assembled: bool = False

    @property
    def unit(self) -> str:
        """The unit as the map spells it."""
        return self.signal.unit

    @property
    def quantity(self) -> str | None:
        """What it measures; ``None`` where nothing says."""
        return self.role.quantity

    @property
    def place(self) -> Place:
        """Where it is measured."""
        return self.role.place

    @property
    def quantity_unit(self) -> str:
        """The unit that its limits and findings are given in: the quantity's, else its own."""
        return quantity(self.quantity).unit if self.quantity and self.factor is not None else self.unit


@dataclass(frozen=True, eq=False)
class Series:
    """The samples of one channel, in capture order.

    rows : intp, the frame (row of `Frames`) that each sample comes from
    time_ns : int64, the capture's own clock
    raw : int64 or uint64; the bit pattern of a float signal
    value : int64, uint64 or float64 (object beyond 53 bits where samples are absent)
    absent : bool, which samples are 'not available'; ``None`` if none is
    stuck : the sensor never moves while its siblings do
    next_ns : when the next sample came after the last one here, or the capture ended
    unanswered_ns : int64, when samples were asked for in vain; ``None`` for what comes unasked
    """

    channel: Channel
    rows: NDArray[np.intp]
    time_ns: NDArray[np.int64]
    raw: NDArray[Any]
    value: NDArray[Any]
    absent: NDArray[np.bool_] | None = None
    stuck: bool = False
    cycle_s: float | None = None
    next_ns: int | None = None
    unanswered_ns: NDArray[np.int64] | None = None

    def __len__(self) -> int:
        return len(self.time_ns)

    @property
    def present(self) -> int:
        """How many of its samples have a value."""
        return len(self) - (0 if self.absent is None else int(np.count_nonzero(self.absent)))

    @cached_property
    def number(self) -> NDArray[np.float64]:
        """The values as float64, NaN where absent."""
        if self.value.dtype == object:
            return np.array([np.nan if v is None else float(v) for v in self.value], np.float64)
        return self.value.astype(np.float64, copy=False)

    @cached_property
    def in_quantity_unit(self) -> NDArray[np.float64]:
        """The values in the unit of the channel's quantity (as they are, where that is not known).

        NaN where absent, and where a float signal says infinity: nothing measures that.
        """
        factor, shift = self.channel.factor, self.channel.shift
        number = self.number
        if self.channel.signal.is_float:
            number = np.where(np.isinf(number), np.nan, number)
        if factor is None or shift is None or (factor == 1 and shift == 0):
            return number
        return number * factor + shift

    @cached_property
    def state(self) -> NDArray[np.uint8]:
        """The `State` of each sample; `stale` means that none followed it for five cycle times."""
        from decoder.channels.states import states_of  # noqa: PLC0415  (states are told only when asked for)

        return states_of(self)

    def label(self, index: int) -> str | None:
        """Give the map's word for a sample's raw value, ``None`` where it has none."""
        return self.channel.signal.labels.get(int(self.raw[index]))

    @cached_property
    def labels(self) -> NDArray[Any]:
        """The map's word for each raw value, ``None`` where it has none (object)."""
        words = self.channel.signal.labels
        distinct, where = np.unique(self.raw, return_inverse=True)
        return np.array([words.get(int(raw)) for raw in distinct], object)[where]

    def index_at(self, time_ns: int) -> int | None:
        """Give the index of the latest sample at `time_ns`, ``None`` before the first."""
        index = int(np.searchsorted(self.rising_ns, time_ns, side="right")) - 1
        return index if index >= 0 else None

    @cached_property
    def rising_ns(self) -> NDArray[np.int64]:
        """The times as they can be searched: where the capture's clock jumps back, the latest time so far."""
        falls = bool((self.time_ns[1:] < self.time_ns[:-1]).any())
        return np.maximum.accumulate(self.time_ns) if falls else self.time_ns


@dataclass(frozen=True, slots=True)
class DecodeAccount:
    """What became of the frames: how many the map knows, and what it does not.

    `unknown_pages`: (message, multiplexor, value) -> frames whose page is not in the map. `unknown_identifiers`:
    (bus, identifier, extended) -> frames. `short_frames` and `long_frames`: message -> frames with fewer or more
    bytes than the map says. `broken_payloads`, `refused_answers`: message -> payloads of several frames that did not
    arrive whole, and negative answers, neither of which give samples. `unseen`: messages of the map without a frame.
    """

    frames: int = 0
    decoded_frames: int = 0
    remote_frames: int = 0
    error_frames: int = 0
    unknown_identifiers: Mapping[tuple[str, int, bool], int] = field(default_factory=dict)
    unknown_pages: Mapping[tuple[str, str, int], int] = field(default_factory=dict)
    short_frames: Mapping[str, int] = field(default_factory=dict)
    long_frames: Mapping[str, int] = field(default_factory=dict)
    broken_payloads: Mapping[str, int] = field(default_factory=dict)
    refused_answers: Mapping[str, int] = field(default_factory=dict)
    unseen: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class Channels(Mapping[str, Series]):
    """All channels of a capture by name, in the order of the map.

    A name that stands for several channels is told apart: ``Signal@page`` for pages of one message,
    ``Message.Signal`` for several messages, ``F4:Signal`` for several source addresses, ``bus:Signal`` for several
    buses. `began_ns`: time of the capture's first frame, where `frames` are only the last part of it.
    """

    series: Mapping[str, Series]
    frames: Frames
    signal_map: SignalMap
    sheet: PackSheet | None
    account: DecodeAccount
    assembled: AllAssembled = field(default_factory=dict)
    began_ns: int | None = None

    def payload_of(self, series: Series, index: int) -> bytes:
        """Give the payload that a sample was cut from: that of its frame, or the one that its frame completed."""
        row, channel = int(series.rows[index]), series.channel
        if channel.is_assembled:
            for sender, one in self.assembled.items():
                if _sends(sender, channel, self.frames.bus_names) and row in one:
                    return one.payload(row)
        return self.frames.payload(row)

    def __getitem__(self, name: str) -> Series:
        try:
            return self.series[name]
        except KeyError:
            raise _no_channel(name, list(self.series)) from None

    def __iter__(self) -> Iterator[str]:
        return iter(self.series)

    def __contains__(self, name: object) -> bool:
        return name in self.series

    def __len__(self) -> int:
        return len(self.series)

    @cached_property
    def first_ns(self) -> int:
        """Time of the capture's first frame (0 if it has none): the zero of every `time_s`."""
        if self.began_ns is not None:
            return self.began_ns
        return int(self.frames.time_ns[0]) if len(self.frames) else 0

    @cached_property
    def last_ns(self) -> int:
        """The latest time in the capture."""
        return int(self.frames.time_ns.max()) if len(self.frames) else 0

    def of(self, *quantities: str) -> list[Series]:
        """Give the series of these quantities that have samples, ordered by place."""
        found = [s for s in self.series.values() if s.channel.quantity in quantities and len(s)]
        return sorted(found, key=lambda s: place_order(s.channel.place))

    def one_a_place(self, name: str) -> list[Series]:
        """Give the series of a quantity, ordered by place; of several for one cell that with the most values.

        A cell that is both broadcast and asked for is one cell: two ways of reading it at two times have no spread.
        Where several source addresses of one bus send cells, each has cells of its own.
        """
        those = [series for series in self.values() if series.channel.quantity == name]
        senders = {(one.channel.bus, one.channel.source_address) for one in those}
        named = Counter(bus for bus, address in senders if address is not None)
        best: dict[object, Series] = {}
        for series in those:
            channel = series.channel
            address = channel.source_address if named[channel.bus] > 1 else None
            at = channel.name if channel.place.cell is None else (channel.bus, address, channel.place)
            if at not in best or series.present > best[at].present:
                best[at] = series
        return sorted(best.values(), key=lambda s: place_order(s.channel.place))

    def to_pandas(self) -> pd.DataFrame:
        """Give the long table: time_s, bus, id, message, channel, raw, value, unit, state; one row a sample."""
        from decoder.channels.table import long_table  # noqa: PLC0415  (pandas is heavy)

        return long_table(self)


def _sends(sender: Sender, channel: Channel, bus_names: tuple[str, ...]) -> bool:
    """Tell whether a sender's payloads are those of a channel."""
    if bus_names[sender.bus] != channel.bus:
        return False
    if sender.pgn is not None:
        return sender.source_address == channel.source_address and sender.pgn == pgn(channel.message.can_id)
    return (sender.can_id, sender.extended) == (channel.message.can_id, channel.message.extended)


def place_order(place: Place) -> tuple[int, int, str, int]:
    """Order places by module, cell, sensor name, sensor number; the whole pack comes first."""
    sensor = place.sensor
    number = sensor if isinstance(sensor, int) else 0
    return place.module or 0, place.cell or 0, sensor if isinstance(sensor, str) else "", number


class UnknownChannelError(ChannelError, KeyError):
    """Also a `KeyError`, as a mapping promises."""

    __str__ = ChannelError.__str__


def _no_channel(name: str, names: list[str]) -> ChannelError:
    from difflib import get_close_matches  # noqa: PLC0415

    near = get_close_matches(name, names, 3)
    if near:
        expected = "perhaps " + ", ".join(near)
    elif names:
        expected = f"one of {len(names)} channels, such as " + ", ".join(names[:3])
    else:
        expected = "a signal map that fits the capture"
    return UnknownChannelError(f"there is no channel {name!r}", expected=expected)
