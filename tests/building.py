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


def cut_up(payload, fill=0xCC, size=8, address=None):
    """The frames of ISO 15765-2 that carry a payload, without flow control."""
    lead = b"" if address is None else bytes([address])
    room = size - len(lead)
    if len(payload) < room:
        return [(lead + bytes([len(payload)]) + payload).ljust(size, bytes([fill]))]
    head = bytes([0x10 | len(payload) >> 8, len(payload) & 0xFF])
    frames = [lead + head + payload[: room - 2]]
    rest = payload[room - 2 :]
    for number, at in enumerate(range(0, len(rest), room - 1), start=1):
        frames.append((lead + bytes([0x20 | number % 16]) + rest[at : at + room - 1]).ljust(size, bytes([fill])))
    return frames


def conversation(talk, asker=0x6E2, answerer=0x6EA, bus=0):
    """Rows for `capture`: of (time_s, question, answer) the frames, 2 ms apart, with the asker's flow control."""
    rows = []
    for time_s, question, answer in talk:
        frames = [(asker, frame) for frame in cut_up(question)] if question is not None else []
        if answer is not None:
            of_answer = [(answerer, frame) for frame in cut_up(answer)]
            flow = [(asker, b"\x30\x00\x00".ljust(8, b"\xcc"))] if len(of_answer) > 1 and question is not None else []
            frames += of_answer[:1] + flow + of_answer[1:]
        rows += [(time_s + 0.002 * at, can_id, data, bus) for at, (can_id, data) in enumerate(frames)]
    return rows
