"""How many bits it takes to tell a sequence, without knowing its odds beforehand.

Adaptive codes in closed form: the odds are learned while telling, each symbol starting from half a count (Krichevsky
and Trofimov, IEEE Transactions on Information Theory 27(2), 1981, from memory).
"""

from __future__ import annotations

from math import lgamma, log
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

_MOST: Final = 1 << 13
_HALF: Final = 0.5
# log2 of the gamma function at 0.5, 1.5, 2.5, ... and at 1, 2, 3, ...: what all codes here are made of.
_AT_HALVES: Final = np.array([lgamma(n + _HALF) for n in range(_MOST)]) / log(2)
_AT_WHOLES: Final = np.array([0.0, *(lgamma(n) for n in range(1, _MOST))]) / log(2)


def bits_of_yes_no(yes: NDArray[np.int64], no: NDArray[np.int64]) -> NDArray[np.float64]:
    """Give the bits that tell, in order, `yes` times one thing and `no` times the other.

    Always and never are as likely beforehand as anything in between.
    """
    mixed = _AT_HALVES[0] * 2 + _AT_WHOLES[yes + no + 1] - _AT_HALVES[yes] - _AT_HALVES[no]
    return np.asarray(np.where((yes == 0) | (no == 0), np.minimum(yes + no, 2.0), mixed + 1.0))


def bits_of_choice(chosen: NDArray[np.int64], of: NDArray[np.int64]) -> NDArray[np.float64]:
    """Give the bits that tell which `chosen` of `of` things are meant, their number being known."""
    return np.asarray(_AT_WHOLES[of + 1] - _AT_WHOLES[chosen + 1] - _AT_WHOLES[of - chosen + 1])


def bits_of_symbols(counts: NDArray[np.int64], kinds: NDArray[np.int64] | int | None = None) -> NDArray[np.float64]:
    """Give the bits that tell a sequence of symbols with these counts; the last axis runs over the symbols.

    kinds : how many symbols there could be, where that is not the length of the last axis
    """
    possible = np.asarray(counts.shape[-1] if kinds is None else kinds)
    total = counts.sum(axis=-1)
    told = (_AT_HALVES[counts] - _AT_HALVES[0]).sum(axis=-1)
    return np.asarray(_at_half(total * 2 + possible) - _at_half(possible) - told)


def _at_half(doubled: NDArray[np.int64]) -> NDArray[np.float64]:
    """Give log2 of the gamma function at half of each whole number."""
    return np.where(doubled % 2 == 1, _AT_HALVES[doubled // 2], _AT_WHOLES[doubled // 2])
