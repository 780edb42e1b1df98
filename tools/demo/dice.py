"""Chance that comes out the same everywhere: only the raw words of a seeded PCG64 are used.

numpy promises that these words never change between versions; its normal deviates it does not promise.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

_UNIT = 2.0**-53


class Dice:
    """Even and bell-shaped random numbers from one seed, always in the same order."""

    def __init__(self, seed: int) -> None:
        self._bits = np.random.PCG64(seed)

    def even(self, *shape: int) -> NDArray[np.float64]:
        """Give numbers spread evenly over 0 to 1 (1 left out)."""
        return (self._words(*shape) >> np.uint64(11)) * _UNIT

    def bell(self, *shape: int) -> NDArray[np.float64]:
        """Give numbers of mean 0 and standard deviation 1: the sum of twelve even ones, less 6; within +-6."""
        words = (self._words(*shape, 12) >> np.uint64(12)).astype(np.int64)
        return words.sum(axis=-1) * 2.0**-52 - 6.0

    def _words(self, *shape: int) -> NDArray[np.uint64]:
        return np.asarray(self._bits.random_raw(int(np.prod(shape))), dtype=np.uint64).reshape(shape)
