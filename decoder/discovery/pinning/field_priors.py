"""What is expected of a field with a scale before its values are compared with readings."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.discovery.carving.habits import LONGEST_BITS, layout_surprise

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from decoder.discovery.pinning.byte_rows import ByteRows
    from decoder.discovery.pinning.field_search import Candidates
    from decoder.discovery.pinning.reading_scales import Scale

_SHORTEST: Final = 5
_TRUST: Final = 0.9  # of what is expected of layouts: each has its own style, which is not known here


def log_priors(rows: Sequence[ByteRows], candidates: Candidates, scales: Sequence[Scale]) -> NDArray[np.float64]:
    """Give the log chance of each candidate: of its scale, times that of its place among all places there are."""
    if not len(candidates):
        return np.empty(0)
    share = np.array([one.share for one in scales])[candidates.which]
    kinds, back = _kinds(candidates)
    by_length = _surprise(candidates.take(kinds), scales)
    inside = candidates.shift[kinds] + by_length.argmin(axis=1) + 1 <= 8  # found in both byte orders
    surprise = (by_length.min(axis=1) + inside)[back]
    places = sum(float((2.0 ** (-_TRUST * _places(some))).sum()) for some in rows)
    chance: NDArray[np.float64] = np.log(share) - _TRUST * np.log(2) * surprise - np.log(places * len(rows[0].part))
    return chance


def _places(rows: ByteRows) -> NDArray[np.float64]:
    """Give the surprise at each place in a byte and length."""
    surprise: NDArray[np.float64] = layout_surprise(rows.byte_order)[0][:, _SHORTEST - 1 :]
    return surprise


def _kinds(candidates: Candidates) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Give one candidate of each kind of place, length and scale, and which kind each is of."""
    key = candidates.order
    for column, most in (
        (candidates.shift, 8),
        (candidates.length, 64),
        (np.minimum(candidates.room, LONGEST_BITS), 64),
        (candidates.which, 4096),
    ):
        key = key * most + column
    _, first, back = np.unique(key, return_index=True, return_inverse=True)
    return first, back


def usual_lengths(candidates: Candidates, scales: Sequence[Scale]) -> NDArray[np.int64]:
    """Give the plainest length of those at which each field carries the same values."""
    usual: NDArray[np.int64] = _surprise(candidates, scales).argmin(axis=1) + 1
    return usual


def _surprise(candidates: Candidates, scales: Sequence[Scale]) -> NDArray[np.float64]:
    """Give the surprise at each length, candidates x 32; infinite where the values or the scale are others."""
    tables = np.stack([layout_surprise("little")[0], layout_surprise("big")[0]])
    surprise = tables[candidates.order, candidates.shift]
    bits = np.array([one.bits for one in scales])[candidates.which]
    length = np.arange(1, LONGEST_BITS + 1)
    may_be = (length >= candidates.length[:, None]) & (length <= candidates.room[:, None])
    usual = may_be & (length >= bits[:, :1]) & (length <= bits[:, 1:])
    return np.where(usual, surprise, np.where(may_be, surprise + 1000.0, np.inf))
