"""What candidates carry at given moments: between two payloads on the line from one to the next."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.bits import words_at_bytes

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from decoder.discovery.pinning.byte_rows import ByteRows
    from decoder.discovery.pinning.field_search import Candidates
    from decoder.discovery.quick_parts import Part

# What is sent was taken before: by so much of the time between two payloads, up to so long. Common practice, no source.
_OF_PERIOD: Final = 0.3
_LATEST_NS: Final = 1.5e9


def cut(words: NDArray[np.uint64], candidates: Candidates) -> NDArray[np.float64]:
    """Give raw values of candidates, each from its own row of `words` (candidates x any)."""
    shift = candidates.shift.astype(np.uint64)[:, None]
    mask = ((np.uint64(1) << candidates.length.astype(np.uint64)) - np.uint64(1))[:, None]
    raw = ((words >> shift) & mask).astype(np.float64)
    if candidates.signed.any():
        whole = np.ldexp(1.0, candidates.length)[:, None]
        raw = np.where(candidates.signed[:, None] & (raw >= whole / 2), raw - whole, raw)
    return raw


def on_grid(
    rows: Sequence[ByteRows], candidates: Candidates, moments: NDArray[np.intp] | None = None
) -> NDArray[np.float64]:
    """Give raw values at moments of the grid (else at all), candidates x moments."""
    words = np.empty((len(candidates), rows[0].words.shape[1] if moments is None else len(moments)), np.uint64)
    for number, some in enumerate(rows):
        mine = np.flatnonzero(candidates.order == number)
        taken = some.words if moments is None else some.words[:, moments]
        words[mine] = taken[candidates.row[mine]]
    return cut(words, candidates)


def usual_step(rows: Sequence[ByteRows], candidates: Candidates) -> NDArray[np.float64]:
    """Give how far raw values go from one payload to the next, root mean square without the largest."""
    step = np.empty((len(candidates), rows[0].earlier.shape[1] if rows else 0))
    for number, some in enumerate(rows):
        mine = np.flatnonzero(candidates.order == number)
        row, part = candidates.row[mine], candidates.take(mine)
        step[mine] = np.abs(cut(some.later[row], part) - cut(some.earlier[row], part))
    usual: NDArray[np.float64] = np.sqrt((np.sort(step, axis=1)[:, :-1] ** 2).mean(axis=1))
    return usual


def around_times(
    parts: Sequence[Part],
    rows: Sequence[ByteRows],
    candidates: Candidates,
    time_ns: NDArray[np.float64],
    reach_ns: float,
) -> NDArray[np.float64]:
    """Give raw values before, at and after any times (m), 3 x candidates x m.

    reach_ns : how long before and after; longer where payloads come farther apart
    """
    count = len(time_ns)
    before = np.empty((len(candidates), 3 * count), np.uint64)
    after = np.empty_like(before)
    share = np.empty((len(candidates), 3 * count))
    part = rows[0].part[candidates.row]
    byte = rows[0].byte[candidates.row]
    order = np.argsort(part, kind="stable")
    for mine in np.split(order, np.flatnonzero(np.diff(part[order])) + 1):
        one = parts[int(part[mine[0]])]
        period_ns = float(one.time_ns[-1] - one.time_ns[0]) / max(len(one.time_ns) - 1, 1)
        late = min(_OF_PERIOD * period_ns, _LATEST_NS)
        reach = np.hypot(reach_ns, 1.3 * late)
        times = np.concatenate([time_ns + late - reach, time_ns + late, time_ns + late + reach])
        later = np.minimum(np.searchsorted(one.time_ns, times, side="right"), len(one.time_ns) - 1)
        earlier = np.maximum(later - 1, 0)
        earlier = np.where(times >= one.time_ns[later], later, earlier)  # behind the last payload
        gap = np.maximum(one.time_ns[later] - one.time_ns[earlier], 1)
        share[mine] = np.clip((times - one.time_ns[earlier]) / gap, 0, 1)
        for number, some in enumerate(rows):
            here = mine[candidates.order[mine] == number]
            if len(here):
                # only the bytes that candidates have, each once
                words = words_at_bytes(one.data, some.byte_order) if len(one.data) < len(times) else None
                if words is None:
                    before[here] = words_at_bytes(one.data[earlier], some.byte_order).T[byte[here]]
                    after[here] = words_at_bytes(one.data[later], some.byte_order).T[byte[here]]
                else:
                    column = words.T[byte[here]]
                    before[here], after[here] = column[:, earlier], column[:, later]
    low, high = cut(before, candidates), cut(after, candidates)
    return (low + (high - low) * share).reshape(len(candidates), 3, count).swapaxes(0, 1)
