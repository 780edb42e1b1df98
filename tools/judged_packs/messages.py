"""What the controller measures, coded into frames: every message with its signals and its payloads."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.bits import raw_range
from decoder.maps.signal_map import Message, Page, Signal
from tools.judged_packs.cells_of_frames import cell_frames
from tools.layouts.counters_and_checks import crc8
from tools.layouts.sheet import field_at

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from decoder.bits import ByteOrder
    from tools.judged_packs.draft import Draft
    from tools.judged_packs.physics import World

    Array = NDArray[np.float64]

CHECK_FORM: Final = "CRC-8/SAE-J1850"  # polynomial 1D, all ones before and after
STATES: Final = {0: "open", 1: "closed", 3: "not available"}
SHORTEST_ABSENT_BITS: Final = 8
TEMPERATURES_IN_FRAME: Final = 7


@dataclass(eq=False)
class Sent:
    """One identifier's frames: when, and what is in them; the words take fields of one byte order each."""

    name: str
    can_id: int
    length: int
    time_s: Array
    signals: list[Signal] = field(default_factory=list)
    _little: NDArray[np.uint64] = field(init=False)
    _big: NDArray[np.uint64] = field(init=False)
    check: bool = False

    def __post_init__(self) -> None:
        self._little = np.zeros(len(self.time_s), np.uint64)
        self._big = np.zeros(len(self.time_s), np.uint64)

    def put(self, signal: Signal, raw: NDArray[np.int64], rows: slice | NDArray[np.intp] = slice(None)) -> None:
        """Put a signal's raw values into the frames of `rows`."""
        place = signal.field
        bits = raw.astype(np.int64).view(np.uint64) & np.uint64((1 << place.length) - 1)
        if place.byte_order == "little":
            self._little[rows] |= bits << np.uint64(place.start)
        else:
            self._big[rows] |= bits << np.uint64(64 - place.wire_start - place.length)
        self.signals.append(signal)

    @property
    def data(self) -> NDArray[np.uint8]:
        """The payloads, n x 8; the check goes into the last byte that is sent."""
        both = self._little.astype("<u8").view(np.uint8) | self._big.astype(">u8").view(np.uint8)
        data = both.reshape(-1, 8).copy()
        if self.check:
            data[:, self.length - 1] = crc8(data[:, : self.length - 1], 0x1D, 0xFF) ^ 0xFF
        return data

    @property
    def message(self) -> Message:
        """What the map says of it."""
        return Message(self.name, self.can_id, extended=False, length=self.length, signals=tuple(self.signals))


