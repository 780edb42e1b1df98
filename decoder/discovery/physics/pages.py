"""Whether pages are pages: a number that is taken apart by a counter beside it looks like many that are all alike.

In order of time, what is left of each value without its neighbours is compared between pages and within them, as in an
analysis of variance: F is about 1 where the page does not matter.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from decoder.discovery.physics.series import track_of

if TYPE_CHECKING:
    from decoder.discovery.physics.like_fields import LikeFields

_NEIGHBOURS: Final = 21  # values, the one in the middle among them
_FEWEST_EACH: Final = 2
NO_EFFECT: Final = 1.7  # F of pages that do not matter, at most


def page_effect(row: LikeFields) -> float | None:
    """Give F of the pages of a row; ``None`` where it has no pages, they cannot be told, or nothing varies at all."""
    if any(at.multiplexor is None for at in row.fields):
        return None
    slots: dict[object, list[int]] = {}
    for number, at in enumerate(row.fields):
        slots.setdefault((at.stream, at.field), []).append(number)
    found = [effect for some in slots.values() if (effect := _effect(row, some)) is not None]
    return float(np.median(found)) if found else None


def _effect(row: LikeFields, members: list[int]) -> float | None:
    tracks = [track_of(row.sampled, row.fields[number]) for number in members]
    time_s = np.concatenate([one.time_s for one in tracks])
    if len(tracks) < 2 or len(time_s) < 2 * _NEIGHBOURS:
        return None
    page = np.repeat(np.arange(len(tracks)), [len(one) for one in tracks])
    order = np.argsort(time_s, kind="stable")
    raw, page = np.concatenate([one.raw for one in tracks])[order], page[order]
    around = sliding_window_view(np.pad(raw, _NEIGHBOURS // 2, mode="edge"), _NEIGHBOURS)
    left = raw - np.median(around, axis=1)
    apart = around.std(axis=1)
    calm = apart <= np.median(apart)  # steps of a current that flows drown what cells differ by
    left, page = left[calm], page[calm]
    counts = np.bincount(page, minlength=len(tracks))
    if counts.min() < _FEWEST_EACH:
        return None
    means = np.bincount(page, weights=left) / counts
    within = float(((left - means[page]) ** 2).sum()) / max(len(left) - len(counts), 1)
    between = float((counts * (means - left.mean()) ** 2).sum()) / (len(counts) - 1)
    if between == 0 and within == 0:
        return None
    return between / within if within else np.inf
