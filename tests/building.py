"""Small captures and maps made by hand."""

import numpy as np

from decoder.account import Account
from decoder.frames import EXTENDED, Frames
from decoder.maps.signal_map import Message, SignalMap


def capture(rows, bus_names=("can0",)):
    """Frames from rows of (time_s, identifier, payload[, bus[, flags]]); identifiers above 7FF are extended."""
    width = 64 if any(len(row[2]) > 8 for row in rows) else 8
    data = np.zeros((len(rows), width), np.uint8)
    for index, row in enumerate(rows):
        data[index, : len(row[2])] = list(row[2])
    ids = [row[1] for row in rows]
    given = [row[4] if len(row) > 4 else 0 for row in rows]
    return Frames(
        time_ns=np.array([round(row[0] * 1e9) for row in rows], np.int64),
        bus=np.array([row[3] if len(row) > 3 else 0 for row in rows], np.uint8),
        can_id=np.array(ids, np.uint32),
        flags=np.array([f | (EXTENDED if i > 0x7FF else 0) for i, f in zip(ids, given, strict=True)], np.uint16),
        length=np.array([len(row[2]) for row in rows], np.uint8),
        data=data,
        line=np.arange(1, len(rows) + 1, dtype=np.uint32),
        source=np.zeros(len(rows), np.uint8),
        bus_names=bus_names,
        account=Account(lines=len(rows), frames=len(rows)),
    )


def one_message(signals, can_id=0x123, length=8, **more):
    """A map of one message."""
    message = Message(
        name=more.pop("name", "Msg"),
        can_id=can_id,
        extended=can_id > 0x7FF,
        length=length,
        signals=tuple(signals),
        **more,
    )
    return SignalMap(messages=(message,))
