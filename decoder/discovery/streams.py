"""What can be carved in a capture: payloads of each identifier, and reassembled messages, as columns."""

from __future__ import annotations

from itertools import groupby
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.discovery.proposal import Carrier, Stream
from decoder.transport.iso_tp import conversations
from decoder.transport.j1939 import j1939_transfers
from decoder.transport.j1939_id import is_transport
from decoder.transport.services import NEGATIVE, echo_of_answer

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from decoder.frames import Frames, Key
    from decoder.transport.transfers import Transfers

# The length that most payloads have is carved, unless nearly all others are longer: see `_usual_length`.
_NEARLY_ALL: Final = 0.9


def streams(frames: Frames, transfers: Transfers | None = None) -> list[Stream]:
    """Give the streams of a capture, by bus and identifier; frames of a transport only as whole messages.

    transfers : those of ISO 15765-2, where they are known already
    """
    if not len(frames):
        return []
    transfers = conversations(frames).transfers if transfers is None else transfers
    carrying = {path.key for path in transfers.paths}
    found = [
        _of_frames(frames, key, rows)
        for key, rows in frames.rows_of.items()
        if key not in carrying and not (key.extended and is_transport(key.can_id))
    ]
    found += _of_transfers(frames, transfers)
    found += _of_transfers(frames, j1939_transfers(frames))
    return sorted((one for one in found if one.data.shape[1]), key=_place)


def _place(one: Stream) -> tuple[str, int, bool, bytes, int]:
    carrier = one.carrier or Carrier("iso-tp")
    return one.bus, one.can_id, one.extended, carrier.prefix, carrier.pgn or 0


def _of_frames(frames: Frames, key: Key, rows: NDArray[np.intp]) -> Stream:
    length = frames.length[rows]
    usual = _usual_length(length)
    rows = rows[length >= usual]
    return Stream(
        bus=frames.bus_names[key.bus],
        can_id=key.can_id,
        extended=key.extended,
        carrier=None,
        time_ns=frames.time_ns[rows],
        data=np.take(frames.data, rows, axis=0)[:, :usual],
        row=rows,
    )


def _usual_length(length: NDArray[np.uint8] | NDArray[np.int64]) -> int:
    """Give the bytes to carve: as many as nine in ten payloads have."""
    return int(np.quantile(length, 1 - _NEARLY_ALL, method="lower"))


def _of_transfers(frames: Frames, transfers: Transfers) -> Iterator[Stream]:
    """Give the whole messages of each sender that begin alike."""
    numbers = np.flatnonzero(transfers.whole & (transfers.received > 0)).tolist()
    known = sorted(((*_alike(transfers, number), number) for number in numbers), key=_without_number)
    for (key, pgn, prefix), members in groupby(known, key=lambda one: one[:3]):
        rows = np.array([one[3] for one in members], np.intp)
        received = transfers.received[rows]
        usual = _usual_length(received)
        rows = rows[received >= usual]
        if usual <= len(prefix):
            continue
        data = transfers.data[transfers.byte_start[rows][:, None] + np.arange(usual)]
        last = transfers.last_row[rows]
        yield Stream(
            bus=frames.bus_names[key.bus],
            can_id=key.can_id,
            extended=key.extended,
            carrier=Carrier("iso-tp" if pgn is None else "j1939-tp", prefix, pgn),
            time_ns=frames.time_ns[last],
            data=data,
            row=last,
        )


def _alike(transfers: Transfers, number: int) -> tuple[Key, int | None, bytes]:
    """Give what messages of one layout have in common: sender, and the first bytes or the parameter group."""
    path = transfers.paths[int(transfers.path[number])]
    if path.kind == "j1939-tp":
        return path.key, path.pgn, b""
    payload = transfers.payload(number)
    if payload[0] == NEGATIVE:
        return path.key, None, payload
    return path.key, None, payload[: 1 + echo_of_answer(payload)]


def _without_number(one: tuple[Key, int | None, bytes, int]) -> tuple[Key, int, bytes]:
    return one[0], -1 if one[1] is None else one[1], one[2]