@dataclass(eq=False)
class Controller:
    """The controller of one pack: reads, codes, sends."""

    draft: Draft
    world: World
    rng: np.random.Generator
    sent: list[Sent] = field(default_factory=list)

    def begin(self, name: str, can_id: int, length: int, period_s: float, time_s: Array | None = None) -> Sent:
        """Begin a message that is sent every so often, a little late at times."""
        if time_s is None:
            count = int(self.draft.duration_s / period_s) + 1
            phase_s = self.rng.uniform(0, 0.5 * period_s)
            late_s = np.abs(self.rng.normal(0, 0.01, count)) * period_s
            time_s = phase_s + np.arange(count) * period_s + np.minimum(late_s, 0.2 * period_s)
        made = Sent(name, can_id, length, time_s)
        self.sent.append(made)
        return made

    def number(
        self,
        sent: Sent,
        name: str,
        at: int,
        bits: int,
        value: Array,
        scale: float,
        *,
        offset: float = 0.0,
        unit: str = "",
        signed: bool = False,
        page: Page | None = None,
        rows: slice | NDArray[np.intp] = slice(None),
    ) -> None:
        """Code values, rounded to the nearest raw value, and put them `at` so many bits into the payload."""
        order = "big" if self.draft.coding.big_endian else "little"
        place = field_at(at, bits, order, signed=signed)
        raw = np.clip(np.rint((value - offset) / scale), *raw_range(place)).astype(np.int64)
        time_s = sent.time_s[rows]
        if bits >= SHORTEST_ABSENT_BITS and not signed:
            raw[time_s < self.draft.coding.wakes_s] = place.all_ones
        raw = self._faulty(name, raw, time_s, place.all_ones)
        factor = self.draft.wire.scales.get(name, 1.0)
        sent.put(Signal(name, place, scale * factor, offset, unit, page=page), raw, rows)

    def state(self, sent: Sent, name: str, start: int, closed: NDArray[np.bool_], labels: Mapping[int, str]) -> None:
        """Put two bits that say whether something is closed."""
        raw = closed.astype(np.int64)
        raw[sent.time_s < self.draft.coding.wakes_s] = 3
        sent.put(Signal(name, field_at(start, 2, "little"), labels=labels), raw)

    def counter(self, sent: Sent, at: int, order: ByteOrder = "little") -> None:
        """Put a 4-bit alive counter `at` so many bits into the payload."""
        modulus = self.draft.coding.modulus
        raw = (int(self.rng.integers(modulus)) + np.arange(len(sent.time_s))) % modulus
        sent.put(Signal(f"{sent.name}_Alive", field_at(at, 4, order)), raw)

    def checked(self, sent: Sent) -> None:
        """Let the last byte be a check over the rest."""
        place = field_at(8 * (sent.length - 1), 8, "little")
        sent.signals.append(Signal(f"{sent.name}_Check", place))
        sent.check = True

    def _faulty(self, name: str, raw: NDArray[np.int64], time_s: Array, all_ones: int) -> NDArray[np.int64]:
        """Let a channel say 'not available', or what an open or short sensor says."""
        if name in self.draft.wire.absent:
            begin, end = self.draft.wire.absent[name]
            raw = np.where((time_s >= begin) & (time_s < end), all_ones, raw)
        spans, fixed = self.draft.wire.fixed.get(name, ((), 0))
        for begin, end in spans:
            raw = np.where((time_s >= begin) & (time_s < end), fixed, raw)
        return raw

    def noise(self, time_s: Array, deviation: float) -> Array:
        """Give a sensor's noise."""
        return self.rng.normal(0, deviation, len(time_s))


def all_messages(draft: Draft, world: World, rng: np.random.Generator) -> list[Sent]:
    """Give every message of the controller."""
    made = Controller(draft, world, rng)
    _pack_state(made)
    _contactors(made)
    _link(made)
    _supplies(made)
    _temperatures(made)
    _swelling(made)
    if world.balancing is not None:
        _balancing(made, world.balancing)
    if draft.coding.module_voltages:
        _module_voltages(made)
    cell_frames(made)
    return made.sent


def _pack_state(made: Controller) -> None:
    world, wrong, coding = made.world, made.draft.sensing, made.draft.coding
    sent = made.begin("PackState", 0x120, 8, coding.pack_period_s)
    time_s = sent.time_s
    volt = world.at(world.pack_v, time_s - 0.01) * wrong.pack_gain + wrong.pack_offset_v
    made.number(sent, "Pack_V", 0, 16, volt + made.noise(time_s, wrong.pack_noise_v), 0.1, unit="V")
    ampere = world.at(world.current_a, time_s - wrong.current_delay_s) * wrong.current_gain + wrong.current_offset_a
    ampere = (ampere + made.noise(time_s, wrong.current_noise_a)) * (-1 if coding.counts_charge else 1)
    if coding.current_offset_coded:
        made.number(sent, "Pack_A", 16, 16, ampere, 0.1, offset=-3200.0, unit="A")
    else:
        made.number(sent, "Pack_A", 16, 16, ampere, 0.1, unit="A", signed=True)
    charge = world.held(world.said_charge, time_s)
    made.number(sent, "StateOfCharge", 32, 8 if coding.charge_step == 0.5 else 10, charge, coding.charge_step, unit="%")
    made.counter(sent, 48)
    made.checked(sent)


def _contactors(made: Controller) -> None:
    world = made.world
    sent = made.begin("Contactors", 0x121, 3, made.draft.coding.pack_period_s)
    negative, positive, precharge = world.contactor.astype(bool)
    for number, (name, column) in enumerate(
        [
            ("Contactor_Positive", positive),
            ("Contactor_Negative", negative),
            ("Contactor_Precharge", precharge),
            ("Interlock", ~world.interlock_open),
        ]
    ):
        made.state(sent, name, 2 * number, world.held(column, sent.time_s), STATES)
    made.counter(sent, 8)
    made.checked(sent)


