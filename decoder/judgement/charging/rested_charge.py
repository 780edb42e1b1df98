"""State of charge from the voltage of cells at rest.

A cell that rests shows its open-circuit voltage, and the curve of its chemistry says which state of charge that is. The
answer is an interval: the curve is not known better than some millivolts, the cells are read in steps, and a cell that
has not rested for long has not settled yet. What is too wide to say anything is refused.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.channels.states import STALE_CYCLES
from decoder.errors import SheetError
from decoder.judgement.cells.medians import column_medians, row_medians
from decoder.judgement.cells.phases import rested_s, stretches
from decoder.maps.chemistry import CURVES, charge_curve, curves_of

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from decoder.channels import Channels
    from decoder.judgement.cells.cell_table import CellTable
    from decoder.maps.pack_sheet import PackSheet

# A shorter rest says nothing; nor does one whose beginning was not seen, unless it is seen for longer.
# Common practice, no source.
SHORTEST_REST_S: Final = 60.0
SHORTEST_UNSEEN_REST_S: Final = 300.0
# Where the load before a rest was not seen from its beginning, it is taken to have lasted so long. Common practice, no
# source.
UNSEEN_LOAD_S: Final = 1800.0
# Where the rest was not seen from its beginning, a cell that had rested as long before has so much to go, over what it
# moved in the later half: the tail of diffusion, as in `still_to_go`.
STILL_TO_GO_UNSEEN: Final = 6.5
# How well a curve is known: the cell's temperature and age, and the error of what measures it.
# LFP rests at two voltages, whether it was charged or discharged before (hysteresis). Common practice, no source.
CURVE_UNSURE_V: Final = 0.010
HYSTERESIS_V: Final[dict[str, float]] = {"LFP": 0.030, "NiMH": 0.030}
# An interval that is wider says nothing. Common practice, no source.
WIDEST_PERCENT: Final = 30.0
# The voltage at a moment of a rest is the median over so long.
_WINDOW_S: Final = 5.0
# The load before a rest is looked at so far back, in about so many scans.
_LOAD_WINDOW_S: Final = 600.0
_LOAD_SCANS: Final = 1000


@dataclass(frozen=True, slots=True)
class RestedCharge:
    """The state of charge of the median cell at the end of one rest.

    from_ns, to_ns : the rest; it ends with the next load, a gap, or the capture
    seen_from_load : whether the end of the load before was seen
    volt : the median cell at its end (V)
    low_v, high_v : between these it will settle, by the curves' reckoning
    by_curve : name of each curve, lowest and highest state of charge (%) by it
    """

    from_ns: int
    to_ns: int
    seen_from_load: bool
    volt: float
    low_v: float
    high_v: float
    by_curve: tuple[tuple[str, float, float], ...]

    @property
    def rested_s(self) -> float:
        """How long it rested as far as seen (s)."""
        return (self.to_ns - self.from_ns) / 1e9

    @property
    def low_percent(self) -> float:
        """The lowest state of charge by any curve."""
        return min(low for _, low, _ in self.by_curve)

    @property
    def high_percent(self) -> float:
        """The highest state of charge by any curve."""
        return max(high for _, _, high in self.by_curve)

    @property
    def words(self) -> str:
        """What it rests on, for an explanation."""
        curves = " and ".join(name for name, _, _ in self.by_curve)
        since = "" if self.seen_from_load else " or more"
        return (
            f"the median cell rests at {self.volt:.3f} V after {self.rested_s / 60:.1f} min{since}, which is "
            f"{self.low_percent:.0f} to {self.high_percent:.0f} % by the curve{'s' * (len(self.by_curve) > 1)} {curves}"
        )


@dataclass(frozen=True, slots=True)
class _Curve:
    """State of charge (%) over rest voltage (V), both rising."""

    name: str
    percent: NDArray[np.float64]
    volt: NDArray[np.float64]

    def between(self, low_v: float, high_v: float) -> tuple[float, float]:
        """Give the lowest state of charge that has `low_v`, and the highest that has `high_v`."""
        first_v, first = np.unique(self.volt, return_index=True)
        last = len(self.volt) - 1 - np.unique(self.volt[::-1], return_index=True)[1]
        return (
            float(np.interp(low_v, first_v, self.percent[first])),
            float(np.interp(high_v, first_v, self.percent[last])),
        )

    def holds(self, low_v: float, high_v: float) -> bool:
        return bool(high_v >= self.volt[0] and low_v <= self.volt[-1])


def rested_charges(channels: Channels, table: CellTable) -> tuple[tuple[RestedCharge, ...], str]:
    """Give the state of charge at the end of each rest that can say it, in order of time.

    Where there is none, the second part says why in plain words; else it is empty.
    """
    curves, reason = _curves(channels.sheet)
    if reason:
        return (), reason
    if table.current is None:
        return (), "no pack current says when the pack rests"
    chemistry = _chemistry(channels.sheet)
    found = []
    reason = (
        f"the pack never rested for {SHORTEST_REST_S:.0f} s after a load, or for {SHORTEST_UNSEEN_REST_S / 60:.0f} min"
    )
    for first, last, load_s, seen in _rests(table):
        volts = _settling(table, first, last, load_s, seen_from_load=seen)
        if volts is None:
            continue
        volt, low_v, high_v = volts
        unsure_v = CURVE_UNSURE_V + HYSTERESIS_V.get(chemistry, 0.0) + float(np.median(table.step_v)) / 2
        low_v, high_v = low_v - unsure_v, high_v + unsure_v
        if not any(curve.holds(low_v, high_v) for curve in curves):
            reason = f"the median cell rests at {volt:.3f} V, which no curve of the pack sheet's chemistry reaches"
            continue
        rest = RestedCharge(
            int(table.scans.time_ns[first]),
            int(table.scans.time_ns[last]),
            seen,
            volt,
            low_v,
            high_v,
            tuple((curve.name, *curve.between(low_v, high_v)) for curve in curves),
        )
        if rest.high_percent - rest.low_percent <= WIDEST_PERCENT:
            found.append(rest)
        else:
            reason = f"too little is known at rest: {rest.words}"
    return tuple(found), "" if found else reason


def _curves(sheet: PackSheet | None) -> tuple[tuple[_Curve, ...], str]:
    """Give the curve that the sheet names, else all of its chemistry; or the reason why there is none."""
    if sheet is None:
        return (), "no pack sheet names a chemistry or a charge curve"
    try:
        own = charge_curve(sheet)
    except SheetError as error:
        return (), str(error)
    if own is not None:
        return (_Curve(sheet.charge_curve or "", *own),), ""
    if sheet.chemistry is None:
        return (), "the pack sheet names neither a chemistry nor a charge curve"
    built_in = tuple(
        _Curve(curve.name, np.array(curve.charge_percent), np.array(curve.volt)) for curve in curves_of(sheet.chemistry)
    )
    return built_in, "" if built_in else f"no charge curve for {sheet.chemistry} (a pack sheet can name one)"


def _chemistry(sheet: PackSheet | None) -> str:
    """Give the chemistry that the sheet says, itself or by its curve."""
    if sheet is None:
        return ""
    named = CURVES.get(sheet.charge_curve or "")
    return sheet.chemistry or (named.chemistry if named is not None else "")


def _rests(table: CellTable) -> Iterator[tuple[int, int, float, bool]]:
    """Give each rest that is long enough: first and last scan, how long the load before was, whether its end was seen.

    A load is all that was since the rest before, which itself was long enough.
    """
    time_ns = table.scans.time_ns
    since_s = rested_s(table)
    usual_s = float(np.median(np.diff(time_ns))) / 1e9 if len(time_ns) > 1 else 0.0
    loaded_from_ns = int(time_ns[0]) - int(UNSEEN_LOAD_S * 1e9) if len(time_ns) else 0
    for first, end in stretches(time_ns, (since_s > 0) & _fresh_current(table)):
        last = end - 1
        seen = bool(since_s[first] <= STALE_CYCLES * usual_s)
        if (time_ns[last] - time_ns[first]) / 1e9 >= (SHORTEST_REST_S if seen else SHORTEST_UNSEEN_REST_S):
            load_s = (int(time_ns[first]) - loaded_from_ns) / 1e9 if seen else UNSEEN_LOAD_S
            yield first, last, max(load_s, SHORTEST_REST_S), seen
            loaded_from_ns = int(time_ns[last])


def _fresh_current(table: CellTable) -> NDArray[np.bool_]:
    """Tell at which scans the current is known and not stale."""
    known: NDArray[np.bool_] = np.isfinite(table.current_a)
    series = table.current
    if series is None or series.cycle_s is None:
        return known
    taken_ns = series.rising_ns
    index = np.maximum(np.searchsorted(taken_ns, table.scans.time_ns, side="right") - 1, 0)
    age_ns = table.scans.time_ns - taken_ns[index]
    return known & (age_ns <= STALE_CYCLES * series.cycle_s * 1e9)


def still_to_go(rested_s: float, load_s: float) -> tuple[float, float]:
    """Give what a cell still has to go, over what it moved in the later half of its rest, and over all it came back.

    Diffusion answers a step of the current with the square root of time (Weppner and Huggins 1977, J. Electrochem. Soc.
    124 1569, from memory), and steps add up: after a load of length L, sqrt(t + L) - sqrt(t) is left at t of the
    sqrt(L) that it left behind. What is thin settles sooner, so a warm cell has less to go.
    """

    def left(at_s: float) -> float:
        return float(np.sqrt(at_s + load_s) - np.sqrt(at_s))

    now = left(rested_s)
    return now / (left(rested_s / 2) - now), now / (left(0.0) - now)


def _settling(
    table: CellTable, first: int, last: int, load_s: float, *, seen_from_load: bool
) -> tuple[float, float, float] | None:
    """Give the median cell at the end of a rest, and between which voltages it will settle; ``None`` if not known."""
    time_ns = table.scans.time_ns
    half_ns = (int(time_ns[first]) + int(time_ns[last])) // 2
    window_ns = int(_WINDOW_S * 1e9)
    late = _cells_at(table, int(time_ns[last]) - window_ns, int(time_ns[last]), last)
    middle = _cells_at(table, half_ns - window_ns // 2, half_ns + window_ns // 2, (first + last) // 2)
    both = np.isfinite(late) & np.isfinite(middle)
    if not both.any():
        return None
    step_v = float(np.median(table.step_v))
    volt, moved_v = float(np.median(late[both])), float(np.median((late - middle)[both]))
    seen_s = (int(time_ns[last]) - int(time_ns[first])) / 1e9
    ahead, of_all = still_to_go(seen_s, load_s)
    if not seen_from_load:
        ahead = max(ahead, STILL_TO_GO_UNSEEN)
    up_v, down_v = (ahead * (max(way, 0.0) + step_v / 2) for way in (moved_v, -moved_v))
    if seen_from_load:
        came_v, load_a = _load_before(table, first, volt)
        most_v = max(of_all, 1.0) * came_v + step_v
        up_v, down_v = min(up_v, most_v), min(down_v, most_v)
        # What still flows at rest holds the cells off as the load did, in proportion.
        held_v = min(came_v * abs(float(table.current_a[last])) / load_a, came_v) if load_a > 0 else 0.0
        up_v, down_v = up_v + held_v, down_v + held_v
    return volt, volt - down_v, volt + up_v


def _cells_at(table: CellTable, from_ns: int, to_ns: int, row: int) -> NDArray[np.float64]:
    """Give each cell's median voltage in a window, of its present values; `row` counts where the window holds none."""
    begin, end = np.searchsorted(table.scans.time_ns, [from_ns, to_ns + 1])
    return _medians(table, min(int(begin), row), max(int(end), row + 1))


def _load_before(table: CellTable, first: int, volt: float) -> tuple[float, float]:
    """Give how far the median cell was from `volt` under the load before a rest (V), and what flowed then (A).

    Both are the most of it: a load often ends with a moment of the other sign, by braking. The way is infinite where
    the scans say nothing.
    """
    time_ns = table.scans.time_ns
    begin = int(np.searchsorted(time_ns, int(time_ns[first]) - int(_LOAD_WINDOW_S * 1e9)))
    rows = np.arange(begin, first)[:: max((first - begin) // _LOAD_SCANS, 1)]
    away_v = np.abs(row_medians(table.scans.volt[rows]) - volt)
    current_a = np.abs(table.current_a[rows])
    if not np.isfinite(away_v).any() or not np.isfinite(current_a).any():
        return float("inf"), 0.0
    return float(np.nanmax(away_v)), float(np.nanmax(current_a))


def _medians(table: CellTable, begin: int, end: int) -> NDArray[np.float64]:
    """Give each cell's median over some scans; NaN where it has no value there."""
    volt = table.scans.volt[begin:end]
    return column_medians(volt, np.ones(len(volt), np.bool_))
