"""Contactors that stay closed though the vehicle's supply is gone: a battery inside the pack holds them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.channels.states import STALE_CYCLES, cycle_s
from decoder.judgement.electrics.contactor_states import CLOSED, UNKNOWN, ContactorStates
from decoder.judgement.electrics.lasting import lasting, runs
from decoder.judgement.finding import Finding, Severity
from decoder.judgement.spans import Span, duration, spans
from decoder.maps.pack_sheet import Place
from decoder.maps.patterns import bare_name
from decoder.maps.words import words_of
from decoder.printable import printable

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from decoder.channels import Channels, Series
    from decoder.judgement.electrics.link_voltage import LinkVoltage

# A controller does not run from less, and a battery of 12 V that cranks an engine does not fall so far.
# Common practice, no source.
ABSENT_V: Final = 3.0
# Longer than a dip, and longer than a sound controller needs to let go. Common practice, no source.
HELD_S: Final = 1.0
# What a controller says of its supply before it has measured. Common practice, no source.
_WAKE_UP_S: Final = 0.5
# What feeds sensors (3.3 or 5 V) is made inside, and stays. Common practice, no source.
_SENSOR_SUPPLY_V: Final = 6.0
# A line that is switched says nothing of the supply: it is off while charging. Common practice, no source.
_SWITCHED: Final = frozenset(["ignition", "ign", "acc", "wake", "wakeup", "wup", "crank", "key", "run", "start"])
_SWITCHED_TERMINALS: Final = frozenset({"15", "50", "54"})

_PRESENT, _GONE = 1, 0


def held_findings(
    channels: Channels, states: ContactorStates | str, link: LinkVoltage | str, not_judged: dict[str, str]
) -> Iterator[Finding]:
    """Judge whether contactors stay closed, or the link live, while every supply from the vehicle is gone."""
    supplies = [series for series in channels.of("supply voltage") if _feeds_the_pack(series)]
    if not supplies:
        not_judged["contactor-held"] = "no channel for the vehicle's supply"
        return
    if isinstance(states, str) and isinstance(link, str):
        not_judged["contactor-held"] = f"{states}; {link}"
        return
    time_ns, gone, back = _all_gone(supplies)
    closed = np.zeros(len(time_ns), np.bool_)
    unsaid = np.ones(len(time_ns), np.bool_)
    longer_than_s = HELD_S
    if isinstance(states, ContactorStates):
        said = np.array([contact.at(time_ns) for contact in states.mains])
        closed, unsaid = (said == CLOSED).all(axis=0), (said == UNKNOWN).any(axis=0)
        longer_than_s += max(contact.cycle_s for contact in states.mains)
    held = lasting(time_ns, gone & closed, longer_than_s, good=back | ~(closed | unsaid))
    if not isinstance(link, str):
        held |= _link_live(time_ns, gone & unsaid, back, link)
    names = states.names if isinstance(states, ContactorStates) else ()
    for span in spans(time_ns, held):
        yield _finding(channels, supplies, (*names, *(() if isinstance(link, str) else link.names)), span)


def _feeds_the_pack(series: Series) -> bool:
    """Tell whether this is a lasting supply from the vehicle: neither switched, nor one that feeds sensors."""
    words = {word.text for word in words_of(bare_name(series.channel.name))}
    if words & _SWITCHED or ("kl" in words and words & _SWITCHED_TERMINALS) or not series.present:
        return False
    largest = float(np.nanmax(series.in_quantity_unit))
    return not ABSENT_V <= largest < _SENSOR_SUPPLY_V


def _all_gone(supplies: Sequence[Series]) -> tuple[NDArray[np.int64], NDArray[np.bool_], NDArray[np.bool_]]:
    """Give the times of all samples, at which of them every supply is gone, and at which one is there."""
    rising = [series.rising_ns for series in supplies]
    time_ns = np.unique(np.concatenate(rising))
    states = []
    for series, at_ns in zip(supplies, rising, strict=True):
        volt = series.in_quantity_unit
        there = np.isfinite(volt) & (volt >= ABSENT_V)
        # What is not available was there before, or nothing is known of it.
        went = np.isnan(volt) & np.logical_or.accumulate(there)
        low = np.isfinite(volt) & ~there & (at_ns >= at_ns[0] + int(_WAKE_UP_S * 1e9))
        state = np.where(there, _PRESENT, np.where(went | low, _GONE, UNKNOWN))
        index = np.searchsorted(at_ns, time_ns, side="right") - 1
        oldest_ns = STALE_CYCLES * (cycle_s(at_ns) or np.inf) * 1e9
        fresh = (index >= 0) & (time_ns - at_ns[index] <= oldest_ns)
        states.append(np.where(fresh, state[index], UNKNOWN))
    table = np.array(states)
    return time_ns, (table == _GONE).all(axis=0), (table == _PRESENT).any(axis=0)


def _link_live(
    time_ns: NDArray[np.int64], gone: NDArray[np.bool_], back: NDArray[np.bool_], link: LinkVoltage
) -> NDArray[np.bool_]:
    """Where nothing is said of the contactors, the link tells: it stays near the pack and does not fall."""
    live = np.zeros(len(time_ns), np.bool_)
    first, last = runs(lasting(time_ns, gone, HELD_S, good=back))
    for from_ns, to_ns in zip(time_ns[first].tolist(), time_ns[last].tolist(), strict=True):
        there = link.fed(link.between(from_ns, to_ns))
        if there is not None and link.can_tell(there):
            ends = link.time_ns[there.start], link.time_ns[there.stop - 1]
            live |= gone & (time_ns >= ends[0]) & (time_ns <= ends[1])
    return live


def _finding(channels: Channels, supplies: Sequence[Series], others: Sequence[str], span: Span) -> Finding:
    found = [_median_between(series, span) for series in supplies]
    known = [value for value in found if np.isfinite(value)]
    names = tuple(series.channel.name for series in supplies)
    keepers = [series for series in channels.of("keep-alive voltage") if series.present]
    said = f"at {max(known):.1f} V" if known else "not available any more"
    return Finding(
        code="contactor-held",
        severity=Severity.DANGER,
        place=Place(),
        value=max(known) if known else None,
        limit=ABSENT_V,
        unit="V",
        from_ns=span.from_ns,
        to_ns=span.to_ns,
        channel=names[0] if len(names) == 1 else None,
        channels=(*names, *others, *(series.channel.name for series in keepers)),
        explanation=(
            f"the vehicle's supply ({', '.join(map(printable, names))}) is {said}, yet the contactors stay closed, or "
            f"the link live, {duration(span)}. {_keeper_words(keepers, span)}. Caution: cutting the 12 V lead does not "
            "make the vehicle safe; follow the maker's rescue sheet"
        ),
        source="common practice, no source",
    )


def _median_between(series: Series, span: Span) -> float:
    volt = series.in_quantity_unit[_inside(series, span)]
    volt = volt[np.isfinite(volt)]
    return float(np.median(volt)) if len(volt) else float("nan")


def _inside(series: Series, span: Span) -> slice:
    first, end = np.searchsorted(series.rising_ns, [span.from_ns, span.to_ns + 1])
    return slice(int(first), int(end))


def _keeper_words(keepers: Sequence[Series], span: Span) -> str:
    """Say what the battery inside the pack is at by the end."""
    for series in keepers:
        volt = series.in_quantity_unit[_inside(series, span)]
        volt = volt[np.isfinite(volt)]
        if len(volt):
            return (
                f"A battery inside the pack holds them ({printable(series.channel.name)}: {volt[-1]:.1f} V at the end)"
            )
    return "Something inside the pack holds them"
