"""Several made captures as one: each controller on a bus of its own, all recorded from the same moment on."""

from __future__ import annotations

from dataclasses import replace
from itertools import count
from typing import TYPE_CHECKING

import numpy as np

from decoder.frames import EXTENDED
from tools.layouts.recording import make_trial
from tools.traffic import columns

if TYPE_CHECKING:
    from decoder.frames import Frames


def several(first_seed: int, identifiers: int, frames: int) -> Frames:
    """Give the first `frames` frames of `identifiers` identifiers, from as many captures as it takes."""
    parts = []
    missing = identifiers
    for number, seed in enumerate(count(first_seed)):
        one = make_trial(seed).frames
        wanted = np.unique(one.can_id)[:missing]
        rows = np.flatnonzero(np.isin(one.can_id, wanted))
        wide = (one.flags[rows] & EXTENDED) != 0
        own = (one.time_ns[rows] - one.time_ns[0], one.can_id[rows], one.data[rows], one.length[rows], wide)
        parts.append((*own, np.full(len(rows), number)))
        missing -= len(wanted)
        if not missing:
            break
    time_ns, can_id, data, length, wide, bus = (np.concatenate(column) for column in zip(*parts, strict=True))
    first = np.argsort(time_ns, kind="stable")[:frames]
    joined = columns(time_ns[first], can_id[first], data[first], length=length[first], wide=wide[first], bus=bus[first])
    return replace(joined, bus_names=tuple(f"can{number}" for number in range(len(parts))))
