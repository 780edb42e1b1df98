"""Contactor bits: states that go from 0 to 1 just before or while the link's voltage rises, and back when it falls."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.discovery.field_at import FieldAt, key_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from decoder.discovery.field_at import Sampled
    from decoder.discovery.physics.voltages import Match
    from decoder.discovery.proposal import Carving

_MOST_BITS: Final = 2
_MOST_CHANGES: Final = 6
_BEFORE_S: Final = 1.2  # a contactor is told closed so long before the link rises at most,
_AFTER_S: Final = 5.0  # and so long after: the second main contactor waits for the precharge
_RISEN: Final = 0.5  # of what the link reaches
_LOW: Final = 0.1


@dataclass(frozen=True, slots=True)
class Switch:
    """A state that switches with the link's voltage; `delay_s` is how long after the link began to rise."""

    at: FieldAt
    delay_s: float
    changes: int

    @property
    def weight(self) -> float:
        """How much speaks for it: log of the odds."""
        return 1.0 - 0.4 * abs(self.delay_s) - 0.3 * max(self.changes - 2, 0)


def rise_of(link: Match) -> float | None:
    """Give when the link's voltage begins to rise (s); ``None`` where it only falls."""
    track = link.single.track
    top = float(np.quantile(track.raw, 0.95))
    high = np.flatnonzero(track.raw > _RISEN * top)
    low = np.flatnonzero(track.raw < _LOW * top)
    if not len(high) or not len(low) or low[0] > high[0]:
        return None
    begins = low[low < high[low[0] < high][0]]
    return float(track.time_s[begins[-1]])


def switches_of(carvings: Sequence[Carving], sampled: Sampled, rise_s: float) -> list[Switch]:
    """Give the states that switch with a rise of the link's voltage, those nearest to it first."""
    found = []
    for one in carvings:
        for proposal in one.proposals:
            if proposal.kind not in {"flag", "state"} or proposal.field.length > _MOST_BITS:
                continue
            switch = _switch(FieldAt(key_of(one.stream), proposal.field, proposal.multiplexor), sampled, rise_s)
            if switch is not None:
                found.append(switch)
    return sorted(found, key=lambda one: -one.weight)


def _switch(at: FieldAt, sampled: Sampled, rise_s: float) -> Switch | None:
    time_ns, raw = sampled.raw(at)
    time_s = (time_ns - sampled.first_ns) / 1e9
    changes = np.flatnonzero(raw[1:] != raw[:-1]) + 1
    if not 1 <= len(changes) <= _MOST_CHANGES or set(np.unique(raw).tolist()) != {0, 1}:
        return None
    up = changes[raw[changes] == 1]
    delay_s = time_s[up] - rise_s
    near = (delay_s > -_BEFORE_S) & (delay_s < _AFTER_S)
    if not near.any() or raw[up[near][0] - 1] != 0:
        return None
    return Switch(at, float(delay_s[near][0]), len(changes))
