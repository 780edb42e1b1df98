"""Contactors against the link voltage: welded, not closing, held closed without the vehicle's supply."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.channels.states import cycle_s
from decoder.judgement.cells.cell_table import at_times
from decoder.judgement.electrics.contactor_held import held_findings
from decoder.judgement.electrics.contactor_states import OPEN, ContactorStates, contactor_states
from decoder.judgement.electrics.lasting import lasting
from decoder.judgement.electrics.link_voltage import NEAR_SHARE, SHORTEST_LOOK_S, LinkVoltage, link_voltage
from decoder.judgement.finding import Finding, Severity
from decoder.judgement.spans import duration, spans
from decoder.maps.pack_sheet import Place
from decoder.printable import printable

if TYPE_CHECKING:
    from collections.abc import Iterator

    from decoder.channels import Channels
    from decoder.judgement.electrics.contactor_states import Stretches

_PRACTICE: Final = "common practice, no source"
# A link that is not there so long after the contactors closed does not come by itself. Common practice, no source.
_AWAY_S: Final = 1.0
# Where only one pole has a channel, the other may be waiting for the end of pre-charge, which takes up to 3 s,
# with ten at the most. Common practice, no source.
_AWAY_ALONE_S: Final = 10.0
_LATE_CYCLES: Final = 2
# So long after its first sample a controller may not have measured the link yet. Common practice, no source.
_WAKE_UP_S: Final = 2.0
# With so much current the way is closed, whatever the link's sensor says. Common practice, no source.
_FLOWS_A: Final = 5.0


def contactor_findings(channels: Channels, not_judged: dict[str, str]) -> Iterator[Finding]:
    """Judge the main contactors; reasons for not judging go to `not_judged`."""
    states, link = contactor_states(channels), link_voltage(channels)
    if isinstance(states, str):
        not_judged["contactor-welded"] = not_judged["contactor-open"] = states
    elif isinstance(link, str):
        not_judged["contactor-welded"] = not_judged["contactor-open"] = link
    else:
        yield from _welded(states, link, not_judged)
        yield from _open(channels, states, link, not_judged)
    yield from held_findings(channels, states, link, not_judged)


def _welded(states: ContactorStates, link: LinkVoltage, not_judged: dict[str, str]) -> Iterator[Finding]:
    """Look at the link wherever the contactors are said to leave no way to it."""
    open_ones = states.stretches(states.broken, SHORTEST_LOOK_S).shortened(states.allowance_s)
    judged = False
    fed: list[slice] = []
    for from_ns, to_ns in zip(open_ones.from_ns.tolist(), open_ones.to_ns.tolist(), strict=True):
        part = link.between(from_ns, to_ns)
        if link.can_tell(part):
            judged = True
            there = link.fed(part)
            if there is not None and link.can_tell(there):
                fed.append(there)
    if fed:
        yield _welded_finding(states, link, fed)
    elif not judged:
        not_judged["contactor-welded"] = (
            f"the main contactors are not said to be open for long enough ({SHORTEST_LOOK_S:.0f} s and what the "
            "channels are late) while the link is measured"
        )


def _welded_finding(states: ContactorStates, link: LinkVoltage, fed: list[slice]) -> Finding:
    longest = max(fed, key=lambda part: int(link.time_ns[part.stop - 1] - link.time_ns[part.start]))
    seconds = float(link.time_ns[longest.stop - 1] - link.time_ns[longest.start]) / 1e9
    value, pack_v = float(np.median(link.volt[longest])), float(np.median(link.pack_v[longest]))
    times = f"{len(fed)} times, for up to" if len(fed) > 1 else "for"
    middle_ns = link.time_ns[(longest.start + longest.stop) // 2]
    open_sides = [one.side for one in states.mains if one.at(np.array([middle_ns]))[0] == OPEN]
    which = "both main contactors" if len(open_sides) > 1 else "the main contactor that is said to be open"
    return Finding(
        code="contactor-welded",
        severity=Severity.DANGER,
        place=_place(open_sides),
        value=value,
        limit=NEAR_SHARE * pack_v,
        unit="V",
        from_ns=int(link.time_ns[fed[0].start]),
        to_ns=int(link.time_ns[fed[-1].stop - 1]),
        worst_ns=int(link.time_ns[longest.start]),
        channel=link.names[0],
        channels=(*link.names, *states.names),
        explanation=(
            f"the contactors are said to be open, yet {printable(link.names[0])} stays at {value:.1f} V beside "
            f"{pack_v:.1f} V of the pack, {times} {seconds:.1f} s: a link left alone falls. It conducts "
            f"through {which}: welded, or something else feeds the link (a charger, a turning motor), or the channel "
            "measures on the pack's side"
        ),
        source=_PRACTICE,
    )


def _open(
    channels: Channels, states: ContactorStates, link: LinkVoltage, not_judged: dict[str, str]
) -> Iterator[Finding]:
    """Look at the link wherever all main contactors are said to be closed."""
    away_s = _AWAY_S if len(states.mains) > 1 or states.mains[0].side == "main" else _AWAY_ALONE_S
    # Under load the pack gives way, and a pack voltage that comes seldom does not tell so at once.
    away_s += _LATE_CYCLES * (cycle_s(link.pack.time_ns) or 0.0)
    closed = states.stretches(states.closed, away_s).shortened(states.allowance_s)
    looked = closed.hold(link.time_ns) & (link.time_ns >= link.series.time_ns[0] + int(_WAKE_UP_S * 1e9))
    if not looked.any():
        not_judged["contactor-open"] = "the main contactors are not said to be closed while the link is measured"
        return
    near = link.volt >= NEAR_SHARE * link.pack_v
    # Between two times of being closed there is an end, though no sample of the link may lie there.
    away = lasting(link.time_ns, looked & ~near, away_s, good=(looked & near) | _begins(closed, link))
    flows = away & (np.abs(_current(channels, link)) > _FLOWS_A)
    if flows.any():
        not_judged["contactor-open"] = (
            f"{printable(link.names[0])} is far from the pack voltage, but current flows: "
            "it does not measure behind the contactors, or at another scale"
        )
        return
    for span in spans(link.time_ns, away):
        inside = slice(span.first, span.last + 1)
        worst = span.first + int(np.argmin(np.where(away, link.volt / link.pack_v, np.inf)[inside]))
        yield Finding(
            code="contactor-open",
            severity=Severity.CAUTION,
            place=_place([contact.side for contact in states.mains]),
            value=float(link.volt[worst]),
            limit=NEAR_SHARE * float(link.pack_v[worst]),
            unit="V",
            from_ns=span.from_ns,
            to_ns=span.to_ns,
            worst_ns=int(link.time_ns[worst]),
            channel=link.names[0],
            channels=(*link.names, *states.names),
            explanation=(
                f"the contactors are said to be closed, yet {printable(link.names[0])} is at {link.volt[worst]:.1f} V "
                f"beside {link.pack_v[worst]:.1f} V of the pack, {duration(span)}. A contactor does not close, or fuse "
                "or service plug are open"
            ),
            source=_PRACTICE,
        )


def _begins(closed: Stretches, link: LinkVoltage) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Mark the sample before each stretch: there what was before has ended."""
    marks = np.zeros(len(link.time_ns), np.bool_)
    before = np.searchsorted(link.time_ns, closed.from_ns) - 1
    marks[before[before >= 0]] = True
    return marks


def _current(channels: Channels, link: LinkVoltage) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Give the pack current at each sample of the link, 0 where it is not known."""
    current = next((one for one in channels.of("pack current") if one.present), None)
    return np.nan_to_num(at_times(current, link.time_ns))


def _place(sides: list[str]) -> Place:
    """Give the pole where it can only be one, else the pack: the link cannot tell which of two it is."""
    return Place(sensor=sides[0]) if len(sides) == 1 and sides[0] != "main" else Place()
