"""Pre-charge: the link must be up before the second main contactor closes.

The link's capacitors are charged through a resistor first. Without that the contactor's faces weld by the inrush.
Channels come too seldom to see it happen, so what is weighed is what they can carry: a jump of the link when the way
closes, less all that a sound pre-charge could have done unseen.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.judgement.electrics.contactor_states import (
    CLOSED,
    DELAY_S,
    OPEN,
    UNKNOWN,
    ContactorStates,
    contactor_states,
)
from decoder.judgement.electrics.link_voltage import LinkVoltage, link_voltage
from decoder.judgement.finding import Finding, Severity
from decoder.judgement.spans import Span, duration
from decoder.maps.default_limits import limit_of
from decoder.maps.pack_sheet import Place
from decoder.printable import printable

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from decoder.channels import Channels
    from decoder.maps.default_limits import DefaultLimit

# All of these: common practice, no source. Pre-charge takes 0.05 to 3 s.
_SHORTEST_S: Final = 0.05
_TOO_LONG_S: Final = 10.0
# Given up sooner than this, the driver may have changed his mind.
_GIVEN_UP_S: Final = 1.0
# A jump of the link within one sample, in shares of the pack voltage, that is an inrush.
_JUMP_SHARE: Final = 0.1
# The last sample before the jump may be so old.
_OLDEST_S: Final = 0.3
# An inrush ends near the pack voltage at once; a step of a sound pre-charge that is so large ends below it.
_LANDS_SHARE: Final = 0.95
# The link is connected if it is so near the pack soon after; its sensor may have a gain error.
_SETTLED_SHARE: Final = 0.8
_SETTLED_S: Final = 1.0
# No further back than this is looked for the beginning of pre-charge.
_LOOK_BACK_S: Final = 15.0
# A contactor that is not seen closed in states that come so often was not closed for a pre-charge.
_SEEN_S: Final = 0.12
# A contactor that closes more often than this is none.
_MOST_CLOSINGS: Final = 1000


@dataclass(frozen=True, slots=True)
class _Closing:
    """The second main contactor closes after `before_ns` (not all closed yet) and by `after_ns` (all closed).

    `precharge_ns`: since when pre-charge is on for certain; ``None`` where it is not.
    `unseen_s`: how long a pre-charge could have been on without being seen.
    """

    before_ns: int
    after_ns: int
    precharge_ns: int | None
    unseen_s: float


def precharge_findings(channels: Channels, not_judged: dict[str, str]) -> Iterator[Finding]:
    """Judge every closing of the main contactors, and how long the pre-charge contactor is closed."""
    states, link = contactor_states(channels), link_voltage(channels)
    if isinstance(states, str):
        not_judged["precharge-fault"] = states
        return
    yield from _too_long(states)
    if isinstance(link, str):
        not_judged["precharge-fault"] = link
        return
    closings = _closings(states)
    if len(closings) > _MOST_CLOSINGS:
        not_judged["precharge-fault"] = f"the main contactors close {len(closings)} times, which no contactor does"
        return
    limit = limit_of(channels.sheet, "precharged_percent")
    reached = [_reached(closing, link, limit.value) for closing in closings]
    judged = [(at, one) for at, one in zip(closings, reached, strict=True) if isinstance(one, _Reached)]
    bad = [(at, one) for at, one in judged if one.percent < limit.value]
    if bad:
        yield _jumps(states, link, bad, limit)
    given_up = _given_up(states, link, limit)
    if given_up is not None:
        yield given_up
    if not judged and given_up is None:
        unclear = [one for one in reached if isinstance(one, str)]
        not_judged["precharge-fault"] = unclear[0] if unclear else _never_closes(states)


def _never_closes(states: ContactorStates) -> str:
    if states.closed.any() and states.closed[np.flatnonzero((states.main != UNKNOWN).all(axis=0))[0]]:
        return "the capture begins with the contactors closed, which shows no pre-charge"
    return "the main contactors do not close in the capture"


def _closings(states: ContactorStates) -> list[_Closing]:
    """Find where all main contactors become closed, from a moment at which one was known to be open."""
    closed, known = states.closed, np.asarray((states.main != UNKNOWN).all(axis=0))
    at = np.flatnonzero(closed[1:] & ~closed[:-1] & known[:-1])
    if len(at) > _MOST_CLOSINGS:
        return [_Closing(0, 0, None, 0.0)] * len(at)
    return [_closing(states, index) for index in at.tolist()]


def _closing(states: ContactorStates, index: int) -> _Closing:
    """Tell what is known of pre-charge when the main contactors close after ``states.time_ns[index]``."""
    before_ns, after_ns = int(states.time_ns[index]), int(states.time_ns[index + 1])
    # The contactors' channels need not come together: what is said may be a cycle old.
    between_s = max(states.cycle_s, (after_ns - before_ns) / 1e9)
    alone = len(states.mains) == 1
    look_ns = int((_OLDEST_S + between_s) * 1e9)
    first, end = np.searchsorted(states.time_ns, [before_ns - look_ns, after_ns + look_ns + 1])
    on = states.precharging[first:end]
    if states.precharge is not None and (on == OPEN).all():
        # One that fits between two of the controller's own states is shorter than any pre-charge should be.
        return _Closing(before_ns, after_ns, None, 0.0 if between_s <= _SEEN_S else between_s)
    # Pre-charge begins when its contactor and that of the other pole are both closed.
    earliest = int(np.searchsorted(states.time_ns, before_ns - int(_LOOK_BACK_S * 1e9)))
    way = np.zeros(index + 1 - earliest, np.bool_)
    way |= states.precharging[earliest : index + 1] == CLOSED
    if not alone:
        way &= (states.main[:, earliest : index + 1] == CLOSED).any(axis=0)
    on_at = np.flatnonzero(way)
    if len(on_at) and on_at[-1] >= first - earliest:
        not_yet = np.flatnonzero(~way[: on_at[-1]])
        since = earliest + (int(not_yet[-1]) + 1 if len(not_yet) else 0)
        return _Closing(before_ns, after_ns, int(states.time_ns[since]), np.inf)
    unseen_s = np.inf if alone or states.precharge is None else between_s
    return _Closing(before_ns, after_ns, None, unseen_s)


@dataclass(frozen=True, slots=True)
class _Reached:
    """How far the link was at most when the way closed, and the voltages that say so."""

    percent: float
    before_v: float
    after_v: float
    at_ns: int


def _reached(closing: _Closing, link: LinkVoltage, limit_percent: float) -> _Reached | str:
    """Give how far the link was, taking for done all that a sound pre-charge could have done between two samples."""
    after = link.between(closing.after_ns + int(DELAY_S * 1e9), closing.after_ns + int((DELAY_S + _SETTLED_S) * 1e9))
    window = link.between(closing.before_ns - int(_OLDEST_S * 1e9), closing.after_ns + int(DELAY_S * 1e9))
    window = slice(max(window.start - 1, 0), window.stop)
    if window.stop - window.start < 2 or after.stop <= after.start:
        return "the link voltage comes too seldom around the closing of the main contactors"
    settled_v = float(np.median(link.volt[after]))
    if settled_v < _SETTLED_SHARE * float(np.median(link.pack_v[after])):
        return "the link does not come up when the main contactors close"
    volt, at_ns = link.volt[window], link.time_ns[window]
    jump = int(np.argmax(np.where(volt[1:] >= _LANDS_SHARE * settled_v, np.diff(volt), -np.inf)))
    before_v, after_v, step_ns = float(volt[jump]), float(volt[jump + 1]), int(at_ns[jump + 1] - at_ns[jump])
    share = before_v / settled_v
    if (after_v - before_v) < _JUMP_SHARE * settled_v:
        if float(volt[-1]) * 100 < limit_percent * settled_v:
            return "the link voltage comes too seldom around the closing of the main contactors"
        # Nothing jumped: whatever was missing came gently, or was there.
        return _Reached(100.0, before_v, after_v, closing.after_ns)
    if step_ns > _OLDEST_S * 1e9:
        return "the link voltage comes too seldom around the closing of the main contactors"
    if share * 100 >= limit_percent:
        return _Reached(share * 100, before_v, after_v, int(at_ns[jump]))
    rose = (before_v - float(volt[: jump + 1].min())) >= _JUMP_SHARE * settled_v
    done = _could_reach(closing, share, int(at_ns[jump]), step_ns, rose=rose)
    if done * 100 >= limit_percent:
        return "the link voltage or the contactors' states come too seldom to tell pre-charge from inrush"
    return _Reached(done * 100, before_v, after_v, int(at_ns[jump]))


def _could_reach(closing: _Closing, share: float, at_ns: int, step_ns: int, *, rose: bool) -> float:
    """Give how far the link could have come by pre-charge until the sample after the jump.

    A capacitor behind a resistor misses exp(-t/RC) of the pack voltage. How quick it is, is told by the way it has come
    since pre-charge began; where that is not known it may be as quick as any.
    """
    missing = max(1 - share, 0.0)
    if closing.precharge_ns is not None:
        # It began at the latest when it was said to be on, and the coil's time later.
        since_s = (at_ns - closing.precharge_ns) / 1e9 - _SHORTEST_S
        if since_s > 0:
            further = step_ns / 1e9 / since_s
            by_curve = 1 - missing ** (1 + further)
            evenly = max(share, 0.0) * (1 + further)
            return float(max(by_curve, evenly))
    if closing.unseen_s < _SHORTEST_S and not rose:  # what has risen was pre-charged, seen or not
        return share
    quickest_s = _SHORTEST_S / np.log(100)  # so that 99 % are reached in the shortest time
    return float(1 - missing * np.exp(-step_ns / 1e9 / quickest_s))


def _jumps(
    states: ContactorStates, link: LinkVoltage, bad: Sequence[tuple[_Closing, _Reached]], limit: DefaultLimit
) -> Finding:
    worst_at, worst = min(bad, key=lambda pair: pair[1].percent)
    times = f" ({len(bad)} times in the capture)" if len(bad) > 1 else ""
    how = "after pre-charge" if worst_at.precharge_ns is not None else "without pre-charge seen"
    return Finding(
        code="precharge-fault",
        severity=Severity.WARNING,
        place=Place(),
        value=worst.percent,
        limit=limit.value,
        unit="%",
        from_ns=bad[0][1].at_ns,
        to_ns=bad[-1][0].after_ns,
        worst_ns=worst.at_ns,
        channel=link.names[0],
        channels=(*link.names, *_all_names(states)),
        explanation=(
            f"as the second main contactor closes, {printable(link.names[0])} jumps from {worst.before_v:.1f} to "
            f"{worst.after_v:.1f} V {how}{times}: it had come to {worst.percent:.0f} % of the pack voltage at most. "
            "The inrush burns the contactor's faces, in the end they weld"
        ),
        source=limit.source,
    )


def _too_long(states: ContactorStates) -> Iterator[Finding]:
    """Give a finding if the pre-charge contactor is closed for longer than any pre-charge takes."""
    if states.precharge is None:
        return
    on = states.stretches(states.precharging == CLOSED, _TOO_LONG_S)
    if not len(on):
        return
    seconds = (on.to_ns - on.from_ns) / 1e9
    longest = int(np.argmax(seconds))
    span = Span(int(on.from_ns[longest]), int(on.to_ns[longest]), 0, 0, 1)
    stays = (states.closed & (states.time_ns >= span.from_ns) & (states.time_ns <= span.to_ns)).any()
    yield Finding(
        code="precharge-fault",
        severity=Severity.WARNING,
        place=Place(sensor="precharge"),
        value=float(seconds[longest]),
        limit=_TOO_LONG_S,
        unit="s",
        from_ns=int(on.from_ns[0]),
        to_ns=int(on.to_ns[-1]),
        worst_ns=span.from_ns,
        channel=states.precharge.names[0],
        channels=_all_names(states),
        explanation=(
            f"the pre-charge contactor is said to be closed {duration(span)}"
            + (", beside closed main contactors" if stays else ", and the main contactors do not follow")
            + ". Pre-charge takes up to 3 s; its resistor is not made for longer, or its contactor does not let go"
        ),
        source="common practice, no source",
    )


def _given_up(states: ContactorStates, link: LinkVoltage, limit: DefaultLimit) -> Finding | None:
    """Give a finding if pre-charge ends without the link having come up, and the main contactors do not follow."""
    if states.precharge is None:
        return None
    on = states.stretches(states.precharging == CLOSED, _GIVEN_UP_S)
    margin_ns = int(states.allowance_s * 1e9)
    for from_ns, to_ns, ended in zip(on.from_ns.tolist(), on.to_ns.tolist(), on.ended.tolist(), strict=True):
        near = (states.time_ns >= from_ns) & (states.time_ns <= to_ns + margin_ns)
        other_pole = len(states.mains) == 1 or bool((states.main[:, near] == CLOSED).any())
        part = link.between(from_ns, to_ns)
        if not ended or states.closed[near].any() or not other_pole or part.stop - part.start < 3:
            continue
        last = slice(max(part.stop - 3, part.start), part.stop)
        volt, pack_v = float(np.median(link.volt[last])), float(np.median(link.pack_v[last]))
        if float(link.time_ns[part.stop - 1]) < to_ns - _OLDEST_S * 1e9 or volt / pack_v * 100 >= limit.value:
            continue
        return Finding(
            code="precharge-fault",
            severity=Severity.WARNING,
            place=Place(sensor="precharge"),
            value=volt / pack_v * 100,
            limit=limit.value,
            unit="%",
            from_ns=from_ns,
            to_ns=to_ns,
            worst_ns=to_ns,
            channel=link.names[0],
            channels=(*link.names, *_all_names(states)),
            explanation=(
                f"pre-charge was on for {(to_ns - from_ns) / 1e9:.1f} s and brought {printable(link.names[0])} to "
                f"{volt:.1f} of {pack_v:.1f} V; then it was given up. Resistor or contactor do not conduct, or "
                "something loads the link"
            ),
            source=limit.source,
        )
    return None


def _all_names(states: ContactorStates) -> tuple[str, ...]:
    return (*states.names, *(states.precharge.names if states.precharge is not None else ()))
