"""How interfaces of python-can are asked to listen only, and what their error frames mean.

A node that listens only does not acknowledge frames (ISO 11898-1: bus monitoring mode). Rows are read from the code of
python-can 4.6.1, `can/interfaces/`; the file stands beside each. An interface without a row takes no such option.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import can

if TYPE_CHECKING:
    from collections.abc import Mapping


@dataclass(frozen=True, slots=True)
class ListenMode:
    """The keyword of an interface's class and its value that means 'listen only'; where that was read."""

    keyword: str
    value: Any
    source: str


LISTEN_MODES: Final[Mapping[str, ListenMode]] = {
    "cantact": ListenMode("monitor", value=True, source="cantact.py, CantactBus: monitor, 'listen-only'"),
    "kvaser": ListenMode("driver_mode", value=False, source="kvaser/canlib.py, DRIVER_MODE_SILENT"),
    "nixnet": ListenMode("listen_only", value=True, source="nixnet.py, NiXNETcanBus: can_lstn_only"),
    "pcan": ListenMode("state", can.BusState.PASSIVE, "pcan/pcan.py, PcanBus.state: PCAN_LISTEN_ONLY"),
    "seeedstudio": ListenMode("operation_mode", "silent", "seeedstudio/seeedstudio.py, SeeedBus.OPERATIONMODE"),
    "slcan": ListenMode("listen_only", value=True, source="slcan.py, slcanBus.open: opened by 'L'"),
    "systec": ListenMode("state", can.BusState.PASSIVE, "systec/ucanbus.py, UcanBus: MODE_LISTEN_ONLY"),
    "vector": ListenMode("listen_only", value=True, source="vector/canlib.py, VectorBus: XL_OUTPUT_MODE_SILENT"),
}

# Interfaces without such an option, and how it can be had all the same.
OUTSIDE: Final[Mapping[str, str]] = {
    "socketcan": "the administrator sets the link to listen-only before it is brought up "
    "(ip link set CHANNEL type can bitrate BITRATE listen-only on)",  # Linux, networking/can.rst
    "socketcand": "the link at the serving computer is set to listen-only by its administrator",
}

# No wire and so no acknowledging: can/interfaces/virtual.py, can/interfaces/udp_multicast/.
WITHOUT_A_WIRE: Final = frozenset({"virtual", "udp_multicast"})

# Error frames whose identifier and payload are those of linux/can/error.h: can/interfaces/socketcan/socketcan.py passes
# on what the kernel gives. Over a bus without a wire they are what another program put there.
KERNEL_ERRORS: Final = frozenset({"socketcan"}) | WITHOUT_A_WIRE
