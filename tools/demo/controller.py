"""The invented pack controller: what it measures, and the frames that it fills by the harbour shuttle's signal map.

Layouts come from the DBC file, so that map and capture cannot disagree: values go in by signal name. Beside the
controller two units of the boat talk, whose frames no map explains; they fall silent with the boat's 12 V.
"""

from __future__ import annotations

import copy
from dataclasses import dataclass
from itertools import groupby
from typing import TYPE_CHECKING, Final

import numpy as np

from tools.demo import pack_model
from tools.demo.pack_model import CELLS, MODULES

if TYPE_CHECKING:
    from collections.abc import Callable

    from cantools.database import Database
    from cantools.database.can import Message, Signal
    from numpy.typing import NDArray

    from tools.demo.dice import Dice
    from tools.demo.pack_model import Pack

    Array = NDArray[np.float64]
    Values = dict[str, "Array | float"]

AWAKE_S: Final = 0.5  # until then cells, temperatures and pressures are 'not available'
LATENCY_S: Final = 0.002  # from measuring to sending
CONTROLLER_PPM: Final = 35  # its clock runs slow by this much
NOT_AVAILABLE: Final = np.nan
COUNT_TO_15: Final = ("PackState",)  # messages whose counter leaves out the value 15

# The check: CRC-8 polynomial 0x1D, start and final XOR FF, over the other bytes and then one hidden byte.
CHECKED: Final = {"PackState": 0x5C, "Contactors": 0xA7, "CellPages": 0x3E}

SENSE_WIRE: Final = (5, 3)  # the wire between this cell and the next one
# The wire is off from, to (s), and moves the tap by this much (V); None: the controller notices and sends 'not
# available' for both cells.
SENSE_WIRE_OFF: Final = (
    (13.2, 14.1, 0.21),
    (26.5, 27.6, 0.16),
    (33.0, 33.8, 0.27),
    (43.4, 44.2, 0.19),
    (52.1, 53.0, 0.24),
    (63.0, 64.4, 0.26),
    (76.2, 77.6, None),
    (82.5, 83.3, 0.18),
)
STUCK_AT_C: Final = 18.5


@dataclass(frozen=True)
class Stream:
    """The frames of one identifier: when each is ready to be sent (s), and its bytes (n x length, uint8)."""

    name: str
    can_id: int
    extended: bool
    ready_s: Array
    data: NDArray[np.uint8]


def streams(pack: Pack, signal_map: Database, dice: Dice) -> list[Stream]:
    """Give all frames that are ready to be sent within the 90 s."""
    meter = Measured(pack, dice)
    found = []
    in_frames = [message for message in signal_map.messages if not describes_whole_answers(message)]
    in_order = sorted(in_frames, key=lambda message: message.frame_id)
    # Messages that differ only in a number at the end of their names are parts of one set: sent together.
    for task, parts in groupby(in_order, key=lambda message: message.name.rstrip("_0123456789")):
        messages = list(parts)
        ready_s = _ready(messages[0].cycle_time / 1000, dice, ppm=CONTROLLER_PPM)
        values = TASKS[task](meter, ready_s)
        for message in messages:
            data = fill(message, values, len(ready_s))
            found.append(Stream(message.name, message.frame_id, message.is_extended_frame, ready_s, data))
    return [*found, *_rest_of_the_boat(pack, dice)]


def describes_whole_answers(message: Message) -> bool:
    """Say whether the signals of `message` describe payloads put together from several frames."""
    attribute = message.dbc.attributes.get("CellgleanPayload")
    return attribute is not None and attribute.value == 1


