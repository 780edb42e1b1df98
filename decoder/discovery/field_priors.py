"""What is expected of a field with a scale before its values are compared with readings."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.discovery.habits import LONGEST_BITS, layout_surprise

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from decoder.discovery.byte_rows import ByteRows
    from decoder.discovery.field_search import Candidates
    from decoder.discovery.reading_scales import Scale

_SHORTEST: Final = 5
_TRUST: Final = 0.6  # of what is expected of layouts: each has its own style, which is not known here


def log_priors(rows: Sequence[ByteRows], candidates: Candidates, scales: Sequence[Scale]) -> NDArray[np.float64]:
    """Give the log chance of each candidate: of its scale, times that of its place among all places there are."""
    if not len(candidates):
        return np.empty(0)
    share = np.array([one.share for one in scales])[candidates.which]
    by_length = _surprise(candidates, scales)
    surprise = by_length.min(axis=1) + (candidates.shift + by_length.argmin(axis=1) + 1 <= 8)  # there in both orders
    places = sum((2.0 ** (-_TRUST * layout_surprise(some.byte_order)[0][:, _SHORTEST - 1 :])).sum() for some in rows)
    return np.log(share) - _TRUST * np.log(2) * surprise - np.log(places * len(rows[0].part))


def usual_lengths(candidates: Candidates, scales: Sequence[Scale]) -> NDArray[np.int64]:
    """Give the plainest length of those at which each field carries the same values."""
    return _surprise(candidates, scales).argmin(axis=1) + 1


def _surprise(candidates: Candidates, scales: Sequence[Scale]) -> NDArray[np.float64]:
    """Give the surprise at each length, candidates x 32; infinite where the values or the scale are others."""
    tables = np.stack([layout_surprise("little")[0], layout_surprise("big")[0]])
    surprise = tables[candidates.order, candidates.shift]
    bits = np.array([one.bits for one in scales])[candidates.which]
    length = np.arange(1, LONGEST_BITS + 1)
    may_be = (length >= candidates.length[:, None]) & (length <= candidates.room[:, None])
    usual = may_be & (length >= bits[:, :1]) & (length <= bits[:, 1:])
    return np.where(usual, surprise, np.where(may_be, surprise + 1000.0, np.inf))
