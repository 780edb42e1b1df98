"""Frames as received -> lines of a candump log.

    (1700000000.123456) can0 123#0A1B2C              id 3 or 8 digits, `##` and a flags digit for CAN FD,
                                                     `R` remote, `_9`..`_F` raw DLC, ` T` sent by this computer

Grammar as in `decoder.capture.lines`, which reads them back. Error frames have 2000_0000 added to their identifier
(include/linux/can.h, CAN_ERR_FLAG). Stamps are microseconds: a float of seconds since 1970 tells no more.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any, Final

from decoder.capture.lines import LONGEST_BUS_NAME
from decoder.frames import CLASSIC_BYTES

if TYPE_CHECKING:
    from collections.abc import Iterable

    import can

_ERROR_BIT: Final = 0x2000_0000
_ID_BITS: Final = 0x1FFF_FFFF
_SHORT_MOST: Final = 0xFFF  # what three digits can say; more than the 7FF of the standard, kept as it is
_RAW_DLC_MOST: Final = 15
_BIT_RATE_SWITCH, _ERROR_STATE, _IS_FD = 1, 2, 4  # flags digit: linux/can.h, CANFD_BRS, CANFD_ESI, CANFD_FDF
_STAMP_MOST_S: Final = 9_999_999_999.0  # ten digits, as candump writes them
_NOT_IN_NAMES: Final = re.compile(r"[^!-~]|[()#<>]")


class LineMaker:
    """Makes lines of messages.

    bus_name : how the bus is called where a message names no channel of its own
    odd_stamps : how many messages so far had a time stamp that is none (absent, negative, endless); they got the time
        of their arrival
    unreadable : how many messages of the driver's could not be put into a line, because something is missing in them
    """

    def __init__(self, bus_name: str) -> None:
        self._own_name = bus_name_of(bus_name)
        self._names: dict[Any, str] = {None: self._own_name}
        self.odd_stamps = 0
        self.unreadable = 0

    def lines(self, messages: Iterable[can.Message], arrived_s: float) -> bytes:
        """Give whole lines of python-can messages that arrived at `arrived_s` (seconds since 1970)."""
        made = []
        for message in messages:
            try:
                made.append(self._line(message, arrived_s))
            except (AttributeError, TypeError, ValueError):
                self.unreadable += 1
        return "".join(made).encode("ascii")

    def _line(self, message: can.Message, arrived_s: float) -> str:
        name = self._names.get(message.channel)
        if name is None:
            name = self._names[message.channel] = bus_name_of(message.channel)
        stamp_s = message.timestamp
        if not 0.0 < stamp_s < _STAMP_MOST_S:
            self.odd_stamps += 1
            stamp_s = arrived_s
        return f"({stamp_s:017.6f}) {name} {_frame(message)}\n"


def bus_name_of(channel: object) -> str:
    """Give a name without blanks that the log's readers take: `can0` for 0, `ttyUSB0` for /dev/ttyUSB0."""
    if isinstance(channel, int):
        return f"can{channel}"
    text = _NOT_IN_NAMES.sub("_", str(channel).replace("\\", "/").rstrip("/").rsplit("/", 1)[-1])
    return text[:LONGEST_BUS_NAME] or "can"


def _frame(message: can.Message) -> str:
    can_id = message.arbitration_id
    if message.is_error_frame:
        return f"{_ERROR_BIT | can_id & _ID_BITS:08X}#{message.data[:CLASSIC_BYTES].hex().upper()}"
    is_long = message.is_extended_id or can_id > _SHORT_MOST
    digits = f"{can_id & _ID_BITS:08X}" if is_long else f"{can_id:03X}"
    direction = "" if message.is_rx else " T"
    if message.is_fd:
        nibble = _IS_FD | _BIT_RATE_SWITCH * message.bitrate_switch | _ERROR_STATE * message.error_state_indicator
        return f"{digits}##{nibble:X}{message.data.hex().upper()}{direction}"
    dlc = message.dlc
    raw = f"_{dlc:X}" if CLASSIC_BYTES < dlc <= _RAW_DLC_MOST else ""
    if message.is_remote_frame:
        length = min(dlc, CLASSIC_BYTES)
        return f"{digits}#R{length or ''}{raw}{direction}"
    if raw and len(message.data) < CLASSIC_BYTES:
        raw = ""
    return f"{digits}#{message.data.hex().upper()}{raw}{direction}"