def fill(message: Message, values: Values, frames: int) -> NDArray[np.uint8]:
    """Give the bytes of `frames` frames: values in the signals' units, NaN for 'not available' (all ones).

    Bits of no signal are 1. A counter and a check of the message are added. Raises `KeyError` for a signal without
    value, `ValueError` for a value that does not fit.
    """
    words = {"big_endian": np.zeros(frames, np.uint64), "little_endian": np.zeros(frames, np.uint64)}
    used = {"big_endian": np.zeros(frames, np.uint64), "little_endian": np.zeros(frames, np.uint64)}
    for signal in message.signals:
        if signal.name.endswith("_Check"):
            continue
        if signal.name.endswith("_Alive"):
            raw = np.arange(7, 7 + frames) % (15 if message.name in COUNT_TO_15 else 16)
        else:
            raw = _raw(signal, np.broadcast_to(np.asarray(values[signal.name], np.float64), frames))
        carried = np.ones(frames, bool)
        if signal.multiplexer_ids is not None:
            carried = np.isin(values[signal.multiplexer_signal], signal.multiplexer_ids)
        shift = np.uint64(_shift(signal))
        mask = np.uint64((1 << signal.length) - 1)
        words[signal.byte_order] |= np.where(carried, (raw.astype(np.uint64) & mask) << shift, np.uint64(0))
        used[signal.byte_order] |= np.where(carried, mask << shift, np.uint64(0))
    data = _as_bytes(words) | ~_as_bytes(used)
    data = data[:, : message.length].copy()
    if message.name in CHECKED:
        data[:, -1] = crc8(data[:, :-1], CHECKED[message.name])
    return data


def crc8(data: NDArray[np.uint8], hidden: int) -> NDArray[np.uint8]:
    """Give CRC-8 with polynomial 0x1D (parameters of SAE J1850) of each row of `data` followed by `hidden`."""
    table = np.arange(256, dtype=np.uint8)
    for _ in range(8):
        table = np.where(table & 0x80, (table << 1) ^ 0x1D, table << 1).astype(np.uint8)
    crc = np.full(len(data), 0xFF, np.uint8)
    for column in (*data.T, np.uint8(hidden)):
        crc = table[crc ^ column]
    return crc ^ np.uint8(0xFF)


def wire_off(time_s: Array) -> tuple[Array, NDArray[np.bool_]]:
    """Give by how much the loose sense wire moves its tap at each time (V), and whether the controller notices."""
    moved_v = np.zeros(len(time_s))
    noticed = np.zeros(len(time_s), bool)
    for start, end, by_v in SENSE_WIRE_OFF:
        inside = (time_s >= start) & (time_s < end)
        if by_v is None:
            noticed |= inside
        else:
            moved_v[inside] = by_v * (1 - 0.25 * (time_s[inside] - start))  # the open input discharges slowly
    return moved_v, noticed


class Measured:
    """What the controller makes of the pack: sensors with small errors and noise, and the faults of the wiring."""

    def __init__(self, pack: Pack, dice: Dice) -> None:
        self.pack = pack
        self.dice = dice
        self.cell_error_v = 0.0004 * dice.bell(MODULES * CELLS)

    def with_noise_of(self, dice: Dice) -> Measured:
        """Give the same sensors with the same errors, read with noise of other dice."""
        other = copy.copy(self)
        other.dice = dice
        return other

    def cells(self, time_s: Array) -> Array:
        """Give all cells (len(time_s) x 84) at the times at which they are scanned."""
        cells = self.pack.cell_v[self.pack.at(time_s)] + self.cell_error_v
        cells += 0.0004 * self.dice.bell(*cells.shape)
        below = pack_model.cell_number(*SENSE_WIRE)
        moved_v, noticed = wire_off(time_s)
        cells[:, below] -= moved_v
        cells[:, below + 1] += moved_v
        cells[noticed, below : below + 2] = NOT_AVAILABLE
        cells[time_s < AWAKE_S] = NOT_AVAILABLE
        return cells

    def of(self, true: Array, time_s: Array, noise: float) -> Array:
        """Give one of the pack's columns (n, or n x k) with noise."""
        picked = true[self.pack.at(time_s - LATENCY_S)]
        return picked + noise * self.dice.bell(*picked.shape)

    def awake(self, true: Array, time_s: Array, noise: float) -> Array:
        """Give the same, 'not available' just after wake-up."""
        picked = self.of(true, time_s, noise)
        picked[time_s < AWAKE_S] = NOT_AVAILABLE
        return picked


