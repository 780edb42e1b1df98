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
        DefaultLimit("keep_alive_low_v", 11.0, "V"),
        DefaultLimit("cell_resistance_percent", 50.0, "%"),
        DefaultLimit("self_discharge_mv_per_h", 2.0, "mV/h"),
        DefaultLimit("capacity_low_percent", 80.0, "%"),
        DefaultLimit("charge_mismatch_percent", 10.0, "%"),
        DefaultLimit("insulation_combined_ohm_per_v", 500.0, "ohm/V", "UN R100 5.1.3.1, 5.1.3.2 (joined a.c. buses)"),
        DefaultLimit("runaway_voltage_drop_percent", 25.0, "%", "GB 38031 / GTR 20 pack alarm, from memory"),
        DefaultLimit("runaway_temperature_c", 80.0, "degC", "decomposition begins at 80 to 120 degC: review articles"),
        DefaultLimit("precharged_percent", 90.0, "%"),
    )
}


def limit_of(sheet: PackSheet | None, key: str) -> DefaultLimit:
    """Give the limit `key` of the ``[limits]`` table: the sheet's, else the default. Raises `KeyError`."""
    default = DEFAULT_LIMITS[key]
    said = None if sheet is None else getattr(sheet.limits, key)
    return default if said is None else DefaultLimit(key, float(said), default.unit, "pack sheet")
