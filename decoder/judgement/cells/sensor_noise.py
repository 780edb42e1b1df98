"""What a current sensor shows where next to nothing flows: its own offset and noise, and what the controller takes."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from decoder.judgement.cells.medians import MAD_TO_SIGMA, median_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

# An ordinary sensor of a traction pack is off by up to 0.5 A, and a controller with its pumps takes up to 1 A: what is
# read at rest is within this. Common practice, no source.
NEAR_ZERO_A = 1.5
_FEWEST_SAMPLES = 20


def noise_a(ampere: NDArray[np.float64]) -> float:
    """Give one standard deviation of a current's noise (A), from samples in a row (n, A) that are all near zero.

    By the median step from one to the next, so that an offset or a slow drift does not count. It is
    0 where there are too few.
    """
    near = np.abs(ampere) <= NEAR_ZERO_A  # false where NaN
    steps = np.abs(np.diff(ampere)[near[1:] & near[:-1]])
    return median_of(steps) / MAD_TO_SIGMA / np.sqrt(2) if len(steps) >= _FEWEST_SAMPLES else 0.0
