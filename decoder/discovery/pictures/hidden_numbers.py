"""Payloads that hold a vehicle identification number: which bytes, and proposals that do not tell it."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.discovery.pictures.proposal_words import HIDDEN
from decoder.transport.meaning import answer_hex, group_hex, request_hex
from decoder.transport.services import SERVICES

if TYPE_CHECKING:
    from decoder.discovery.proposal import Carving, Proposal, Stream

_ANSWER_BIT: Final = 0x40  # ISO 14229-1: the first byte of a positive answer is that of the request plus 40
_STARS: Final = "**"
# What of `detail` says nothing about the value.
_HARMLESS: Final = frozenset({"certain", "likely", "changes"})


def hidden_bytes(stream: Stream) -> frozenset[int]:
    """Give the payload bytes that hold, in any message, a vehicle identification number."""
    if stream.carrier is None or not len(stream.data):
        return frozenset()
    written = (_hex(stream, payload.tobytes()).split() for payload in np.unique(stream.data, axis=0))
    return frozenset(at for digits in written for at, byte in enumerate(digits) if byte == _STARS)


def _hex(stream: Stream, payload: bytes) -> str:
    if not payload:
        return ""
    if stream.carrier is not None and stream.carrier.pgn is not None:
        return group_hex(stream.carrier.pgn, payload)
    return answer_hex(_request_for(payload), payload) if payload[0] & _ANSWER_BIT else request_hex(payload)


def _request_for(answer: bytes) -> bytes:
    """Give the request that asks for what the answer begins with, so that only what it names is taken for a number."""
    service = answer[0] ^ _ANSWER_BIT
    row = SERVICES.get(service)
    return bytes([service]) + answer[1 : 1 + (row.identifier_bytes if row is not None else 0)]


def without_numbers(carving: Carving, hidden: frozenset[int]) -> Carving:
    """Give a carving whose proposals do not tell what stands in the `hidden` bytes."""
    return replace(carving, proposals=tuple(_without_number(one, hidden) for one in carving.proposals))


def _without_number(proposal: Proposal, hidden: frozenset[int]) -> Proposal:
    if hidden.isdisjoint(range(proposal.field.first_byte, proposal.field.last_byte + 1)):
        return proposal
    kept = {key: value for key, value in proposal.detail.items() if key in _HARMLESS}
    return replace(proposal, detail={**kept, HIDDEN: True})
