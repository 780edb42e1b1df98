"""How people lay frames out: what is expected of a field before its bits are looked at, in bits of surprise.

The numbers were counted in layouts that `tools/layouts` makes (seeds 200 to 299) and rounded towards even shares;
those follow what is seen in captures of real packs. Common practice, no other source.

A frame is laid out in stretches of bytes, each in one style: flags, 2-bit states, bytes, 16-bit words, ... The style
of a byte is not known; it is like that of the byte before, most of the time.
"""

from __future__ import annotations

from functools import cache
from math import log2
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from decoder.bits import ByteOrder

LONGEST_BITS: Final = 32

# Share of changing fields by length in bits; what is not listed shares what is left.
_SHARE_OF_LENGTH: Final = {
    1: 0.18,
    2: 0.22,
    3: 0.02,
    4: 0.07,
    5: 0.004,
    6: 0.006,
    7: 0.006,
    8: 0.19,
    9: 0.006,
    10: 0.022,
    11: 0.014,
    12: 0.075,
    13: 0.025,
    14: 0.015,
    15: 0.002,
    16: 0.14,
    20: 0.003,
    24: 0.006,
    32: 0.005,
}
_SHARE_OF_OTHERS: Final = 0.0003

# Lengths of the fields in one style of layout, the rest being as in general, and the share of bytes in that style.
_STYLES: Final[tuple[tuple[dict[int, float], float], ...]] = (
    ({}, 0.22),
    ({1: 0.85, 2: 0.08}, 0.18),
    ({2: 0.90, 1: 0.05}, 0.18),
    ({4: 0.90}, 0.02),
    ({8: 0.90}, 0.18),
    ({16: 0.90}, 0.10),
    ({12: 0.90}, 0.05),
    ({10: 0.90}, 0.02),
    ({11: 0.90}, 0.01),
    ({13: 0.90}, 0.02),
    ({14: 0.90}, 0.02),
)
STYLES: Final = len(_STYLES)
STYLE_SHARES: Final = np.array([share for _, share in _STYLES]) / sum(share for _, share in _STYLES)
STYLE_CHANGES: Final = 0.25  # from one byte to the next

# Surprise at where the first bit of a field stands in its byte (bit 0 of a little-endian, bit 7 of a big-endian field
# counts as the byte's border): at byte, nibble, other even and odd positions; a row for each sort of length. Fields
# follow one another, so a usual place is no surprise.
_AT_BORDER: Final = {
    "bytes": (0.0, 6.5, 7.5, 8.5),
    "nibbles": (0.0, 0.3, 6.5, 7.5),
    "pair": (0.0, 0.0, 0.0, 6.0),
    "single": (0.5, 0.5, 0.5, 0.5),
    "other": (0.3, 1.3, 3.0, 3.5),
}

_ANOTHER_FIELD: Final = 2.0  # surprise at each field
# Surprise at a number, a state, a counter, as good as noise; by length in bits up to the one given.
_KINDS: Final = (
    (1, (0.0, 9.0, 9.0, 9.0)),
    (2, (5.0, 0.1, 5.0, 9.0)),
    (3, (2.5, 0.6, 2.5, 7.0)),
    (4, (4.0, 2.0, 1.0, 4.0)),
    (7, (0.6, 2.0, 6.0, 6.0)),
    (8, (0.6, 4.0, 4.5, 1.8)),
    (16, (0.1, 8.0, 7.0, 20.0)),
    (LONGEST_BITS, (0.1, 14.0, 4.0, 30.0)),
)
# Surprise at 1, 2 or 3, 4 to 9, and more changes; by length in bits up to the one given. In it, which number it is.
_CHANGES: Final = (
    (4, (1.1, 1.8, 4.6, 9.0)),
    (8, (0.6, 4.0, 5.3, 6.5)),
    (LONGEST_BITS, (2.1, 4.7, 5.3, 6.2)),
)
_CHANGES_UP_TO: Final = (1, 3, 9)


@cache
def kind_surprise() -> NDArray[np.float64]:
    """Give the surprise at each kind of field (number, state, counter, noise) by its length: kinds x lengths."""
    table = np.empty((4, LONGEST_BITS))
    for length in range(1, LONGEST_BITS + 1):
        table[:, length - 1] = next(row for most, row in _KINDS if length <= most)
    table += _ANOTHER_FIELD
    return table


def change_surprise(changes: NDArray[np.int64]) -> NDArray[np.float64]:
    """Give the surprise at how often fields change; the last axis of `changes` runs over their lengths from 1 up."""
    table = np.array([next(row for most, row in _CHANGES if n <= most) for n in range(1, LONGEST_BITS + 1)])
    sort = np.searchsorted(_CHANGES_UP_TO, changes)
    return table[np.arange(changes.shape[-1]), sort]


@cache
def layout_surprise(byte_order: ByteOrder) -> NDArray[np.float64]:
    """Give the surprise at a field's place and length, by style, position and length.

    Styles x 8 x 32; the position is that of the least significant bit in its byte, lengths count from 1.
    """
    table = np.empty((STYLES, 8, LONGEST_BITS))
    for style, (usual, _) in enumerate(_STYLES):
        rest = 1 - sum(usual.values())
        for length in range(1, LONGEST_BITS + 1):
            share = usual.get(length, 0.0) + rest * _SHARE_OF_LENGTH.get(length, _SHARE_OF_OTHERS)
            for position in range(8):
                first = position if byte_order == "little" else -(position + length) % 8
                table[style, position, length - 1] = -log2(share * _share_at(first, length))
    return table


def _share_at(first: int, length: int) -> float:
    """Give the share of fields of one length that begin `first` bits into a byte, the way their byte order runs."""
    sort = {1: "single", 2: "pair"}.get(
        length, "bytes" if length % 8 == 0 else "nibbles" if length % 4 == 0 else "other"
    )
    begins = _share_at_border(sort, first)
    # an odd length has one end at a border: the first bit or the last, seldom neither
    return begins if sort != "other" else (begins + _share_at_border(sort, first + length)) / 2


def _share_at_border(sort: str, position: int) -> float:
    border = 0 if position % 8 == 0 else 1 if position % 4 == 0 else 2 if position % 2 == 0 else 3
    return float(2 ** -_AT_BORDER[sort][border])
