"""What a DBC file says, as plain data: messages, their signals, and the faults met while reading.

DBC conventions: value = raw * scale + offset; ``[min|max]`` is informative and ``[0|0]`` means not given; a value
table (VAL_) labels raw values; a multiplexor decides which other signals a frame carries.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import TYPE_CHECKING

from decoder.frames import CLASSIC_BYTES, FD_BYTES

if TYPE_CHECKING:
    from collections.abc import Mapping

    from decoder.bits import Field
    from decoder.errors import Fault


@dataclass(frozen=True, slots=True)
class Page:
    """The pages of a multiplexed message that carry a signal: the multiplexor's name, its values as ranges."""

    multiplexor: str
    values: tuple[tuple[int, int], ...]

    def __contains__(self, value: int) -> bool:
        return any(low <= value <= high for low, high in self.values)

    def __str__(self) -> str:
        return ",".join(str(low) if low == high else f"{low}-{high}" for low, high in self.values)


@dataclass(frozen=True, slots=True)
class Signal:
    """One signal: where its bits are, and how its raw value becomes a value with a unit.

    `minimum` and `maximum` are values, not raw ones, and ``None`` where the map gives none. The raw value of a float
    signal is its bit pattern.
    """

    name: str
    field: Field
    scale: int | float = 1
    offset: int | float = 0
    unit: str = ""
    minimum: float | None = None
    maximum: float | None = None
    is_float: bool = False
    labels: Mapping[int, str] = dataclasses.field(default_factory=dict)
    is_multiplexor: bool = False
    page: Page | None = None
    comment: str = ""


@dataclass(frozen=True, slots=True)
class Message:
    """One message: identifier without bit 31, payload bytes by the map, signals in the order of the file.

    `cycle_s` is the sending period, ``None`` where the map gives none. `undecided` names signals that cannot be
    decoded because the message has two plain multiplexors and the map does not say which one pages them.
    `is_reassembled`: by the map's attribute CellgleanPayload it describes whole payloads, which a transport protocol
    carried in several frames, from the service byte on.
    """

    name: str
    can_id: int
    extended: bool
    length: int
    signals: tuple[Signal, ...]
    cycle_s: float | None = None
    is_fd: bool = False
    is_j1939: bool = False
    is_reassembled: bool = False
    undecided: tuple[str, ...] = ()
    comment: str = ""
    path: str = ""

    @property
    def exceeds_a_frame(self) -> bool:
        """Whether it is longer than what one frame carries: 8 bytes, with CAN FD 64 (ISO 11898-1)."""
        return self.length > (FD_BYTES if self.is_fd else CLASSIC_BYTES)


@dataclass(frozen=True, slots=True)
class SignalMap:
    """One or several DBC files: their messages, the faults met and mended, the encoding of each file.

    Two messages may have one identifier: both are decoded, and a fault says so.
    """

    messages: tuple[Message, ...] = ()
    faults: tuple[Fault, ...] = ()
    paths: tuple[str, ...] = ()
    encodings: tuple[str, ...] = ()

    @property
    def reassembled(self) -> frozenset[tuple[int, bool]]:
        """The identifiers (number, 29 bits or not) whose payloads come in several frames, by the map's word."""
        return frozenset((m.can_id, m.extended) for m in self.messages if m.is_reassembled and not m.is_j1939)

    def message(self, name: str) -> Message:
        """Give the first message called `name`. Raises `KeyError`."""
        for message in self.messages:
            if message.name == name:
                return message
        raise KeyError(name)