def _pack_state(meter: Measured, ready_s: Array) -> Values:
    pack = meter.pack
    pack_v = pack.cell_v.sum(axis=1)
    current = meter.of(pack.current_a, ready_s, 0.15)
    drop_v = 0.35e-3 * pack.current_a  # contactors, fuse
    return {
        "Pack_V": meter.of(pack_v, ready_s, 0.04),
        "Link_V": meter.of(pack_v - drop_v, ready_s, 0.05),
        "Pack_A": current,
        "Pack_Mode": np.where((ready_s > 7.5) & (ready_s < 59), 2.0, 1.0),
    }


def _contactors(_meter: Measured, _ready_s: Array) -> Values:
    """Give the states: nothing opens the contactors, not even the loss of the boat's 12 V."""
    return {"Contactor_Positive": 1, "Contactor_Negative": 1, "Contactor_Precharge": 0, "Interlock": 1}


def _pack_limits(meter: Measured, ready_s: Array) -> Values:
    # The weakest cell sets how much the pack may give.
    lowest = meter.pack.cell_v.min(axis=1)
    lowest = pack_model.lagged(lowest, 2.0, lowest[0])
    return {
        "StateOfCharge": meter.of(meter.pack.charge_percent, ready_s, 0.0),
        "StateOfHealth": 91.0,
        "Limit_Discharge_kW": meter.of(np.clip(60 * (lowest - 3.0) / 0.75, 0, 60), ready_s, 0.0),
        "Limit_Charge_kW": 22.0,
    }


def _joined_cells(meter: Measured, ready_s: Array) -> Values:
    cells = meter.cells(ready_s - LATENCY_S)
    return {
        f"Cell_{module}_{cell:02d}_V": cells[:, pack_model.cell_number(module, cell)]
        for module in (1, 2, 3)
        for cell in range(1, CELLS + 1)
    }


