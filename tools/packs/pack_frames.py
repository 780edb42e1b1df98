"""Frames of what is measured of the pack as a whole, of its sensors, and frames of other modules beside them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from decoder.maps.pack_sheet import Place
from tools.layouts.contents import CONSTANTS, fill, put_noise, put_text
from tools.layouts.habits import pick
from tools.packs.cell_frames import draw_cell_coding, slots_in
from tools.packs.pack import Source
from tools.packs.polled import put_sensors
from tools.packs.scales import Coding, draw_coding

if TYPE_CHECKING:
    import numpy as np

    from tools.packs.message import Maker, Message

PERIODS_S: Final = {0.01: 0.08, 0.02: 0.12, 0.05: 0.12, 0.1: 0.38, 0.2: 0.12, 0.5: 0.06, 1.0: 0.12}
SMALL: Final = {"states": 0.38, "flags": 0.3, "mode": 0.12, "constant": 0.1, "gap": 0.1}
FILLED: Final = 0.6  # messages whose rest holds states and flags
OTHERS: Final = {"states": 0.4, "drive": 0.25, "constant": 0.15, "noise": 0.1, "text": 0.1}


# How often a pack sends it, quantity, source, place, and what it is where it is no channel of its own right.
MEASURED: Final = (
    *(
        (share, name, Source(name), Place(), "")
        for name, share in {
            "pack voltage": 0.97, "link voltage": 0.6, "pack current": 0.97, "state of charge": 0.9,
            "state of health": 0.6, "supply voltage": 0.6, "keep-alive voltage": 0.25, "insulation resistance": 0.5,
        }.items()
    ),
    *(
        (share, name, Source(name), Place(), f"copy of the {name}")
        for name, share in {"pack voltage": 0.25, "pack current": 0.15, "state of charge": 0.2}.items()
    ),
    *(
        (share, name, Source(name, which), Place(sensor=which + 1), "")
        for name, share in {"power limit": 0.6, "current limit": 0.4, "coolant temperature": 0.4}.items()
        for which in range(2)
    ),
    *(
        (share, "module temperature", Source(name), Place(), name)
        for name, share in {"highest temperature": 0.45, "lowest temperature": 0.45, "average temperature": 0.2}.items()
    ),
)  # fmt: skip
NO_QUANTITY: Final = (
    ("number of the highest cell", 0.35, "", 1.0),
    ("number of the lowest cell", 0.35, "", 1.0),
    ("spread of the cells", 0.15, "V", 0.001),
)
CONTACTORS: Final = 0.75
INTERLOCK: Final = 0.5


@dataclass(frozen=True, slots=True)
class Single:
    """A channel to be put somewhere: its coding, and what the truth says of it."""

    coding: Coding
    source: Source
    quantity: str | None
    place: Place = Place()  # noqa: RUF009  (frozen)
    decoy: str = ""


def draw_singles(maker: Maker) -> list[Single]:
    """Draw which single channels the pack has."""
    rng = maker.rng
    singles = [
        Single(draw_coding(rng, quantity, maker.controller.pack, natural=maker.natural), source, quantity, place, decoy)
        for share, quantity, source, place, decoy in MEASURED
        if rng.random() < share
    ]
    cells = draw_cell_coding(maker)
    singles += [
        Single(cells, Source(name), "cell voltage", decoy=name)
        for name, share in {"highest cell": 0.65, "lowest cell": 0.65, "average cell": 0.35}.items()
        if rng.random() < share
    ]
    singles += [
        Single(Coding(unit, 8, scale), Source(name), None, decoy=name)
        for name, share, unit, scale in NO_QUANTITY
        if rng.random() < share
    ]
    bits = int(rng.integers(1, 3))
    if rng.random() < CONTACTORS:
        for which, side in enumerate(("negative", "positive", "precharge")):
            singles.append(Single(Coding("", bits, 1.0), Source("contactor", which), "contactor", Place(sensor=side)))
    if rng.random() < INTERLOCK:
        singles.append(Single(Coding("", bits, 1.0), Source("interlock"), "interlock"))
    return singles


def put_singles(maker: Maker) -> None:
    """Put the single channels into messages, what belongs together beside each other mostly."""
    singles = draw_singles(maker)
    kept: list[Single] = []
    for single in singles:  # neighbours stay neighbours, but for some
        kept.insert(int(maker.rng.integers(0, len(kept) + 1)) if maker.rng.random() < 0.25 else len(kept), single)
    while kept:
        message, plan = _begun(maker)
        at, end = 8 * plan.first, 8 * plan.end
        before = {channel.source for channel in message.channels}
        put = 0
        most = int(maker.rng.integers(2, 7))
        while kept and put < most and kept[0].source not in before:
            begin, behind = _room(maker, at, kept[0].coding)
            if behind > end:
                break
            single = kept.pop(0)
            before.add(single.source)
            message.put(begin, single.coding, single.source, single.quantity, place=single.place, decoy=single.decoy)
            at, put = behind, put + 1
        _fill_rest(message, at, end)
        message.end(plan)


def _room(maker: Maker, at: int, coding: Coding) -> tuple[int, int]:
    """Give where a number begins and where its slot ends."""
    if coding.bits <= 2:
        return at, at + coding.bits
    if maker.habits.packed:
        begin = -(-at // 4) * 4
        return begin, begin + coding.bits
    begin, slot = -(-at // 8) * 8, -(-coding.bits // 8) * 8
    return begin + (slot - coding.bits if maker.habits.byte_order == "big" else 0), begin + slot


def put_sensor_frames(maker: Maker, coding: Coding) -> None:
    """Put the temperature sensors into frames, whole bytes each."""
    room = 8 // -(-coding.bits // 8)
    array, shape_seed = maker.array(), maker.seed()
    parts = slots_in(range(len(maker.controller.pack.sensor_c)), room)
    sent_s = maker.times(pick(maker.rng, {0.1: 0.2, 0.2: 0.2, 0.5: 0.3, 1.0: 0.3}))
    for number, (can_id, sensors) in enumerate(zip(maker.ids.take(len(parts)), parts, strict=True)):
        put_sensors(maker.message(can_id, sent_s + 0.002 * number, shape_seed=shape_seed), 0, coding, sensors, array)


def put_swelling(maker: Maker) -> None:
    """Put the pressure between the end plates, one a module."""
    pack = maker.controller.pack
    coding = draw_coding(maker.rng, "swelling pressure", pack, natural=maker.natural)
    step = -(-coding.bits // 8)
    parts = slots_in(range(pack.modules), 8 // step)
    array, sent_s = maker.array(), maker.times(0.2)
    pad = 8 * step - coding.bits if maker.habits.byte_order == "big" else 0
    for number, (can_id, modules) in enumerate(zip(maker.ids.take(len(parts)), parts, strict=True)):
        message = maker.message(can_id, sent_s + 0.003 * number, shape_seed=maker.seed())
        for slot, module in enumerate(modules):
            known = {"place": Place(module + 1), "array": array, "order": module + 1}
            at = 8 * step * slot + pad
            message.put(at, coding, Source("swelling pressure", module), "swelling pressure", **known)


def put_others(maker: Maker, count: int) -> None:
    """Put messages of other modules: states, what drives, constants, noise, text."""
    for _ in range(count):
        sort = pick(maker.rng, OTHERS)
        message, plan = _begun(maker)
        if sort == "drive":
            for number, which in enumerate(maker.rng.permutation(4)[: (plan.end - plan.first) // 2].tolist()):
                coding = (
                    Coding("Nm", 16, 0.1, -3276.8), Coding("km/h", 12, 0.1), Coding("1/min", 14, 1.0),
                    Coding("degC", 8, 0.5, -40.0),
                )[which]  # fmt: skip
                begin, _ = _room(maker, 8 * (plan.first + 2 * number), coding)
                message.put(begin, coding, Source("drive", which), None, decoy="of another module")
        elif sort == "noise":
            put_noise(message.sheet, plan.first, plan.end)
        elif sort == "text":
            put_text(message.sheet, plan.first, plan.end, None, None)
        else:
            fill(message.sheet, plan.first, plan.end, CONSTANTS if sort == "constant" else SMALL)
        message.end(plan)


def _begun(maker: Maker) -> tuple[Message, object]:
    can_id, sent_s = maker.ids.take(1)[0], maker.times(pick(maker.rng, PERIODS_S))
    message = maker.message(can_id, sent_s, shape_seed=maker.seed())
    return message, message.plan()


def _fill_rest(message: Message, at: int, end: int) -> None:
    first = -(-at // 8)
    if 8 * first < end and message.sheet.shape.random() < FILLED:
        fill(message.sheet, first, end // 8, SMALL)


def draw_sensor_coding(maker: Maker, rng: np.random.Generator) -> Coding:
    """Draw how the temperature sensors are sent."""
    bits = {8: 8.0, 10: 0.5, 16: 1.5}
    return draw_coding(rng, "module temperature", maker.controller.pack, natural=maker.natural, bits=bits)
