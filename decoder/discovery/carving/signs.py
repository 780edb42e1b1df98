"""Whether a number is signed: told from how its values would jump if it were not.

A signed number that goes through zero jumps over its whole range when it is read without sign, and an unsigned one that
goes through the middle of its range when it is read with one. The reading under which it moves less is the right one.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

_SHORTEST: Final = 4  # bits; shorter fields are taken for states
_CLEARLY_BITS: Final = 2.0  # by which the signed reading must be shorter to tell


def is_signed(raw: NDArray[np.int64], length: int) -> bool:
    """Tell from raw values (int64, unsigned, in order of time) of a field of `length` bits whether it is signed.

    Values of all ones are left out where -1 has no neighbours: they mean 'not available'.
    """
    if length < _SHORTEST:
        return False
    full = 1 << length
    ones = raw == full - 1
    if ones.any() and not (raw[~ones] >= full - full // 8).any():
        raw = raw[~ones]
    if len(raw) < 2 or int(raw.max()) < full // 2:
        return False
    with_sign = np.where(raw >= full // 2, raw - full, raw)
    return _way_bits(with_sign) + _CLEARLY_BITS < _way_bits(raw)


def _way_bits(values: NDArray[np.int64]) -> float:
    """Give how far values move, in bits of their differences."""
    return float(np.log2(1.0 + np.abs(np.diff(values))).sum())
