"""What comes only when asked for: long answers of ISO 14229-1 (22 -> 62) in transfers of ISO 15765-2."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.maps.pack_sheet import Place
from tools.demo.conversation import FLOW_CONTROL, cut, read
from tools.packs.cell_frames import draw_cell_coding, put_cell
from tools.packs.pack import Source
from tools.packs.scales import draw_coding

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tools.packs.message import Maker, Message
    from tools.packs.scales import Coding

    Array = NDArray[np.float64]

SEPARATION_S: Final = (0.0012, 0.0100)
ANSWER_S: Final = (0.002, 0.02)
HEADER: Final = 3  # service byte and identifier


@dataclass(frozen=True, eq=False)
class Talk:
    """Who asks whom: identifiers, what fills short frames, the pace of the transfers (s)."""

    asker: int
    answerer: int
    fill: int
    separation_s: float


@dataclass(frozen=True, eq=False)
class Polled:
    """One kind of answer: its message, and which identifier is asked for."""

    message: Message
    identifier: int


def draw_talk(maker: Maker) -> Talk:
    """Draw a pair of identifiers and its habits."""
    asker, answerer = maker.ids.take(2)
    return Talk(asker, answerer, int(maker.rng.choice([0x00, 0xAA, 0x55, 0xFF])), maker.rng.uniform(*SEPARATION_S))


def put_polled(maker: Maker, talk: Talk, copy: bool) -> tuple[str, list[Polled]]:  # noqa: FBT001
    """Put all cells into one answer, or into several; the first answer's sensors and pack voltage come with them."""
    pack, rng = maker.controller.pack, maker.rng
    coding = draw_cell_coding(maker, {8: 1, 12: 2, 16: 8})
    parts = int(rng.choice([1, 1, 2])) if pack.cells * coding.bits > 8 * 120 else 1
    first = int(rng.integers(1, 0xE0))
    rounds_s = maker.times(max(float(rng.uniform(0.25, 1.6)), 1.4 * _lasts_s(talk, pack.cells * coding.bits // 8)))
    array = maker.array()
    polled = []
    for part, cells in enumerate(np.array_split(np.arange(pack.cells), parts)):
        asked_s = rounds_s + part * _lasts_s(talk, len(cells) * coding.bits // 8)
        spare, behind = int(rng.choice([0, 1, 2, 4])), int(rng.choice([0, 0, 2, 6]))
        length = HEADER + spare + -(-len(cells) * coding.bits // 8) + behind
        prefix = b"\x62\x01" + bytes([first + part])
        message = begin(maker, talk, asked_s, prefix, length)
        for number, cell in enumerate(cells.tolist()):
            at = 8 * (HEADER + spare) + number * coding.bits
            put_cell(message, at, coding, cell, array, copy, asked_s)
        polled.append(Polled(message, 0x0100 + first + part))
    return f"polled, {coding.bits} bits", polled


def put_polled_rest(maker: Maker, talk: Talk, sensors: Coding | None) -> list[Polled]:
    """Put the sensors, the module voltages, and the pack's voltage and charge into answers of their own."""
    pack, rng = maker.controller.pack, maker.rng
    rounds_s = maker.times(float(rng.uniform(0.5, 2.0))) + 0.2
    polled = []
    if sensors is not None:
        count = len(pack.sensor_c)
        message = begin(maker, talk, rounds_s, b"\x62\x02\x10", HEADER + 1 + count * (-(-sensors.bits // 8)))
        put_sensors(message, HEADER + 1, sensors, list(range(count)), maker.array())
        polled.append(Polled(message, 0x0210))
    if rng.random() < 0.4:
        coding = draw_coding(rng, "module voltage", pack, natural=maker.natural, bits={16: 1})
        message = begin(maker, talk, rounds_s + 0.06, b"\x62\x02\x20", HEADER + 2 * pack.modules)
        array = maker.array()
        for module in range(pack.modules):
            known = {"place": Place(module + 1), "array": array, "order": module + 1}
            message.put(8 * (HEADER + 2 * module), coding, Source("module", module), "module voltage", **known)
        polled.append(Polled(message, 0x0220))
    return polled


def put_sensors(message: Message, first: int, coding: Coding, sensors: list[int], array: int, **under: object) -> None:
    """Put temperatures into whole bytes, one after the other."""
    step = -(-coding.bits // 8)
    per_module = message.maker.controller.pack.sensors_per_module
    pad = 8 * step - coding.bits if message.maker.habits.byte_order == "big" else 0
    for number, sensor in enumerate(sensors):
        module, own = divmod(sensor, per_module)
        place = Place(module + 1, None, own + 1)
        known = {"place": place, "array": array, "order": sensor + 1, **under}
        at = 8 * (first + number * step) + pad
        message.put(at, coding, Source("sensor", sensor), "module temperature", **known)


def begin(maker: Maker, talk: Talk, asked_s: Array, prefix: bytes, length: int) -> Message:
    """Begin an answer; its header is already there."""
    message = maker.message(talk.answerer, asked_s, shape_seed=maker.seed(), length=length, prefix=prefix)
    head = np.unpackbits(np.frombuffer(prefix, np.uint8), bitorder="little")
    message.sheet.bits[:, : len(head)] = head
    return message


def _lasts_s(talk: Talk, content: int) -> float:
    """Give how long one answer takes, with its question, at most."""
    return ANSWER_S[1] + 0.004 + (content + 12) / 7 * (talk.separation_s + 0.0006) + 0.01


def frames_of(talk: Talk, polled: list[Polled], rng: np.random.Generator) -> list[tuple[int, float, bytes]]:
    """Give identifier, time (s) and payload of every frame of the talk, one transfer after the other."""
    asked = sorted(
        (time_s, number, row)
        for number, one in enumerate(polled)
        for row, time_s in enumerate(one.message.sheet.time_s.tolist())
    )
    frames: list[tuple[int, float, bytes]] = []
    now = 0.0
    data = [one.message.sheet.data for one in polled]
    for time_s, number, row in asked:
        now = max(now + 0.003, time_s)
        frames.append((talk.asker, now, cut(read(polled[number].identifier), talk.fill)[0]))
        now += rng.uniform(*ANSWER_S)
        first, *others = cut(data[number][row].tobytes(), talk.fill)
        frames.append((talk.answerer, now, first))
        if others:
            now += rng.uniform(0.0003, 0.0015)
            frames.append((talk.asker, now, FLOW_CONTROL.ljust(8, bytes([talk.fill]))))
        for frame in others:
            now += talk.separation_s + rng.uniform(0, 0.0004)
            frames.append((talk.answerer, now, frame))
    return frames
