"""How many bits frames take on the wire, and what part of the bus's time that is.

A classic frame with s payload bytes has g + 8 s + 13 bits. The first g are subject to stuffing, 34 with an 11-bit and
54 with a 29-bit identifier; the 13 are not: end of the CRC, acknowledgement, end of frame, interframe space. At most
floor((g + 8 s - 1) / 4) stuff bits come on top (Davis, Burns, Bril, Lukkien: Controller Area Network (CAN)
schedulability analysis: Refuted, revisited and revised, Real-Time Systems 35, 2007; from memory). How many there are
depends on the bits, so the load is given with none and with all of them. CAN FD frames, whose payload has a bit rate of
its own, are counted apart and left out.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.frames import ERROR, EXTENDED, FD, REMOTE

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from decoder.frames import Frames

USUAL_BIT_RATE: Final = 500_000
_STUFFED: Final = 34
_STUFFED_EXTENDED: Final = 54
_UNSTUFFED: Final = 13


@dataclass(frozen=True, slots=True)
class BusLoad:
    """The load of one bus over the capture in percent, without and with all possible stuff bits.

    `fd_frames` and `error_frames` are not in it.
    """

    bus: str
    bit_rate: int
    frames: int
    fd_frames: int
    error_frames: int
    least_percent: float
    most_percent: float


def frame_bits(frames: Frames) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Give for each frame its bits without stuff bits, and the most stuff bits that it can have (int64)."""
    payload = np.where(frames.flags & REMOTE, 0, frames.length).astype(np.int64) * 8
    stuffed = np.where(frames.flags & EXTENDED, _STUFFED_EXTENDED, _STUFFED) + payload
    return stuffed + _UNSTUFFED, (stuffed - 1) // 4


def bus_loads(frames: Frames, bit_rate: int = USUAL_BIT_RATE) -> tuple[BusLoad, ...]:
    """Give the load of each bus; 0 where the capture has no length. Raises `ValueError` for a bit rate below 1."""
    if bit_rate < 1:
        raise ValueError(f"a bit rate is 1 bit/s or more, not {bit_rate}")
    seconds = float(np.ptp(frames.time_ns)) / 1e9 if len(frames) else 0.0
    plain, stuffing = frame_bits(frames)
    kinds = [(frames.flags & flag) != 0 for flag in (FD, ERROR)]
    counted = ~(kinds[0] | kinds[1])
    loads = []
    for number, name in enumerate(frames.bus_names):
        mine = frames.bus == number
        least, most = (int(bits[mine & counted].sum()) for bits in (plain, plain + stuffing))
        per_bit = 100 / (seconds * bit_rate) if seconds else 0.0
        loads.append(
            BusLoad(
                bus=name,
                bit_rate=bit_rate,
                frames=int(np.count_nonzero(mine)),
                fd_frames=int(np.count_nonzero(mine & kinds[0])),
                error_frames=int(np.count_nonzero(mine & kinds[1])),
                least_percent=least * per_bit,
                most_percent=most * per_bit,
            )
        )
    return tuple(loads)
