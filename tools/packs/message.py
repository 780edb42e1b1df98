"""One kind of message while it is made: its sheet of bits over time, and the channels that were put on it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from decoder.discovery.field_at import FieldAt, StreamKey
from decoder.discovery.proposal import Carrier
from tools.layouts.counters_and_checks import draw_plan, put_check, put_counter
from tools.layouts.sheet import Sheet, field_at
from tools.packs.truth import TrueChannel

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from decoder.bits import Field
    from decoder.discovery.proposal import Selector
    from tools.layouts.counters_and_checks import Plan
    from tools.layouts.habits import Habits
    from tools.packs.measuring import Controller
    from tools.packs.pack import Source
    from tools.packs.scales import Coding

    Array = NDArray[np.float64]

BUS: Final = "can0"
BLOCK: Final = 16  # identifiers
WAITS: Final = 0.6  # messages that say 'not available' at first, in a capture that begins with the wake-up


@dataclass(eq=False)
class Identifiers:
    """Identifiers still free: blocks of 16, neighbours for siblings."""

    rng: np.random.Generator
    wide: bool
    _bases: list[int] = field(init=False)
    _at: int = 0
    _room: int = 0

    def __post_init__(self) -> None:
        self._bases = (self.rng.permutation(np.arange(0x10, 0x6F)) * BLOCK).tolist()

    def take(self, count: int) -> list[int]:
        """Give consecutive identifiers."""
        while count > self._room or self.rng.random() < 0.15:
            blocks = -(-count // BLOCK)
            first = next(base for base in self._bases if all(base + BLOCK * k in self._bases for k in range(blocks)))
            for number in range(blocks):
                self._bases.remove(first + BLOCK * number)
            self._at, self._room = first, BLOCK * blocks
        taken = list(range(self._at, self._at + count))
        self._at, self._room = self._at + count, self._room - count
        return [0x18FF0000 + can_id for can_id in taken] if self.wide else taken


@dataclass(eq=False)
class Maker:
    """All that messages are made with.

    wakes_s : until when messages that wait say 'not available'; 0 if the capture does not begin with the wake-up
    """

    rng: np.random.Generator
    habits: Habits
    controller: Controller
    ids: Identifiers
    wakes_s: float
    natural: bool
    messages: list[Message] = field(default_factory=list)
    arrays: int = 0

    def message(self, can_id: int, sent_s: Array, *, shape_seed: int, length: int = 8, prefix: bytes = b"") -> Message:
        """Begin a message; with a prefix, an answer of ISO 15765-2."""
        shape = np.random.default_rng(shape_seed)
        life = np.random.default_rng(int(self.rng.integers(2**62)))
        waits = shape.random() < WAITS and not prefix
        waking = sent_s < (self.wakes_s * life.uniform(0.5, 1.0) if waits else -1.0)
        sheet = Sheet(shape, life, self.habits, self.controller.pack, sent_s, waking, length)  # type: ignore[arg-type]
        carrier = Carrier("iso-tp", prefix) if prefix else None
        made = Message(self, sheet, StreamKey(BUS, can_id, self.ids.wide, carrier))
        self.messages.append(made)
        return made

    def seed(self) -> int:
        """Draw a seed for a layout."""
        return int(self.rng.integers(2**62))

    def array(self) -> int:
        """Give the number of a new array."""
        self.arrays += 1
        return self.arrays - 1

    def times(self, period_s: float) -> Array:
        """Give when frames of a period are sent: a sender's own clock, sometimes late."""
        duration_s = self.controller.pack.duration_s
        phase_s = self.rng.uniform(0, min(period_s, duration_s / 4))
        count = max(3, int((duration_s - phase_s) / period_s))
        late_s = np.abs(self.rng.normal(0, 0.01 * period_s, count)) + 0.0003 * self.rng.random(count)
        return phase_s + np.arange(count) * period_s * (1 + self.rng.normal(0, 50e-6)) + late_s


@dataclass(eq=False)
class Message:
    """One kind of message and its channels."""

    maker: Maker
    sheet: Sheet
    key: StreamKey
    channels: list[TrueChannel] = field(default_factory=list)

    def plan(self) -> Plan:
        """Draw counter and check, fill the counter, and give which bytes are left."""
        plan = draw_plan(self.sheet)
        put_counter(self.sheet, plan)
        if plan.counter is not None:
            self.channels.append(TrueChannel(FieldAt(self.key, plan.counter), "alive counter"))
        return plan

    def end(self, plan: Plan) -> None:
        """Fill the check, from all the rest."""
        put_check(self.sheet, plan)
        if plan.check is not None:
            self.channels.append(TrueChannel(FieldAt(self.key, plan.check), "check"))

    def put(
        self,
        at: int,
        coding: Coding,
        source: Source,
        quantity: str | None,
        *,
        taken_s: Array | None = None,
        under: Selector | None = None,
        rows: NDArray[np.bool_] | None = None,
        **known: Any,  # noqa: ANN401
    ) -> Field:
        """Put a channel `at` so many bits into the message, as its byte order counts; `known` goes into the truth.

        taken_s : when the controller looked up each frame's value; else when the frame was sent
        """
        place = field_at(at, coding.bits, self.sheet.habits.byte_order, signed=coding.signed)
        all_rows = np.ones(len(self.sheet.time_s), bool) if rows is None else rows
        looked_s = (self.sheet.time_s if taken_s is None else taken_s)[all_rows]
        raw = np.zeros(len(self.sheet.time_s), np.int64)
        raw[all_rows] = coding.raw(self.maker.controller.measured(source, looked_s))
        if coding.bits >= 5:
            raw = self.sheet.available(raw, coding.bits)
        self.sheet.put(place, "number", raw, under, all_rows)
        self.channels.append(
            TrueChannel(
                at=FieldAt(self.key, place, under),
                quantity=quantity,
                unit=coding.unit,
                scale=coding.scale,
                offset=coding.offset,
                source=source,
                **known,
            )
        )
        return place
