"""Charge counted from the pack current, and what it says beside the state of charge at rest."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.channels.states import STALE_CYCLES
from decoder.judgement.cells.cell_table import step_of
from decoder.judgement.charging.rested_charge import rested_charges
from decoder.judgement.finding import Finding, Severity
from decoder.maps.default_limits import limit_of
from decoder.maps.pack_sheet import Place
from decoder.printable import printable

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from decoder.channels import Channels, Series
    from decoder.judgement.cells.cell_table import CellTable
    from decoder.judgement.charging.rested_charge import RestedCharge

# What a current sensor may be off by: a share of what flows, and always. Common practice, no source.
CURRENT_UNSURE_SHARE: Final = 0.005
CURRENT_UNSURE_A: Final = 0.1
# A capacity that is known less well than this is not told. Common practice, no source.
CAPACITY_UNSURE_SHARE: Final = 0.10
_S_PER_H: Final = 3600.0


@dataclass(frozen=True, slots=True, eq=False)
class CountedCharge:
    """The charge that left the pack, added up by trapezoids between the samples of the current.

    time_ns : int64, n, when each sample came, never falling
    current_a : float64, n, positive while discharging
    out_ah : float64, n, what left since the first sample, less what came in
    through_ah : float64, n, what left and what came in since the first sample
    gaps : int64, n, how many gaps lie before each sample: a gap is longer than five cycles, or the clock jumped back
    unsure_a : what the sensor may be off by at all times (A)
    cycle_ns : the usual time between samples
    """

    time_ns: NDArray[np.int64]
    current_a: NDArray[np.float64]
    out_ah: NDArray[np.float64]
    through_ah: NDArray[np.float64]
    gaps: NDArray[np.int64]
    unsure_a: float
    cycle_ns: int

    def between(self, from_ns: int, to_ns: int) -> tuple[float, float] | None:
        """Give the charge (Ah) that left between two times and how unsure it is (Ah).

        ``None`` where the samples do not reach from one to the other, or a gap lies between. One cycle beyond the
        samples is within reach: another channel may end a little later.
        """
        first_ns, last_ns = int(self.time_ns[0]), int(self.time_ns[-1])
        if first_ns - self.cycle_ns <= from_ns and to_ns <= last_ns + self.cycle_ns:
            from_ns, to_ns = max(from_ns, first_ns), min(to_ns, last_ns)
        if not self.time_ns[0] <= from_ns <= to_ns <= self.time_ns[-1]:
            return None
        before = int(np.searchsorted(self.time_ns, from_ns, side="right")) - 1
        if self.gaps[before] != self.gap_number(to_ns):
            return None
        (out_from, through_from), (out_to, through_to) = self._until(from_ns), self._until(to_ns)
        hours = (to_ns - from_ns) / 1e9 / _S_PER_H
        return out_to - out_from, CURRENT_UNSURE_SHARE * (through_to - through_from) + self.unsure_a * hours

    def gap_number(self, time_ns: int) -> int:
        """Tell how many gaps lie before the first sample from a time on."""
        at = int(np.searchsorted(self.time_ns, time_ns, side="left"))
        return int(self.gaps[min(at, len(self.gaps) - 1)])

    def _until(self, time_ns: int) -> tuple[float, float]:
        """Give out_ah and through_ah at a time that may lie between two samples."""
        after = min(int(np.searchsorted(self.time_ns, time_ns, side="left")), len(self.time_ns) - 1)
        if after == 0 or self.time_ns[after] == time_ns:
            return float(self.out_ah[after]), float(self.through_ah[after])
        before = after - 1
        share = (time_ns - self.time_ns[before]) / (self.time_ns[after] - self.time_ns[before])
        here_a = self.current_a[before] + share * (self.current_a[after] - self.current_a[before])
        out, through = _trapezoids(
            np.array([self.time_ns[before], time_ns]), np.array([self.current_a[before], here_a])
        )
        return float(self.out_ah[before] + out[0]), float(self.through_ah[before] + through[0])


def counted_charge(current: Series | None, sign: int = 1) -> CountedCharge | None:
    """Add up the charge of a current channel; ``None`` where it has no two samples a cycle apart.

    sign : 1 where the channel counts positive while discharging, else -1
    """
    if current is None or current.cycle_s is None:
        return None
    known = np.isfinite(current.in_quantity_unit)
    if np.count_nonzero(known) < 2:
        return None
    as_sent_ns = current.time_ns[known]
    time_ns = np.maximum.accumulate(as_sent_ns)
    current_a = sign * current.in_quantity_unit[known]
    apart_ns = np.diff(as_sent_ns)
    gap = (apart_ns > STALE_CYCLES * current.cycle_s * 1e9) | (apart_ns < 0)
    out, through = _trapezoids(time_ns, current_a)
    return CountedCharge(
        time_ns,
        current_a,
        np.append(0.0, np.cumsum(out)),
        np.append(0.0, np.cumsum(through)),
        np.append(0, np.cumsum(gap)),
        max(CURRENT_UNSURE_A, step_of(current) / 2),
        round(current.cycle_s * 1e9),
    )


def _trapezoids(
    time_ns: NDArray[np.int64], current_a: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Give the charge of each interval, and the same of the current's amount (Ah)."""
    hours = np.diff(time_ns) / 1e9 / _S_PER_H
    amount = np.abs(current_a)
    return (current_a[1:] + current_a[:-1]) / 2 * hours, (amount[1:] + amount[:-1]) / 2 * hours


