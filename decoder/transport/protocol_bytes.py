"""Protocol bytes of ISO 15765-2: what the first bytes of a frame say, for whole columns of frames.

The high nibble of the first protocol byte is the type (ISO 15765-2, clause 9.6, from memory; values seen in two
independent implementations). With extended or mixed addressing an address byte stands before it.

    single       0L          L = 1..7 payload bytes (6 behind an address byte), all of them in this frame
                 00 LL       in frames of more than 8 bytes (CAN FD)
    first        1L LL       12 bits: length of the whole payload; 8 bytes or more (7 behind an address byte)
                 10 00 LL LL LL LL    32 bits, for more than 4095 bytes
    consecutive  2N          N = 1, 2, ... 15, 0, 1, ...
    flow control 3S BB TT    S = 0 go on, 1 wait, 2 overflow; frames until the next one (0: all); least distance
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.frames import CLASSIC_BYTES, FD_SIZES

if TYPE_CHECKING:
    from typing import Any

    from numpy.typing import NDArray


class Role(IntEnum):
    """What a frame is in the protocol."""

    NONE = 0
    SINGLE = 1
    FIRST = 2
    CONSECUTIVE = 3
    FLOW = 4


GO_ON: Final = 0
OVERFLOW: Final = 2
_SHORT_LENGTH: Final = 0xFFF


@dataclass(frozen=True, slots=True, eq=False)
class ProtocolBytes:
    """Columns, one row a frame.

    role : uint8, see `Role`; NONE where the bytes are none of the protocol
    said : int64, payload bytes of the whole transfer, as single and first frames say; else 0
    number : uint8, of a consecutive frame its sequence number, of flow control its status
    begin : uint8, where the payload begins in the frame
    room : int64, payload bytes that the frame carries (padding included)
    """

    role: NDArray[np.uint8]
    said: NDArray[np.int64]
    number: NDArray[np.uint8]
    begin: NDArray[np.uint8]
    room: NDArray[np.int64]


def _least_lengths() -> NDArray[np.uint8]:
    """Give for each first protocol byte how many bytes a frame must have at least; 255 where it is no such byte."""
    least = np.full(256, 255, np.uint8)
    least[0x00] = CLASSIC_BYTES + 1
    for length in range(1, CLASSIC_BYTES):
        least[length] = 1 + length
    least[0x10:0x20] = CLASSIC_BYTES
    least[0x20:0x30] = 2
    least[0x30:0x33] = 3
    return least


_LEAST: Final = _least_lengths()
# First frames, and frames of more than 8 bytes, are as long with an address byte as without.
_LEAST_BEHIND_ADDRESS: Final = np.where(
    (_LEAST < CLASSIC_BYTES) | (_LEAST == CLASSIC_BYTES) & (np.arange(256) < 0x10), _LEAST + 1, _LEAST
).astype(np.uint8)


def plausible(data: NDArray[np.uint8], length: NDArray[np.uint8], address_bytes: int) -> NDArray[np.bool_]:
    """Tell which frames could be of the protocol, by first byte and length alone: a quick look at many frames."""
    least = _LEAST_BEHIND_ADDRESS if address_bytes else _LEAST
    fits: NDArray[np.bool_] = length >= np.take(least, data[:, address_bytes])
    return fits


def protocol_bytes(
    data: NDArray[np.uint8], length: NDArray[np.uint8], address_bytes: NDArray[np.uint8]
) -> ProtocolBytes:
    """Read the protocol bytes of frames.

    data : n x 8 or n x 64; length : bytes of each frame; address_bytes : 0, or 1 with extended addressing
    """
    rows = np.arange(len(data))
    size = length.astype(np.int64)
    at = address_bytes.astype(np.intp)
    width = data.shape[1]

    def byte(offset: int) -> NDArray[np.int64]:
        column: NDArray[np.int64] = data[rows, np.minimum(at + offset, width - 1)].astype(np.int64)
        return column

    first, second = byte(0), byte(1)
    low = first & 0x0F
    kind = np.where(size > at, first >> 4, 0xF)
    long_frame = size > CLASSIC_BYTES
    single = _single(kind, low, second, size, at)
    said_short = low << 8 | second
    said_long = byte(2) << 24 | byte(3) << 16 | byte(4) << 8 | byte(5)
    escaped = said_short == 0
    said_first = np.where(escaped, said_long, said_short)
    least = np.where(long_frame, size - 1 - at, CLASSIC_BYTES - at)
    full = (size == CLASSIC_BYTES) | (long_frame & np.isin(size, FD_SIZES))
    first_frame = (kind == 1) & full & (said_first >= least) & (~escaped | (said_first > _SHORT_LENGTH))
    consecutive = (kind == 2) & (size > at + 1)
    flow = (kind == 3) & (low <= OVERFLOW) & (size >= at + 3)
    role = np.select(
        [single > 0, first_frame, consecutive, flow],
        [Role.SINGLE, Role.FIRST, Role.CONSECUTIVE, Role.FLOW],
        Role.NONE,
    ).astype(np.uint8)
    begin = at + np.select([role == Role.SINGLE, role == Role.FIRST], [1 + (long_frame * 1), 2 + 4 * escaped], 1)
    said = np.select([role == Role.SINGLE, role == Role.FIRST], [single, said_first], 0)
    return ProtocolBytes(
        role=role,
        said=said.astype(np.int64),
        number=low.astype(np.uint8),
        begin=begin.astype(np.uint8),
        room=size - begin,
    )


def _single(
    kind: NDArray[Any], low: NDArray[Any], second: NDArray[Any], size: NDArray[Any], at: NDArray[Any]
) -> NDArray[np.int64]:
    """Give the payload bytes of single frames, 0 for all that are none."""
    short = (kind == 0) & (low >= 1) & (size <= CLASSIC_BYTES) & (size >= at + 1 + low)
    # Some senders fill every frame up to a size of CAN FD, so a short payload can stand behind the escape too.
    escaped = (kind == 0) & (low == 0) & (size > CLASSIC_BYTES) & (second >= 1) & (size >= at + 2 + second)
    return np.where(short, low, np.where(escaped, second, 0)).astype(np.int64)