def _link(made: Controller) -> None:
    world, wrong = made.world, made.draft.sensing
    sent = made.begin("LinkState", 0x122, 5, made.draft.coding.pack_period_s)
    volt = world.at(world.link_v, sent.time_s - 0.01) * wrong.link_gain + made.noise(sent.time_s, wrong.pack_noise_v)
    made.number(sent, "Link_V", 0, 16, np.maximum(volt, 0), 0.1, unit="V")
    made.number(sent, "Insulation_kohm", 16, 16, world.at(world.insulation_kohm, sent.time_s), 1.0, unit="kohm")
    made.counter(sent, 32)


def _supplies(made: Controller) -> None:
    world = made.world
    sent = made.begin("Supplies", 0x370, 5, max(0.1, made.draft.coding.slow_period_s / 5))
    supply = np.maximum(world.at(world.supply_v, sent.time_s) + made.noise(sent.time_s, 0.02), 0)
    made.number(sent, "Supply_V", 0, 16, supply, 0.01, unit="V")
    keep = world.at(world.keep_alive_v, sent.time_s) + made.noise(sent.time_s, 0.01)
    made.number(sent, "KeepAlive_V", 16, 16, keep, 0.01, unit="V")
    made.counter(sent, 32)


def _temperatures(made: Controller) -> None:
    draft, world = made.draft, made.world
    sensors = len(world.sensor_c)
    for number, first in enumerate(range(0, sensors, TEMPERATURES_IN_FRAME)):
        sent = made.begin(f"Temps_{number + 1}", 0x340 + number, 8, draft.coding.slow_period_s)
        for slot, sensor in enumerate(range(first, min(first + TEMPERATURES_IN_FRAME, sensors))):
            value = world.at(world.sensor_c[sensor], sent.time_s) + draft.sensing.sensor_offset_c[sensor]
            value = value + made.noise(sent.time_s, 0.1)
            step = draft.coding.temperature_step_c
            made.number(sent, draft.sensor_name(sensor), 8 * slot, 8, value, step, offset=-40.0, unit="degC")
        made.counter(sent, 56)


def _swelling(made: Controller) -> None:
    world = made.world
    for number, first in enumerate(range(0, made.draft.modules, 4)):
        sent = made.begin(f"Swelling_{number + 1}", 0x380 + number, 8, made.draft.coding.slow_period_s)
        for slot, module in enumerate(range(first, min(first + 4, made.draft.modules))):
            value = world.at(world.swelling_kpa[module], sent.time_s) + made.noise(sent.time_s, 0.15)
            made.number(sent, f"Swelling_{module + 1}_kPa", 16 * slot, 16, value, 0.1, unit="kPa")


def _balancing(made: Controller, balancing: NDArray[np.bool_]) -> None:
    for number, first in enumerate(range(0, made.draft.cells, 64)):
        sent = made.begin(f"BalancingFlags_{number + 1}", 0x3C0 + number, 8, made.draft.coding.slow_period_s)
        for bit, cell in enumerate(range(first, min(first + 64, made.draft.cells))):
            name = made.draft.cell_name(cell).replace("Cell", "Balancing").removesuffix("_V")
            raw = made.world.held(balancing[cell], sent.time_s).astype(np.int64)
            sent.put(Signal(name, field_at(bit, 1, "little")), raw)


def _module_voltages(made: Controller) -> None:
    draft, world = made.draft, made.world
    read_v = world.cell_v + world.tap_v
    for number, first in enumerate(range(0, draft.modules, 4)):
        sent = made.begin(f"ModuleVolts_{number + 1}", 0x3E0 + number, 8, draft.coding.cell_period_s)
        for slot, module in enumerate(range(first, min(first + 4, draft.modules))):
            begin = draft.first_of(module)
            total = read_v[begin : begin + draft.cells_per_module[module]].sum(axis=0)
            value = world.at(total, sent.time_s - 0.02) * draft.sensing.module_sum_gain[module]
            made.number(sent, f"Module_{module + 1}_V", 16 * slot, 16, value, 0.01, unit="V")
