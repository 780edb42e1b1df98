"""Limits that hold where the pack sheet gives none, each with its source. The maker's sheet rules."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from decoder.maps.pack_sheet import PackSheet

_PRACTICE = "common practice, no source"


@dataclass(frozen=True, slots=True)
class DefaultLimit:
    """One default: the key of the sheet's ``[limits]`` table, value, unit, source."""

    key: str
    value: float
    unit: str
    source: str = _PRACTICE


DEFAULT_LIMITS = {
    limit.key: limit
    for limit in (
        DefaultLimit("module_spread_v", 0.040, "V"),
        DefaultLimit("pack_spread_v", 0.100, "V"),
        DefaultLimit("sum_mismatch_percent", 1.0, "%"),
        DefaultLimit("temperature_spread_c", 8.0, "degC"),
        DefaultLimit("temperature_rise_c_per_s", 1.0, "degC/s", "GB 38031 / GTR 20 pack alarm, from memory"),
        DefaultLimit("pressure_rise_kpa", 5.0, "kPa"),
        DefaultLimit("insulation_ohm_per_v", 100.0, "ohm/V", "UN R100 5.1.3.1 (dc, separate buses)"),
        DefaultLimit("supply_low_v", 9.0, "V"),
        DefaultLimit("supply_high_v", 16.0, "V"),
    )
}


def limit_of(sheet: PackSheet | None, key: str) -> DefaultLimit:
    """Give the limit `key` of the ``[limits]`` table: the sheet's, else the default. Raises `KeyError`."""
    default = DEFAULT_LIMITS[key]
    said = None if sheet is None else getattr(sheet.limits, key)
    return default if said is None else DefaultLimit(key, float(said), default.unit, "pack sheet")
