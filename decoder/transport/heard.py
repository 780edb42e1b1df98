"""What else is on the wire, in words: objects of CANopen, long parameter groups of SAE J1939."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

from decoder.printable import printable
from decoder.transport.canopen import canopen_objects
from decoder.transport.j1939 import j1939_transfers
from decoder.transport.transfers import Fault

if TYPE_CHECKING:
    from collections.abc import Iterator

    from decoder.frames import Frames


def heard_lines(frames: Frames) -> tuple[tuple[str, str], ...]:
    """Give lines as (protocol, what was heard); none where neither protocol is there."""
    return (*_canopen(frames), *_parameter_groups(frames))


def _canopen(frames: Frames) -> Iterator[tuple[str, str]]:
    for one in canopen_objects(frames):
        node = "" if one.node is None else f" of node {one.node}"
        detail = f": {printable(one.detail, 120)}" if one.detail else ""
        yield (
            "CANopen",
            f"{one.can_id:03X} on {printable(one.bus, 20)}: {one.kind}{node}, {one.frames:,} frames{detail}",
        )


def _parameter_groups(frames: Frames) -> Iterator[tuple[str, str]]:
    transfers = j1939_transfers(frames)
    counts: dict[tuple[int, int | None, int | None], Counter[str]] = {}
    for number, fault in zip(transfers.path.tolist(), transfers.fault.tolist(), strict=True):
        path = transfers.paths[number]
        counter = counts.setdefault((path.key.bus, path.pgn, path.address), Counter())
        counter["whole" if fault == Fault.NONE else Fault(fault).word] += 1
    for (bus, pgn, address), counter in sorted(counts.items(), key=lambda item: tuple(n or 0 for n in item[0])):
        group = "a long parameter group without its announcement" if pgn is None else f"parameter group {pgn:05X}"
        source = "" if address is None else f" from address {address:02X}"
        how = ", ".join(f"{count:,} {word}" for word, count in counter.items())
        yield "J1939", f"{group}{source} on {printable(frames.bus_names[bus], 20)}, in packets: {how}"
