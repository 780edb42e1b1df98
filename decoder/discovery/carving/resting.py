"""Bits that never change, beside the fields that do: text, and constants."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.bits import MAX_FIELD_BITS, Field, Payloads
from decoder.discovery.proposal import Proposal

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from decoder.discovery.proposal import Selector

_SHORTEST_TEXT: Final = 4  # bytes
_FILLINGS: Final = frozenset({0x55})  # 'U': the usual stuffing of unused bytes; common practice, no source
_LETTER_SHARE: Final = 0.75  # of a text's bytes that are letters, digits, blanks or dashes
_TEXT_CONFIDENCE: Final = 0.6
_CONSTANT_CONFIDENCE: Final = 0.1  # that a run of resting bits is one field: where it ends cannot be seen


def resting_fields(data: NDArray[np.uint8], open_: NDArray[np.bool_], selector: Selector | None) -> Iterator[Proposal]:
    """Propose text and constants among the bits that are `open_` (bool, by bit number): of no field, never changing."""
    if not len(data):
        return
    payload = data[0].tobytes()
    whole = np.asarray(open_.reshape(-1, 8).all(axis=1))
    text = np.zeros(len(whole), np.bool_)
    for begin, end in _runs(whole & np.array([_is_letter(byte) for byte in payload], np.bool_)):
        part = payload[begin:end]
        if _is_text(part):
            text[begin:end] = True
            for field in _byte_fields(begin, end):
                words = payload[field.first_byte : field.last_byte + 1].decode("ascii")
                yield Proposal(field, "text", _TEXT_CONFIDENCE, selector, {"text": words, "changes": 0})
    yield from _constants(data, open_ & ~np.repeat(text, 8), selector)


def _constants(data: NDArray[np.uint8], open_: NDArray[np.bool_], selector: Selector | None) -> Iterator[Proposal]:
    """Propose runs of whole bytes, and what is left of bytes that have fields as well."""
    payloads = Payloads(data[:1])
    whole = np.asarray(open_.reshape(-1, 8).all(axis=1))
    for begin, end in _runs(whole):
        for field in _byte_fields(begin, end):
            yield _constant(payloads, field, selector)
    for byte in np.flatnonzero(~whole).tolist():
        for low, high in _runs(open_[8 * byte : 8 * byte + 8]):
            yield _constant(payloads, Field(8 * byte + low, high - low), selector)


def _constant(payloads: Payloads, field: Field, selector: Selector | None) -> Proposal:
    value = int(payloads.field(field)[0])
    return Proposal(field, "constant", _CONSTANT_CONFIDENCE, selector, {"value": value, "changes": 0})


def _byte_fields(begin: int, end: int) -> Iterator[Field]:
    """Give fields that take whole bytes, from one up to before another, as long as fields may be."""
    most = MAX_FIELD_BITS // 8
    for first in range(begin, end, most):
        yield Field(8 * first + 7, 8 * (min(first + most, end) - first), "big")


def _runs(mask: NDArray[np.bool_]) -> Iterator[tuple[int, int]]:
    """Give the runs of true values: from, up to before."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], mask, [False])).astype(np.int8)))
    yield from zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True)


def _is_letter(byte: int) -> bool:
    return 0x20 <= byte < 0x7F


def _is_text(part: bytes) -> bool:
    """Tell whether printable bytes look like a text: long enough, mostly letters and digits, not all alike."""
    usual = sum(chr(byte).isalnum() or chr(byte) in " -._/" for byte in part)
    return (
        len(part) >= _SHORTEST_TEXT and usual >= _LETTER_SHARE * len(part) and len(set(part) - _FILLINGS - {0x20}) > 1
    )
