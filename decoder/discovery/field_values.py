"""What candidates carry at given moments: between two payloads on the line from one to the next."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from decoder.bits import words_at_bytes

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from decoder.discovery.byte_rows import ByteRows
    from decoder.discovery.field_search import Candidates
    from decoder.discovery.quick_parts import Part


def cut(words: NDArray[np.uint64], candidates: Candidates) -> NDArray[np.float64]:
    """Give raw values of candidates, each from its own row of `words` (candidates x any)."""
    shift = candidates.shift.astype(np.uint64)[:, None]
    mask = ((np.uint64(1) << candidates.length.astype(np.uint64)) - np.uint64(1))[:, None]
    raw = ((words >> shift) & mask).astype(np.float64)
    if candidates.signed.any():
        whole = np.ldexp(1.0, candidates.length)[:, None]
        raw = np.where(candidates.signed[:, None] & (raw >= whole / 2), raw - whole, raw)
    return raw


def on_grid(rows: Sequence[ByteRows], candidates: Candidates, moments: NDArray[np.intp]) -> NDArray[np.float64]:
    """Give raw values at moments of the grid (numbers), candidates x moments."""
    words = np.empty((len(candidates), len(moments)), np.uint64)
    for number, some in enumerate(rows):
        mine = np.flatnonzero(candidates.order == number)
        words[mine] = some.words[candidates.row[mine][:, None], moments]
    return cut(words, candidates)


def at_times(
    parts: Sequence[Part], rows: Sequence[ByteRows], candidates: Candidates, time_ns: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Give raw values at any times (m), candidates x m, and how far apart the payloads around each are in value."""
    before = np.empty((len(candidates), len(time_ns)), np.uint64)
    after = np.empty_like(before)
    share = np.empty((len(candidates), len(time_ns)))
    part = rows[0].part[candidates.row]
    byte = rows[0].byte[candidates.row]
    for number in np.unique(part).tolist():
        one = parts[number]
        mine = part == number
        later = np.clip(np.searchsorted(one.time_ns, time_ns, side="right"), 0, len(one.time_ns) - 1)
        earlier = np.maximum(later - 1, 0)
        earlier = np.where(time_ns >= one.time_ns[later], later, earlier)  # behind the last payload
        gap = np.maximum(one.time_ns[later] - one.time_ns[earlier], 1)
        share[mine] = np.clip((time_ns - one.time_ns[earlier]) / gap, 0, 1)
        used, back = np.unique(np.concatenate([earlier, later]), return_inverse=True)
        for order, some in enumerate(rows):
            here = np.flatnonzero(mine & (candidates.order == order))
            if len(here):
                words = words_at_bytes(one.data[used], some.byte_order).T[byte[here]]
                before[here] = words[:, back[: len(time_ns)]]
                after[here] = words[:, back[len(time_ns) :]]
    low, high = cut(before, candidates), cut(after, candidates)
    return low + (high - low) * share, np.abs(high - low)