@dataclass(frozen=True, slots=True)
class Capacity:
    """What the pack holds between the ends of its cells' curve (Ah), from two rests and the charge between them."""

    low_ah: float
    high_ah: float
    out_ah: float
    first: RestedCharge
    last: RestedCharge

    @property
    def ah(self) -> float:
        """The middle of the interval."""
        return (self.low_ah + self.high_ah) / 2

    @property
    def unsure_share(self) -> float:
        """Half the interval over its middle."""
        return (self.high_ah - self.low_ah) / (self.high_ah + self.low_ah)


def capacity(
    counted: CountedCharge | None, rests: Sequence[RestedCharge], limit_ah: float = 0.0
) -> tuple[Capacity | None, str]:
    """Give the capacity from the two rests that tell it best; else the reason why none can be told.

    limit_ah : one that is wholly below it is told however unsure it is
    """
    if counted is None:
        return None, "the pack current has too few samples to count the charge"
    found, reason = [], "the pack did not rest twice with the current known in between"
    for first, last in _far_apart(counted, rests):
        one, why = _capacity_between(counted, first, last, limit_ah)
        if one is None:
            reason = why
        else:
            found.append(one)
    return min(found, key=lambda one: one.unsure_share, default=None), "" if found else reason


def _far_apart(counted: CountedCharge, rests: Sequence[RestedCharge]) -> Iterator[tuple[RestedCharge, RestedCharge]]:
    """Give the fullest and the emptiest rest between any two gaps of the current, and neighbours, in order of time."""
    parts: dict[int, list[RestedCharge]] = {}
    for rest in rests:
        parts.setdefault(counted.gap_number(rest.to_ns), []).append(rest)
    for part in parts.values():
        ordered = sorted(part, key=lambda rest: rest.volt)
        extremes = sorted((ordered[0], ordered[-1]), key=lambda rest: rest.to_ns)
        if len(part) > 1:
            yield extremes[0], extremes[1]
            yield from pairwise(part)


def _capacity_between(
    counted: CountedCharge, first: RestedCharge, last: RestedCharge, limit_ah: float
) -> tuple[Capacity | None, str]:
    charge = counted.between(first.to_ns, last.to_ns)
    if charge is None:
        return None, "the pack current is not known all the way between two rests"
    out_ah, unsure_ah = charge
    lows, highs = [], []
    for (_, first_low, first_high), (_, last_low, last_high) in zip(first.by_curve, last.by_curve, strict=True):
        # What is unsure in both rests alike falls out of their difference, what is not is seldom at its worst in both.
        unsure = float(np.hypot(first_high - first_low, last_high - last_low)) / 2
        given_off = (first_low + first_high - last_low - last_high) / 2
        least, most = (given_off - unsure) / 100, (given_off + unsure) / 100
        if out_ah < 0:
            least, most = -most, -least
        if least <= 0:
            return None, (
                f"between the rests {abs(out_ah):.1f} Ah flowed, too little beside what the rests leave open "
                f"({first.low_percent:.0f} to {first.high_percent:.0f} %, then "
                f"{last.low_percent:.0f} to {last.high_percent:.0f} %)"
            )
        lows.append(max(abs(out_ah) - unsure_ah, 0.0) / most)
        highs.append((abs(out_ah) + unsure_ah) / least)
    found = Capacity(min(lows), max(highs), out_ah, first, last)
    if found.unsure_share > CAPACITY_UNSURE_SHARE and found.high_ah >= limit_ah:
        return None, (
            f"{abs(out_ah):.1f} Ah between two rests tell the capacity to {found.low_ah:.0f} to {found.high_ah:.0f} Ah "
            f"only; more charge must flow between them"
        )
    return found, ""


