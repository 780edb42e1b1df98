"""The pack sheet: what pack it is, what each channel is, the limits, and where the modules sit.

Plain data; `decoder.maps.sheet_file` reads and edits the TOML, `decoder.maps.roles` applies the channel rules.
Everything is optional; ``None`` means the sheet does not say.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal


@dataclass(frozen=True, slots=True, order=True)
class Place:
    """Where a channel is measured: module and cell (counted within its module) from 1, a sensor's number or name.

    All ``None``: the whole pack. A cell whose module is unknown counts through the pack.
    """

    module: int | None = None
    cell: int | None = None
    sensor: int | str | None = None

    def __str__(self) -> str:
        parts = []
        if self.module is not None:
            parts.append(f"module {self.module}")
        if self.cell is not None:
            parts.append(f"cell {self.cell}")
        if self.sensor is not None:
            parts.append(f"sensor {self.sensor}" if isinstance(self.sensor, int) else str(self.sensor))
        return " ".join(parts) or "pack"


@dataclass(frozen=True, slots=True)
class ChannelRule:
    """One ``[[channels]]`` entry; `match` is an exact name or a pattern with {module}, {cell}, {sensor} and *.

    `absent`: raw values that mean "not available"; ``()`` switches every such test off, ``None`` leaves the usual ones.
    """

    match: str
    quantity: str | None = None
    low: float | None = None
    high: float | None = None
    absent: tuple[int, ...] | None = None
    cycle_s: float | None = None
    module: int | None = None
    cell: int | None = None
    sensor: int | str | None = None
    modulus: int | None = None
    form: str | None = None
    constant: int | None = None
    line: int | None = None


@dataclass(frozen=True, slots=True)
class Limits:
    """The ``[limits]`` table; ``None`` where the sheet does not say: `decoder.maps.default_limits` holds then."""

    module_spread_v: float | None = None
    pack_spread_v: float | None = None
    sum_mismatch_percent: float | None = None
    temperature_spread_c: float | None = None
    temperature_rise_c_per_s: float | None = None
    pressure_rise_kpa: float | None = None
    insulation_ohm_per_v: float | None = None
    supply_low_v: float | None = None
    supply_high_v: float | None = None
    keep_alive_low_v: float | None = None
    cell_resistance_percent: float | None = None
    self_discharge_mv_per_h: float | None = None
    capacity_low_percent: float | None = None
    charge_mismatch_percent: float | None = None
    insulation_combined_ohm_per_v: float | None = None
    runaway_voltage_drop_percent: float | None = None
    runaway_temperature_c: float | None = None
    precharged_percent: float | None = None


@dataclass(frozen=True, slots=True)
class PackSheet:
    """What the user knows about the pack. `rows`: module numbers row by row, seen from above, the front row first."""

    name: str | None = None
    chemistry: str | None = None
    charge_curve: str | None = None
    capacity_ah: float | None = None
    current_positive: Literal["discharge", "charge"] = "discharge"
    cells_in_series: int | None = None
    modules: int | None = None
    cells_per_module: tuple[int, ...] | None = None
    rules: tuple[ChannelRule, ...] = ()
    limits: Limits = field(default_factory=Limits)
    front: str | None = None
    rows: tuple[tuple[int, ...], ...] = ()
    path: str | None = None

    def module_of_cell(self, number: int) -> tuple[int, int] | None:
        """Give module and cell within it for a cell that counts through the pack from 1; ``None`` if not known."""
        first = 1
        for module, cells in enumerate(self.cells_per_module or (), start=1):
            if first <= number < first + cells:
                return module, number - first + 1
            first += cells
        return None

    def where_in_case(self, module: int) -> str | None:
        """Tell in words where `module` sits in the case; ``None`` if the sheet does not say."""
        for row, modules in enumerate(self.rows, start=1):
            if module in modules:
                side = modules.index(module) + 1
                front = f" from the front ({self.front})" if self.front else " from the front"
                return f"row {row} of {len(self.rows)}{front}, {_ordinal(side)} of {len(modules)} from the left"
        return None


def _ordinal(number: int) -> str:
    ending = "th" if 10 <= number % 100 <= 20 else {1: "st", 2: "nd", 3: "rd"}.get(number % 10, "th")
    return f"{number}{ending}"
