"""Frames of CANopen, named by their 11-bit identifiers, on buses that show it.

    000  NMT     080 + n  EMCY         180, 280, 380, 480 + n  TPDO1 to TPDO4     580 + n  SDO answer
    080  SYNC    700 + n  heartbeat    200, 300, 400, 500 + n  RPDO1 to RPDO4     600 + n  SDO request
    100  TIME

n is the node, 1 to 127. Source: CiA 301, predefined connection set, seen in the tables of three device manuals; NMT
commands and heartbeat states as in the documentation of open CANopen stacks; the layouts of NMT, EMCY, TIME and SDO are
from memory.

Any bus may use these identifiers for something else, so nothing is named without evidence: a node counts where 700 + n
came at least twice, always with one byte, always with one of the four states (bit 7 is the toggle of the older node
guarding and is left out). A bus without such a node has no CANopen objects; PDO, SDO and EMCY are named only for such
nodes, and every object of fixed length only where all its frames have that length.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from numpy.typing import NDArray

    from decoder.frames import Frames

    Bytes = NDArray[np.uint8]

_HEARTBEAT, _NODE_BITS = 0x700, 0x7F
_STATES: Final = {0x00: "boot-up", 0x04: "stopped", 0x05: "operational", 0x7F: "pre-operational"}
_TOGGLE: Final = 0x80
_COMMANDS: Final = {
    0x01: "start",
    0x02: "stop",
    0x80: "enter pre-operational",
    0x81: "reset node",
    0x82: "reset communication",
}
_REGISTER: Final = {
    0: "generic",
    1: "current",
    2: "voltage",
    3: "temperature",
    4: "communication",
    5: "device profile",
    6: "reserved bit",
    7: "maker's own",
}
# The upper three bits of an SDO's first byte say what it is; what is not listed moves a part of a longer object.
_SDO_REQUESTS: Final = {1: "writes", 2: "reads", 4: "aborts"}
_SDO_ANSWERS: Final = {2: "reads", 3: "writes", 4: "aborts"}
_SDO_BYTES: Final = 8
_SDO_OF_KNOWN_SIZE: Final = {
    0x23: ("write", 4),
    0x27: ("write", 3),
    0x2B: ("write", 2),
    0x2F: ("write", 1),
    0x43: ("read answer", 4),
    0x47: ("read answer", 3),
    0x4B: ("read answer", 2),
    0x4F: ("read answer", 1),
}
_READ_REQUEST, _WRITE_DONE, _SDO_ABORT = 0x40, 0x60, 0x80


@dataclass(frozen=True, slots=True)
class CanopenObject:
    """One identifier that carries a CANopen object.

    bus : name
    node : 1 to 127, ``None`` for NMT, SYNC and TIME, which belong to no node
    kind : "NMT", "SYNC", "EMCY", "TIME", "TPDO1" to "RPDO4", "SDO answer", "SDO request", "heartbeat"
    frames : how many data frames
    detail : what they say, with counts; empty for SYNC, TIME and PDO
    """

    bus: str
    can_id: int
    node: int | None
    kind: str
    frames: int
    detail: str


def canopen_objects(frames: Frames) -> tuple[CanopenObject, ...]:
    """Name the CANopen objects of every bus that shows a heartbeat, by bus and identifier."""
    first, last = _HEARTBEAT + 1, _HEARTBEAT + _NODE_BITS
    if not ((frames.can_id >= first) & (frames.can_id <= last)).any():
        return ()
    streams = {key: rows for key, rows in sorted(frames.rows_of.items()) if not key.extended}
    nodes = {
        (key.bus, key.can_id - _HEARTBEAT)
        for key, rows in streams.items()
        if first <= key.can_id <= last and _is_heartbeat(frames.length[rows], frames.data[rows, 0])
    }
    buses = {bus for bus, _ in nodes}
    found = []
    for (bus, can_id, _), rows in streams.items():
        layout = _layout(can_id)
        if bus not in buses or layout is None:
            continue
        node = can_id & _NODE_BITS or None
        fits = layout.lengths is None or bool(np.isin(frames.length[rows], layout.lengths).all())
        if fits and (node is None or (bus, node) in nodes):
            detail = layout.detail(frames.data[rows])
            found.append(CanopenObject(frames.bus_names[bus], can_id, node, layout.kind, len(rows), detail))
    return tuple(found)


def _is_heartbeat(length: Bytes, state: Bytes) -> bool:
    known = np.isin(state & ~np.uint8(_TOGGLE), list(_STATES))
    return len(length) > 1 and bool((length == 1).all() and known.all())


# What each object is called, says, and how long it may be.


class _Layout(NamedTuple):
    kind: str
    detail: Callable[[Bytes], str]
    lengths: tuple[int, ...] | None = None


def _nothing(_: Bytes) -> str:
    return ""


def _heartbeat_detail(data: Bytes) -> str:
    return _counted(data[:, 0] & ~np.uint8(_TOGGLE), heartbeat_word)


def _nmt_detail(data: Bytes) -> str:
    both = data[:, 0].astype(np.uint16) << 8 | data[:, 1]
    return _counted(both, lambda number: nmt_words(number.to_bytes(2, "big")))


def _emergency_detail(data: Bytes) -> str:
    return _counted(data[:, 0] | data[:, 1].astype(np.uint16) << 8, lambda code: f"{code:04X}h")


def _request_detail(data: Bytes) -> str:
    return _counted(data[:, 0] >> 5, lambda command: _SDO_REQUESTS.get(command, "parts"))


def _answer_detail(data: Bytes) -> str:
    return _counted(data[:, 0] >> 5, lambda command: _SDO_ANSWERS.get(command, "parts"))


def _counted(values: NDArray[np.integer[Any]], word: Callable[[int], str]) -> str:
    """Give each word with its count, the most frequent first."""
    counts: dict[str, int] = {}
    numbers, times = np.unique(values, return_counts=True)
    for number, count in zip(numbers.tolist(), times.tolist(), strict=True):
        counts[word(number)] = counts.get(word(number), 0) + count
    return ", ".join(f"{name} {count}" for name, count in sorted(counts.items(), key=lambda item: -item[1]))


_ALONE: Final = {
    0x000: _Layout("NMT", _nmt_detail, (2,)),
    0x080: _Layout("SYNC", _nothing, (0, 1)),
    0x100: _Layout("TIME", _nothing, (6,)),
}
_OF_NODE: Final = {
    0x080: _Layout("EMCY", _emergency_detail, (8,)),
    **{0x080 + 0x100 * n: _Layout(f"TPDO{n}", _nothing) for n in range(1, 5)},
    **{0x100 + 0x100 * n: _Layout(f"RPDO{n}", _nothing) for n in range(1, 5)},
    0x580: _Layout("SDO answer", _answer_detail, (_SDO_BYTES,)),
    0x600: _Layout("SDO request", _request_detail, (_SDO_BYTES,)),
    _HEARTBEAT: _Layout("heartbeat", _heartbeat_detail, (1,)),
}


def _layout(can_id: int) -> _Layout | None:
    objects = _OF_NODE if can_id & _NODE_BITS else _ALONE
    return objects.get(can_id & ~_NODE_BITS)


# One payload in words.


def heartbeat_word(state: int) -> str:
    """Give the word for a state byte, without its toggle bit."""
    return _STATES.get(state & ~_TOGGLE, f"unknown state {state:02X}h")


def nmt_words(payload: bytes) -> str:
    """Say what an NMT frame (command, node; node 0 is all) asks for."""
    if len(payload) != 2:
        return _wrong_length("NMT", payload, 2)
    command, node = payload
    return f"{_COMMANDS.get(command, f'unknown command {command:02X}h')} ({f'node {node}' if node else 'all nodes'})"


def emergency_words(payload: bytes) -> str:
    """Say what an EMCY frame (code, error register, five bytes of the maker's own) reports."""
    if len(payload) != 8:
        return _wrong_length("EMCY", payload, 8)
    code, register = int.from_bytes(payload[:2], "little"), payload[2]
    bits = _listed(name for bit, name in _REGISTER.items() if register >> bit & 1)
    own = f", maker's bytes {payload[3:].hex(' ').upper()}" if any(payload[3:]) else ""
    return f"{f'error {code:04X}h' if code else 'no error any more'}, register: {bits}{own}"


def sdo_words(payload: bytes) -> str:
    """Say what an SDO frame of either direction does, and with which object (index:sub-index, hex)."""
    if len(payload) != _SDO_BYTES:
        return _wrong_length("SDO", payload, _SDO_BYTES)
    command, subject = payload[0], f"{int.from_bytes(payload[1:3], 'little'):04X}:{payload[3]:02X}"
    if command in _SDO_OF_KNOWN_SIZE:
        word, size = _SDO_OF_KNOWN_SIZE[command]
        return f"{word} {subject} = {payload[4 : 4 + size].hex(' ').upper()}"
    if command == _READ_REQUEST:
        return f"read request {subject}"
    if command == _WRITE_DONE:
        return f"write done {subject}"
    if command == _SDO_ABORT:
        return f"abort {subject}, code {int.from_bytes(payload[4:], 'little'):08X}h"
    return f"other SDO, command {command:02X}h"


def _listed(words: Iterable[str]) -> str:
    return ", ".join(words) or "none"


def _wrong_length(kind: str, payload: bytes, expected: int) -> str:
    return f"no {kind}: length {len(payload)} instead of {expected}"