def charge_findings(channels: Channels, table: CellTable, not_judged: dict[str, str]) -> Iterator[Finding]:
    """Judge the controller's state of charge, and the capacity; reasons for not judging go to `not_judged`."""
    rests, reason = rested_charges(channels, table)
    if reason:
        not_judged["charge-mismatch"] = not_judged["capacity-low"] = reason
        return
    yield from _charge_mismatch(channels, rests, not_judged)
    yield from _capacity_low(channels, table, rests, not_judged)


def _charge_mismatch(
    channels: Channels, rests: Sequence[RestedCharge], not_judged: dict[str, str]
) -> Iterator[Finding]:
    """Give a finding for each state of charge that lies outside what the rested cells can mean."""
    judged = False
    for series in channels.of("state of charge"):
        off = [(rest, shown, _outside(rest, shown)) for rest in rests for shown in _shown_at(series, rest)]
        judged = judged or bool(off)
        limit = limit_of(channels.sheet, "charge_mismatch_percent")
        far = [one for one in off if one[2] > limit.value]
        if far:
            rest, shown, away = max(far, key=lambda one: one[2])
            name = series.channel.name
            yield Finding(
                code="charge-mismatch",
                severity=Severity.CAUTION,
                place=Place(),
                value=away,
                limit=limit.value,
                unit="%",
                from_ns=min(one[0].from_ns for one in far),
                to_ns=max(one[0].to_ns for one in far),
                worst_ns=rest.to_ns,
                channel=name,
                channels=(name,),
                explanation=(
                    f"{printable(name)} says {shown:.1f} %; {rest.words}: {away:.1f} % outside. The controller has "
                    f"lost count, or its capacity is wrong. Controllers often show the usable charge, such as 5 to "
                    f"95 % of the cell's: that alone explains some percent"
                ),
                source=limit.source,
            )
    if not judged:
        not_judged["charge-mismatch"] = "no state of charge by the controller while the pack rests"


def _shown_at(series: Series, rest: RestedCharge) -> list[float]:
    """Give the last value that a channel had within a rest, in a list that is empty where it had none."""
    time_ns = series.rising_ns
    begin, end = np.searchsorted(time_ns, [rest.from_ns, rest.to_ns + 1])
    value = series.in_quantity_unit[begin:end]
    return [float(one) for one in value[np.isfinite(value)][-1:]]


def _outside(rest: RestedCharge, shown: float) -> float:
    """Give by how much a state of charge lies outside what a rest says (%)."""
    return max(rest.low_percent - shown, shown - rest.high_percent, 0.0)


def _capacity_low(
    channels: Channels, table: CellTable, rests: Sequence[RestedCharge], not_judged: dict[str, str]
) -> Iterator[Finding]:
    said_ah = channels.sheet.capacity_ah if channels.sheet is not None else None
    if not said_ah:
        not_judged["capacity-low"] = "the pack sheet gives no capacity"
        return
    limit = limit_of(channels.sheet, "capacity_low_percent")
    limit_ah = said_ah * limit.value / 100
    found, reason = capacity(counted_charge(table.current, table.sign), rests, limit_ah)
    if found is None:
        not_judged["capacity-low"] = reason
        return
    if found.high_ah >= limit_ah:
        return
    name = table.current.channel.name if table.current is not None else ""
    yield Finding(
        code="capacity-low",
        severity=Severity.CAUTION,
        place=Place(),
        value=found.ah,
        limit=limit_ah,
        unit="Ah",
        from_ns=found.first.to_ns,
        to_ns=found.last.to_ns,
        channel=name,
        channels=(name,),
        explanation=(
            f"{abs(found.out_ah):.1f} Ah {'left' if found.out_ah > 0 else 'entered'} the pack between two rests: first "
            f"{found.first.words}, then {found.last.words}. That is a capacity of {found.low_ah:.1f} to "
            f"{found.high_ah:.1f} Ah; the pack sheet says {said_ah:.1f} Ah. The median cell counts: the weakest holds "
            f"less. Age, or parallel cells that have dropped out"
        ),
        source=limit.source,
    )