def _cell_pages(meter: Measured, ready_s: Array) -> Values:
    """Give the pages in turn; a module is scanned when its first page is due."""
    pages = 5  # a module
    index = np.arange(len(ready_s)) % (3 * pages)
    first_page = np.arange(len(ready_s)) // pages * pages
    cells = meter.cells(ready_s[::pages] - LATENCY_S)[first_page // pages]
    values: Values = {
        f"Cell_{module}_{cell:02d}_V": cells[:, pack_model.cell_number(module, cell)]
        for module in (4, 5, 6)
        for cell in range(1, CELLS + 1)
    }
    values["CellPages_Index"] = index.astype(np.float64)
    return values


def _temperatures(meter: Measured, ready_s: Array) -> Values:
    sensors = meter.awake(meter.pack.sensor_c, ready_s, 0.06)
    stuck = pack_model.sensor_number(*pack_model.STUCK_SENSOR)
    sensors[ready_s >= AWAKE_S, stuck] = STUCK_AT_C
    coolant = meter.awake(meter.pack.coolant_c, ready_s, 0.06)
    values: Values = {
        f"Temp_{module}_{sensor}_degC": sensors[:, pack_model.sensor_number(module, sensor)]
        for module in range(1, MODULES + 1)
        for sensor in (1, 2)
    }
    values["CoolantInlet_degC"], values["CoolantOutlet_degC"] = coolant.T
    return values


def _swelling(meter: Measured, ready_s: Array) -> Values:
    pressure = meter.awake(meter.pack.swelling_kpa, ready_s, 0.12)
    return {f"Swelling_{module}_kPa": pressure[:, module - 1] for module in range(1, MODULES + 1)}


def _supplies(meter: Measured, ready_s: Array) -> Values:
    return {
        "Insulation_kohm": meter.of(meter.pack.insulation_kohm, ready_s, 1.5),
        "Supply_V": meter.of(meter.pack.supply_v, ready_s, 0.02),
        "KeepAlive_V": meter.of(meter.pack.keep_alive_v, ready_s, 0.006),
    }


def _balancing(meter: Measured, ready_s: Array) -> Values:
    """Give the flags: at rest, cells that stand clearly above the pack's mean are drained."""
    pack = meter.pack
    step = pack.at(ready_s - LATENCY_S)
    resting = (ready_s > 62)[:, None]
    high = resting & (pack.cell_v[step] > pack.cell_v[step].mean(axis=1)[:, None] + 0.009)
    values: Values = {
        f"Balancing_{module}_{cell:02d}": high[:, pack_model.cell_number(module, cell)].astype(np.float64)
        for module in range(1, MODULES + 1)
        for cell in range(1, CELLS + 1)
    }
    values["BalancingFlags_Module"] = 1.0 + np.arange(len(ready_s)) % MODULES
    return values


TASKS: Final[dict[str, Callable[[Measured, Array], Values]]] = {
    "PackState": _pack_state,
    "Contactors": _contactors,
    "PackLimits": _pack_limits,
    "Cells": _joined_cells,
    "CellPages": _cell_pages,
    "ModuleTemps": _temperatures,
    "Swelling": _swelling,
    "Supplies": _supplies,
    "BalancingFlags": _balancing,
}


def _rest_of_the_boat(pack: Pack, dice: Dice) -> list[Stream]:
    """Give the frames of drive and helm, filled by hand since no map knows them."""
    drive_s = _until_supply_gone(_ready(0.010, dice, ppm=-20))
    current = pack.current_a[pack.at(drive_s)]
    drive = np.zeros((len(drive_s), 8), np.uint8)
    speed = np.clip(np.floor(current * 16 + 6 * dice.bell(len(drive_s)) + 900), 0, 65535).astype("<u2")
    torque = np.floor(current * 9 + 4 * dice.bell(len(drive_s))).astype("<i2")
    drive[:, 0:2] = speed[:, None].view(np.uint8).reshape(-1, 2)
    drive[:, 2:4] = torque[:, None].view(np.uint8).reshape(-1, 2)
    drive[:, 4] = 0x20
    drive[:, 6] = np.arange(len(drive_s)) % 16
    drive[:, 7] = ~drive[:, :7].sum(axis=1, dtype=np.uint64).astype(np.uint8)  # negated sum of bytes
    helm_s = _until_supply_gone(_ready(0.050, dice, ppm=60))
    helm = np.zeros((len(helm_s), 4), np.uint8)
    helm[:, 0] = pack.current_a[pack.at(helm_s)] * 1.6 + 70
    helm[:, 3] = np.arange(len(helm_s)) % 4
    return [
        Stream("drive", 0x0A4, extended=False, ready_s=drive_s, data=drive),
        Stream("helm", 0x1C2, extended=False, ready_s=helm_s, data=helm),
    ]


def _until_supply_gone(ready_s: Array) -> Array:
    return ready_s[ready_s < pack_model.SUPPLY_GONE_S + 0.05]


def _ready(period_s: float, dice: Dice, ppm: float) -> Array:
    """Give when the frames of one identifier are ready: a period, a task that starts up to 1 ms late, rarely."""
    phase_s = period_s * float(dice.even(1)[0])
    count = int((pack_model.DURATION_S - phase_s) / period_s)
    late_s = 0.001 * dice.even(count) ** 3
    return phase_s + np.arange(count) * (period_s * (1 + ppm * 1e-6)) + late_s


def _raw(signal: Signal, value: Array) -> NDArray[np.int64]:
    """Give raw values: nearest step, all ones for NaN. Raises `ValueError` where a value does not fit."""
    missing = np.isnan(value)
    raw = np.floor((np.where(missing, signal.offset, value) - signal.offset) / signal.scale + 0.5).astype(np.int64)
    low = -(1 << signal.length - 1) if signal.is_signed else 0
    high = low + (1 << signal.length) - 1
    if raw.min(initial=low) < low or raw.max(initial=low) > high:
        raise ValueError(f"{signal.name}: {raw.min()}..{raw.max()} does not fit into {signal.length} bits")
    return np.where(missing, (1 << signal.length) - 1, raw)


def _shift(signal: Signal) -> int:
    """Give how far a signal stands above bit 0 of the frame's eight bytes, read in the signal's byte order."""
    if signal.byte_order == "little_endian":
        return int(signal.start)
    return 64 - (signal.start // 8 * 8 + 7 - signal.start % 8) - signal.length


def _as_bytes(words: dict[str, NDArray[np.uint64]]) -> NDArray[np.uint8]:
    big = words["big_endian"].astype(">u8").view(np.uint8).reshape(-1, 8)
    return big | words["little_endian"].astype("<u8").view(np.uint8).reshape(-1, 8)
