"""An adapter of python-can, opened to listen.

Options that are not given come from python-can's configuration files (`can.Bus`). Whatever a driver raises becomes a
`CaptureError` here. The bus itself is never handed out: what is not here cannot be called.
"""

from __future__ import annotations

import contextlib
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final, Literal

import can

from decoder.capture.live.candump_lines import bus_name_of
from decoder.capture.live.listen_modes import KERNEL_ERRORS, LISTEN_MODES, OUTSIDE, WITHOUT_A_WIRE
from decoder.errors import CaptureError
from decoder.printable import printable

if TYPE_CHECKING:
    from collections.abc import Mapping

State = Literal["active", "passive", "error", "unknown"]
_STATES: Final[Mapping[can.BusState, State]] = {
    can.BusState.ACTIVE: "active",
    can.BusState.PASSIVE: "passive",
    can.BusState.ERROR: "error",
}
_MOST_AT_ONCE: Final = 2000  # messages: a quarter of a second of a full bus, then other things get their turn
_MOST_QUOTED: Final = 300  # characters of a driver's message


@dataclass(frozen=True, slots=True)
class AdapterOptions:
    """Which adapter, in python-can's own names; ``None``: from its configuration files, or its default."""

    interface: str | None = None
    channel: str | int | None = None
    bitrate: int | None = None
    fd: bool | None = None
    extra: Mapping[str, Any] = field(default_factory=dict)

    def keywords(self) -> dict[str, Any]:
        """Give what was said, as keywords of `can.Bus`."""
        said = {"interface": self.interface, "channel": self.channel, "bitrate": self.bitrate, "fd": self.fd}
        return {**self.extra, **{key: value for key, value in said.items() if value is not None}}


class Adapter:
    """An open adapter.

    listen_only : whether it was asked not to acknowledge frames, and took it
    words : that in a sentence, with what can be done where it was not
    name : the bus as it is called in the file
    has_error_classes : whether its error frames carry the classes of linux/can/error.h
    """

    def __init__(self, bus: can.BusABC, *, name: str, listen_only: bool, words: str, has_error_classes: bool) -> None:
        self._bus = bus
        self._fault: Exception | None = None
        self.name = name
        self.listen_only = listen_only
        self.words = words
        self.has_error_classes = has_error_classes

    def receive(self, timeout_s: float) -> list[can.Message]:
        """Wait up to `timeout_s` for a message, and give all that are queued (2000 at most), in order.

        Raises `CaptureError` if the adapter fails; what came before is given first.
        """
        if self._fault is not None:
            raise CaptureError(_said(self._fault), advice="plug the adapter in again, or bring its link up")
        received: list[can.Message] = []
        receive = self._bus.recv
        try:
            message = receive(timeout_s)
            while message is not None:
                received.append(message)
                if len(received) >= _MOST_AT_ONCE:
                    break
                message = receive(0)
        except Exception as fault:  # noqa: BLE001  whatever it is, it comes from a driver
            self._fault = fault
            return received or self.receive(0)
        return received

    @property
    def state(self) -> State:
        """What the controller says of itself, where the driver can tell."""
        try:
            return _STATES.get(self._bus.state, "unknown")
        except Exception:  # noqa: BLE001  a driver that cannot tell
            return "unknown"

    def close(self) -> None:
        """Let the adapter go; one that is gone cannot fail any more."""
        with contextlib.suppress(Exception):
            self._bus.shutdown()


def open_adapter(options: AdapterOptions) -> Adapter:
    """Open an adapter, and ask it for listen-only mode where it has one.

    An option of the user's, or of a configuration file, that says otherwise is left as it is, and told. Raises
    `CaptureError` if there is no such adapter or it cannot be opened.
    """
    keywords = options.keywords()
    try:
        wanted = dict(can.util.load_config(config=dict(keywords)))
    except Exception as fault:
        unnamed = "interface" not in keywords and "None" in str(fault)
        raise CaptureError(
            "no interface is named, here or in a configuration file" if unnamed else _said(fault),
            expected="an interface of python-can: " + ", ".join(sorted(can.VALID_INTERFACES)),
            advice="name interface and channel, or put them into python-can's configuration file",
        ) from fault
    interface = str(wanted["interface"])
    listen_only, words, asked = _listening(interface, wanted)
    try:
        bus = can.Bus(**{"receive_own_messages": False, **keywords, **asked})
    except Exception as fault:
        raise CaptureError(
            f"{printable(interface)} {printable(str(wanted.get('channel') or ''))}: {_said(fault)}",
            advice="see that the adapter is plugged in, its driver installed and its channel named as python-can does",
        ) from fault
    channel = wanted.get("channel")
    return Adapter(
        bus,
        name=bus_name_of(interface if channel is None else channel),
        listen_only=listen_only,
        words=words,
        has_error_classes=interface in KERNEL_ERRORS,
    )


def _listening(interface: str, wanted: Mapping[str, Any]) -> tuple[bool, str, dict[str, Any]]:
    """Tell whether the adapter is asked to listen only, what to say of it, and the keywords that ask."""
    mode = LISTEN_MODES.get(interface)
    if mode is None:
        return False, _not_asked(interface), {}
    if wanted.get(mode.keyword, mode.value) != mode.value:
        said = printable(f"{mode.keyword}={wanted[mode.keyword]}", _MOST_QUOTED)
        return False, f"not listen-only, because an option says {said}: the adapter acknowledges frames", {}
    words = "listen-only: the adapter was asked not to acknowledge frames, and took it"
    return True, words, {mode.keyword: mode.value}


def _not_asked(interface: str) -> str:
    if interface in WITHOUT_A_WIRE:
        return "no listen-only mode, and no wire on which frames are acknowledged; nothing is sent"
    outside = OUTSIDE.get(interface, "set it outside, by the means of the adapter's maker")
    return (
        f"not listen-only: python-can's {printable(interface)} takes no such option, so it was not asked; nothing "
        f"is sent, but like every receiving node it acknowledges frames. Where it may not: {outside}"
    )


def _said(fault: Exception) -> str:
    """Give the driver's message as one line, or the name of the error."""
    return printable(" ".join(str(fault).split()) or type(fault).__name__, _MOST_QUOTED)
