"""The limits that the judgement went by, and where each comes from."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from decoder.maps.default_limits import DEFAULT_LIMITS, limit_of
from decoder.maps.quantities import QUANTITIES
from decoder.report.texts import MINUS, Degrees, amount, is_difference, turned, unit_words

if TYPE_CHECKING:
    from decoder.channels import Channels, Series
    from decoder.channels.series import Limit

_NAMES: Final = {
    "module_spread_v": "spread of cells within a module",
    "pack_spread_v": "spread of cells over the pack",
    "sum_mismatch_percent": "sum of the cells against the pack voltage",
    "temperature_spread_c": "spread of temperatures",
    "temperature_rise_c_per_s": "rise of a temperature",
    "pressure_rise_kpa": "rise of swelling pressure",
    "insulation_ohm_per_v": "insulation resistance, d.c.",
    "insulation_combined_ohm_per_v": "insulation resistance, a.c. joined",
    "supply_low_v": "12 V supply, lowest",
    "supply_high_v": "12 V supply, highest",
    "keep_alive_low_v": "keep-alive supply, lowest",
    "cell_resistance_percent": "cell resistance above the median cell's",
    "self_discharge_mv_per_h": "fall of a resting cell against its siblings",
    "capacity_low_percent": "share of the capacity that is left, lowest",
    "charge_mismatch_percent": "state of charge against rested cells",
    "runaway_voltage_drop_percent": "drop of a cell's voltage in thermal runaway",
    "runaway_temperature_c": "temperature in thermal runaway",
    "precharged_percent": "link voltage when pre-charged, lowest",
}
_UNIT_DIGITS: Final = {"V": 3, "%": 1, "degC": 0, "degC/s": 1, "kPa": 0, "ohm/V": 0, "mV/h": 1}


@dataclass(frozen=True, slots=True)
class LimitRow:
    """One limit, or a pair of limits that `channels` channels share."""

    name: str
    low: str
    high: str
    channels: int
    source: str


def judging_limits(channels: Channels, degrees: Degrees) -> list[LimitRow]:
    """Give the limits of spreads, rises and the like."""
    rows = []
    for key in DEFAULT_LIMITS:
        limit = limit_of(channels.sheet, key)
        value = amount(
            limit.value, limit.unit, degrees, difference=is_difference(key), digits=_UNIT_DIGITS.get(limit.unit, 2)
        )
        rows.append(LimitRow(_NAMES.get(key, key.replace("_", " ")), value, "", 0, limit.source))
    return rows


def channel_limits(channels: Channels, degrees: Degrees) -> list[LimitRow]:
    """Give the low and high limits of single channels, those alike as one row."""
    counted: Counter[tuple[str, str, str, str]] = Counter()
    for series in channels.values():
        low, high = series.channel.low, series.channel.high
        if len(series) and (low is not None or high is not None):
            sources = dict.fromkeys(limit.source for limit in (low, high) if limit is not None)
            name = series.channel.quantity or series.channel.name
            counted[name, _shown(series, low, degrees), _shown(series, high, degrees), "; ".join(sources)] += 1
    order = {row.name: place for place, row in enumerate(QUANTITIES)}
    rows = [LimitRow(name, low, high, count, source) for (name, low, high, source), count in counted.items()]
    return sorted(rows, key=lambda row: order.get(row.name, len(order)))


def _shown(series: Series, limit: Limit | None, degrees: Degrees) -> str:
    channel = series.channel
    if limit is None:
        return ""
    value = limit.value
    if channel.factor is not None and channel.shift is not None:
        value = value * channel.factor + channel.shift
    value, unit = turned(value, channel.quantity_unit, degrees)
    return f"{value:,.10g} {unit_words(unit)}".rstrip().replace("-", MINUS)
