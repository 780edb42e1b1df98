"""Runs of samples, and only what lasts: bad samples for long enough to be no blink of a sensor."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

# One sample, or two, may have been damaged on the way. Common practice, no source.
FEWEST_SAMPLES = 3


def lasting(
    time_ns: NDArray[np.int64],
    bad: NDArray[np.bool_],
    longer_than_s: float,
    *,
    good: NDArray[np.bool_] | None = None,
    at_least: int = FEWEST_SAMPLES,
) -> NDArray[np.bool_]:
    """Give those bad samples that belong to a run of at least `at_least` that lasts longer than `longer_than_s`.

    Parameters
    ----------
    time_ns, bad : the samples in order of time, and which are bad
    good : which samples are known to be good; the others neither end nor make a run (default: all that are not bad)
    """
    kept = np.zeros(len(bad), np.bool_)
    where = np.flatnonzero(bad)
    if not len(where):
        return kept
    ended = np.cumsum(~bad if good is None else good)
    starts = np.concatenate(([0], np.flatnonzero(np.diff(ended[where]) > 0) + 1))
    counts = np.diff(starts, append=len(where))
    lengths_ns = time_ns[where[starts + counts - 1]] - time_ns[where[starts]]
    long = (counts >= at_least) & (lengths_ns > longer_than_s * 1e9)
    kept[where[np.repeat(long, counts)]] = True
    return kept


def runs(
    holds: NDArray[np.bool_], *, cut: NDArray[np.bool_] | None = None
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Give the first and the last index of each run of samples that hold; one ends before each that is `cut`."""
    apart = np.zeros(len(holds), np.bool_) if cut is None else cut
    before, after = np.roll(holds, 1), np.roll(holds, -1)
    before[:1], after[-1:] = False, False
    first = np.flatnonzero(holds & (~before | apart))
    last = np.flatnonzero(holds & (~after | np.append(apart[1:], True)))
    return first, last
