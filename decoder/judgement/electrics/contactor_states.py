"""What the contactors are said to be, on one common line of time.

A contactor's channel may be the command or what is fed back, it may come slowly, and it never comes at the instant of
the link voltage: whoever compares allows `ContactorStates.allowance_s`.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.channels.states import STALE_CYCLES, cycle_s
from decoder.judgement.electrics.lasting import runs
from decoder.judgement.electrics.state_words import CLOSED, CONTACTOR_WORDS, OPEN, UNKNOWN, state_values, states_of
from decoder.maps.patterns import bare_name
from decoder.maps.words import words_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from decoder.channels import Channels, Series

__all__ = ["CLOSED", "OPEN", "UNKNOWN", "Contact", "ContactorStates", "Stretches", "contactor_states"]

# From command to contact and back to the frame: a coil takes 10 to 100 ms, a controller's task as long.
# Common practice, no source.
DELAY_S: Final = 0.3
_SAMPLED_CYCLES: Final = 2
# Without knowing the cycle better, a state of the last second still holds. Common practice, no source.
_HOLDS_S: Final = 1.0
_POLES: Final = ("positive", "negative")
# A contactor of a charging inlet or of a heater has a pole too, and the link knows nothing of it.
# Common practice, no source.
_OTHER_WORDS: Final = frozenset(["fast", "quick", "inlet", "dcfc", "qc", "ac", "ccs", "ptc", "heater"])
_OTHER_MEANINGS: Final = frozenset({"charge", "other part", "balancing"})


@dataclass(frozen=True, slots=True, eq=False)
class Stretches:
    """Stretches of time in which something holds, from its first to its last sample; none overlap.

    from_ns, to_ns : int64, k
    begun, ended : bool, k, whether it was seen to begin and to end; else the capture began or ended, or it got unknown
    """

    from_ns: NDArray[np.int64]
    to_ns: NDArray[np.int64]
    begun: NDArray[np.bool_]
    ended: NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.from_ns)

    def shortened(self, margin_s: float) -> Stretches:
        """Leave out `margin_s` at each end that was seen; what is left of nothing is dropped."""
        margin_ns = int(margin_s * 1e9)
        from_ns = self.from_ns + margin_ns * self.begun
        to_ns = self.to_ns - margin_ns * self.ended
        left = to_ns >= from_ns
        return Stretches(from_ns[left], to_ns[left], self.begun[left], self.ended[left])

    def longer_than(self, seconds: float) -> Stretches:
        """Give those that last longer."""
        long = self.to_ns - self.from_ns > seconds * 1e9
        return Stretches(self.from_ns[long], self.to_ns[long], self.begun[long], self.ended[long])

    def hold(self, time_ns: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Tell for each time whether it lies in one of them."""
        if not len(self):
            return np.zeros(len(time_ns), np.bool_)
        latest = np.searchsorted(self.from_ns, time_ns, side="right") - 1
        return np.asarray((latest >= 0) & (time_ns <= self.to_ns[latest]))


@dataclass(frozen=True, eq=False)
class Contact:
    """One contactor.

    names : of its channels (several that disagree say nothing)
    time_ns : int64, n, rising
    state : int8, n: `OPEN`, `CLOSED`, `UNKNOWN`
    cycle_s : the usual time between samples; 0 where that is not known
    """

    side: str
    names: tuple[str, ...]
    time_ns: NDArray[np.int64]
    state: NDArray[np.int8]
    cycle_s: float

    def at(self, time_ns: NDArray[np.int64]) -> NDArray[np.int8]:
        """Give the latest state at each time; `UNKNOWN` before the first, and where it is older than five cycles."""
        oldest_ns = int(max(STALE_CYCLES * self.cycle_s, _HOLDS_S) * 1e9)
        index = np.searchsorted(self.time_ns, time_ns, side="right") - 1
        fresh = (index >= 0) & (time_ns - self.time_ns[index] <= oldest_ns)
        return np.where(fresh, self.state[index], np.int8(UNKNOWN))


