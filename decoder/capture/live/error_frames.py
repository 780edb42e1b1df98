"""Error frames as they come in: counted, and told at once.

Classes and details: include/linux/can/error.h, where the identifier of an error frame holds bits of its classes.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Iterator

    import can

CONTROLLER: Final = 0x004
BUS_OFF: Final = 0x040
_COUNTERS: Final = 0x200  # says that two bytes hold error counters; no error of its own
_CONTROLLER_BYTE: Final = 1
_RX_OVERFLOW: Final = 0x01
_AGAIN_S: Final = 1.0  # no class is told more often
_CLASS_WORDS: Final = {
    0x001: "sending timed out",
    0x002: "arbitration lost",
    CONTROLLER: "trouble in the adapter's controller",
    0x008: "frames broken on the wire",
    0x010: "trouble in the transceiver",
    0x020: "no acknowledgement",
    BUS_OFF: "off the bus",
    0x080: "errors on the bus",
    0x100: "the controller was started again",
}
_NO_CLASS: Final = "error frames"


@dataclass(slots=True)
class ErrorWatch:
    """Counts error frames, and says what is to be told of them.

    has_classes : whether identifiers hold the classes above; other adapters give numbers of their own
    """

    has_classes: bool
    frames: int = 0
    overruns: int = 0
    _told: dict[str, float] = field(default_factory=dict)
    _counts: dict[str, int] = field(default_factory=dict)

    def take(self, message: can.Message) -> None:
        """Count one error frame."""
        self.frames += 1
        for words in self._words(message):
            self._counts[words] = self._counts.get(words, 0) + 1

    def news(self, now_s: float) -> Iterator[tuple[bool, str]]:
        """Give what has not been told, each kind once a second at most: whether it is a bus-off, and a sentence."""
        for words, count in list(self._counts.items()):
            last_s = self._told.get(words)
            if last_s is not None and now_s - last_s < _AGAIN_S:
                continue
            self._told[words] = now_s
            del self._counts[words]
            yield words == _CLASS_WORDS[BUS_OFF], f"{words}: {count} error frame{'s' if count > 1 else ''}"

    def _words(self, message: can.Message) -> list[str]:
        if not self.has_classes:
            return [_NO_CLASS]
        classes = message.arbitration_id & ~_COUNTERS
        words = [word for bit, word in _CLASS_WORDS.items() if classes & bit and bit != CONTROLLER]
        if classes & CONTROLLER:
            words.append(self._of_controller(message.data))
        return words or [_NO_CLASS]

    def _of_controller(self, data: bytearray) -> str:
        if len(data) > _CONTROLLER_BYTE and data[_CONTROLLER_BYTE] & _RX_OVERFLOW:
            self.overruns += 1
            return "the adapter's own queue overflowed, frames are missing"
        return _CLASS_WORDS[CONTROLLER]
