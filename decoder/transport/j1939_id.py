"""What a 29-bit identifier says under SAE J1939.

    bits    28-26     25   24   23-16        15-8           7-0
    field   priority  EDP  DP   PDU format   PDU specific   source address

PDU1 (format below 240): the specific byte is the destination and no part of the parameter group number, whose low byte
is 00. PDU2: it is the group extension, part of the number, and the frame goes to all (255).

Source: SAE J1939-21 clause 5.2, from memory; the same split stands in the Linux kernel's j1939.rst.
Every function takes one identifier or a uint32 column and gives the same kind back.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, NamedTuple, TypeVar

import numpy as np
from numpy.typing import NDArray

Ids = TypeVar("Ids", int, NDArray[np.uint32])
GLOBAL_ADDRESS: Final = 255  # all; linux/can/j1939.h
_FIRST_PDU2_FORMAT: Final = 240
TRANSPORT_FORMATS: Final = (0xEC, 0xEB)


@dataclass(frozen=True, slots=True)
class J1939Id:
    """One identifier: priority 0..7, parameter group number (18 bits), destination and source address."""

    priority: int
    pgn: int
    destination: int
    source: int

    @classmethod
    def of(cls, can_id: int) -> J1939Id:
        """Split one 29-bit identifier."""
        return cls(priority(can_id), pgn(can_id), destination(can_id), source(can_id))


class Parts(NamedTuple):
    """Many identifiers, split, as columns: uint8, uint32, uint8, uint8."""

    priority: NDArray[np.uint8]
    pgn: NDArray[np.uint32]
    destination: NDArray[np.uint8]
    source: NDArray[np.uint8]


def parts(can_id: NDArray[np.uint32]) -> Parts:
    """Split a column of 29-bit identifiers."""
    return Parts(
        priority(can_id).astype(np.uint8),
        pgn(can_id),
        destination(can_id).astype(np.uint8),
        source(can_id).astype(np.uint8),
    )


def priority(can_id: Ids) -> Ids:
    """Give the priority, 0 (first) to 7 (last)."""
    return _bits(can_id, 26, 0x7)


def pgn(can_id: Ids) -> Ids:
    """Give the parameter group number, 18 bits; of PDU1 without the destination."""
    return _bits(can_id, 8, 0x3FFFF) - _bits(can_id, 8, 0xFF) * _to_one(can_id)


def source(can_id: Ids) -> Ids:
    """Give the source address, 0..255."""
    return _bits(can_id, 0, 0xFF)


def destination(can_id: Ids) -> Ids:
    """Give the destination address, 0..255; 255 for PDU2, which goes to all."""
    return _bits(can_id, 8, 0xFF) * _to_one(can_id) + GLOBAL_ADDRESS * (1 - _to_one(can_id))


def is_transport(can_id: Ids) -> Ids:
    """Give 1 for what carries a long parameter group: connection management EC, data EB (J1939-21, 5.10); else 0."""
    pdu_format = _bits(can_id, 16, 0xFF)
    if isinstance(pdu_format, np.ndarray):
        return np.isin(pdu_format, TRANSPORT_FORMATS).astype(np.uint32)
    return int(pdu_format in TRANSPORT_FORMATS)


def _to_one(can_id: Ids) -> Ids:
    """Give 1 for PDU1, 0 for PDU2."""
    pdu_format = _bits(can_id, 16, 0xFF)
    if isinstance(pdu_format, np.ndarray):
        return (pdu_format < _FIRST_PDU2_FORMAT).astype(np.uint32)
    return int(pdu_format < _FIRST_PDU2_FORMAT)


def _bits(can_id: Ids, low: int, mask: int) -> Ids:
    """Give the bits of `mask` from bit `low` on."""
    if isinstance(can_id, np.ndarray):
        return (can_id >> np.uint32(low)) & np.uint32(mask)
    return (can_id >> low) & mask