@dataclass(frozen=True, eq=False)
class ContactorStates:
    """The main contactors (both poles, one of them, or a single one without a pole) and the pre-charge contactor.

    time_ns : int64, n, rising, all times at which one of them has a sample
    """

    mains: tuple[Contact, ...]
    precharge: Contact | None
    time_ns: NDArray[np.int64]

    @cached_property
    def main(self) -> NDArray[np.int8]:
        """The state of each main contactor (rows) at each of `time_ns`."""
        return np.array([contact.at(self.time_ns) for contact in self.mains], np.int8)

    @cached_property
    def precharging(self) -> NDArray[np.int8]:
        """The state of the pre-charge contactor at each of `time_ns`; `UNKNOWN` where it has no channel."""
        if self.precharge is None:
            return np.full(len(self.time_ns), UNKNOWN, np.int8)
        return self.precharge.at(self.time_ns)

    @cached_property
    def closed(self) -> NDArray[np.bool_]:
        """At each of `time_ns`: all main contactors that are known are said to be closed."""
        return np.asarray((self.main == CLOSED).all(axis=0))

    @cached_property
    def broken(self) -> NDArray[np.bool_]:
        """At each of `time_ns`: there is no way from pack to link.

        Both poles are open; or one is, and no pre-charge contactor goes around it.
        """
        all_open = (self.main == OPEN).all(axis=0)
        around_open = self.precharging == OPEN
        if len(self.mains) == len(_POLES):
            return np.asarray(all_open | ((self.main == OPEN).any(axis=0) & around_open))
        # The pole that nobody tells of may be closed.
        return np.asarray(all_open & (around_open if self.precharge is not None else True))

    @property
    def cycle_s(self) -> float:
        """The longest of their cycles."""
        contacts = (*self.mains, *((self.precharge,) if self.precharge is not None else ()))
        return float(max(contact.cycle_s for contact in contacts))

    @property
    def allowance_s(self) -> float:
        """How far what is said and what is measured may lie apart."""
        return _SAMPLED_CYCLES * self.cycle_s + DELAY_S

    @property
    def names(self) -> tuple[str, ...]:
        """The channels of the main contactors."""
        return tuple(name for contact in self.mains for name in contact.names)

    def stretches(self, holds: NDArray[np.bool_], longer_than_s: float = 0.0) -> Stretches:
        """Give the stretches of `time_ns` in which `holds` is true, those that last longer than that.

        None goes on over a silence, in which anything may have happened.
        """
        silent_ns = int(max(STALE_CYCLES * self.cycle_s, _HOLDS_S) * 1e9)
        cut = np.diff(self.time_ns, prepend=self.time_ns[:1]) > silent_ns
        first, last = runs(holds, cut=cut)
        known = (self.main != UNKNOWN).all(axis=0)
        begun = (first > 0) & known[first - 1] & ~cut[first]
        following = np.minimum(last + 1, len(holds) - 1)
        ended = (last < len(holds) - 1) & known[following] & ~cut[following]
        return Stretches(self.time_ns[first], self.time_ns[last], begun, ended).longer_than(longer_than_s)


def contactor_states(channels: Channels) -> ContactorStates | str:
    """Find the main contactors and what is said of them; why not, where that cannot be told."""
    sides: dict[str, list[Series]] = {}
    for series in channels.of("contactor"):
        side = _side(series)
        if side is not None:
            sides.setdefault(side, []).append(series)
    poles: list[str] = [side for side in _POLES if side in sides]
    if not poles and len(sides.get("main", ())) == 1:
        poles = ["main"]
    if not poles:
        return "no channel for a main contactor"
    contacts = {side: _contact(side, sides[side]) for side in (*poles, "precharge") if side in sides}
    mains = tuple(contact for side in poles if (contact := contacts[side]) is not None)
    if len(mains) < len(poles):
        return "nothing says which values of the contactors' channels mean open and closed, or they have none"
    precharge = contacts.get("precharge")
    lines = [contact.time_ns for contact in (*mains, precharge) if contact is not None]
    line = lines[0] if all(np.array_equal(lines[0], other) for other in lines[1:]) else np.unique(np.concatenate(lines))
    return ContactorStates(mains, precharge, line)


def _side(series: Series) -> str | None:
    """Give the side of a contactor between pack and link, 'main' where nothing says; ``None`` for any other."""
    sensor = series.channel.place.sensor
    words = words_of(bare_name(series.channel.name))
    if any(word.text in _OTHER_WORDS or word.meanings & _OTHER_MEANINGS for word in words):
        return None
    return sensor if sensor in {*_POLES, "precharge"} and isinstance(sensor, str) else "main"


def _contact(side: str, those: Sequence[Series]) -> Contact | None:
    """Join the channels of one contactor; ``None`` where none of them ever says anything."""
    parts = []
    for series in those:
        state = states_of(series, state_values(series, CONTACTOR_WORDS))
        if (state != UNKNOWN).any():
            time_ns = series.rising_ns
            parts.append(Contact(side, (series.channel.name,), time_ns, state, cycle_s(time_ns) or 0.0))
    if len(parts) <= 1:
        return parts[0] if parts else None
    line = np.unique(np.concatenate([part.time_ns for part in parts]))
    states = np.array([part.at(line) for part in parts])
    agreed = np.where((states == states[0]).all(axis=0), states[0], np.int8(UNKNOWN))
    names = tuple(name for part in parts for name in part.names)
    return Contact(side, names, line, agreed, max(part.cycle_s for part in parts))
