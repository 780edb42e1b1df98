"""A pack before it is run: everything that is drawn of it, and what a fault changes; and the truth that is to be found.

Units: V, A (positive while discharging), ohm, Ah, %, degC, kPa, kohm. Times are seconds from the capture's start.
All numbers drawn are those of ordinary packs: common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from tools.judged_packs.physics import World

    Array = NDArray[np.float64]
    Spans = tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class Truth:
    """What is to be found: any of `codes`, at the place.

    modules, cell, sensor : where; no module means the whole pack. `cell` and `sensor` of ``None`` do not matter.
    channels : where these are given, the finding must rest on one of them, and the place does not matter
    """

    kind: str
    codes: tuple[str, ...]
    modules: tuple[int, ...] = ()
    cell: int | None = None
    sensor: int | None = None
    channels: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Wants:
    """What a fault needs of the scene to be there and to be seen."""

    profiles: tuple[str, ...] = ()
    shortest_s: float = 0.0
    rests: bool = False
    closing: bool = False
    opening: bool = False
    contactors_open: bool = False
    steep_chemistry: bool = False
    coarsest_v: float = 1.0
    slowest_s: float = 10.0
    named_curve: bool = False
    module_voltages: bool = False
    warming_c: float = 0.0


@dataclass(frozen=True, slots=True)
class Bleeding:
    """Active balancing: which cells, when, how much charge it takes, and how much the tap gives way meanwhile."""

    cells: tuple[int, ...]
    spans_s: Spans
    percent_per_h: float
    drop_v: float


@dataclass(eq=False)
class Contactors:
    """When contactors move, and what becomes of it. ``None`` for a time: never in this capture.

    begin_closed : closed before the capture begins
    pole_s, precharge_s, main_s, precharge_off_s, opens_s : negative pole, pre-charge, positive pole; both open
    fill_s, empty_s : time constants of the link through the pre-charge resistor, and of what discharges it
    fill_share : how far of the pack's voltage the pre-charge brings the link
    main_works, pole_works : whether a contactor does what is said; `welded`: it does not open
    """

    begin_closed: bool
    pole_s: float | None = None
    precharge_s: float | None = None
    main_s: float | None = None
    precharge_off_s: float | None = None
    opens_s: float | None = None
    fill_s: float = 0.2
    empty_s: float = 1.0
    fill_share: float = 1.0
    main_works: bool = True
    pole_works: bool = True
    welded: bool = False

    @property
    def live_from_s(self) -> float | None:
        """When the main contactors have closed; ``None`` for never."""
        return 0.0 if self.begin_closed else self.main_s


@dataclass(eq=False)
class Sensing:
    """What the controller's sensors do wrong.

    cell_offset_v, module_gain : of the cell monitors; cell_noise_v, current_noise_a, pack_noise_v : one deviation
    cell_delay_s : how long before its frame each cell is read
    """

    cell_offset_v: Array
    module_gain: Array
    cell_noise_v: float
    cell_delay_s: Array
    sensor_offset_c: Array
    pack_gain: float
    pack_offset_v: float
    pack_noise_v: float
    link_gain: float
    current_gain: float
    current_offset_a: float
    current_noise_a: float
    current_delay_s: float
    module_sum_gain: Array
    charge_error_percent: float


@dataclass(eq=False)
class Coding:
    """How the map lays things out."""

    style: str
    cell_step_v: float
    cell_period_s: float
    pack_period_s: float
    slow_period_s: float
    big_endian: bool
    burst: bool
    latched: bool
    current_offset_coded: bool
    counts_charge: bool
    temperature_step_c: float
    charge_step: float
    modulus: int
    says_modulus: bool
    says_form: bool
    names_curve: bool
    module_voltages: bool
    wakes_s: float
    lost_share: float


@dataclass(eq=False)
class Wire:
    """What goes wrong on the wire and in the map.

    lost, corrupt : message -> share of its frames; "*" stands for all messages
    silent : message -> from, to (s); absent : channel -> from, to (s)
    fixed : channel -> pairs of spans (s) and the raw value that it shows in them
    scales : channel -> what the map's scale is multiplied by; exchanged : pairs of channels that the map mistakes
    """

    lost: dict[str, float] = field(default_factory=dict)
    corrupt: dict[str, float] = field(default_factory=dict)
    silent: dict[str, tuple[float, float]] = field(default_factory=dict)
    absent: dict[str, tuple[float, float]] = field(default_factory=dict)
    fixed: dict[str, tuple[Spans, int]] = field(default_factory=dict)
    scales: dict[str, float] = field(default_factory=dict)
    exchanged: list[tuple[str, str]] = field(default_factory=list)


@dataclass(eq=False)
class Draft:
    """A pack and a capture of it.

    tags : the scenes that false alarms are told apart by; `profile` is the one that says what current flows
    cell_charge (%), cell_capacity, cell_ohm, cell_fast, cell_slow (shares) : how each cell stands off the mean
    before_a : current that flowed before the capture, as what relaxes quickly and slowly still knows it
    after : what a fault changes in the world once it has run
    """

    tags: set[str]
    profile: str
    curve: str
    duration_s: float
    step_s: float
    cells_per_module: tuple[int, ...]
    sensors_per_module: int
    contactors: Contactors
    current_a: Array
    before_a: tuple[float, float]
    capacity_ah: float
    sheet_capacity_ah: float
    charge_percent: float
    ohm: float
    fast_share: float
    slow_share: float
    fast_s: float
    slow_s: float
    cell_charge: Array
    cell_capacity: Array
    cell_ohm: Array
    cell_fast: Array
    cell_slow: Array
    module_c: Array
    joint_ohm: Array
    leak_percent_per_h: Array
    ambient_c: float
    warming_c: float
    cooling_s: float
    sensor_c: Array
    bleeding: Bleeding | None
    has_balancing: bool
    supply_v: float
    converter_v: float
    dips_s: tuple[float, ...]
    keep_alive_v: float
    insulation_kohm: float
    swelling_kpa: Array
    swelling_per_c: float
    sensing: Sensing
    coding: Coding
    wire: Wire = field(default_factory=Wire)
    after: list[Callable[[World], None]] = field(default_factory=list)

    @property
    def cells(self) -> int:
        """How many cells stand in series."""
        return sum(self.cells_per_module)

    @property
    def modules(self) -> int:
        """How many modules there are."""
        return len(self.cells_per_module)

    @property
    def module_of(self) -> NDArray[np.int64]:
        """The module of each cell, from 0."""
        return np.repeat(np.arange(self.modules), self.cells_per_module)

    @property
    def time_s(self) -> Array:
        """The grid."""
        return np.arange(len(self.current_a)) * self.step_s

    def first_of(self, module: int) -> int:
        """Give the first cell of a module, both from 0."""
        return sum(self.cells_per_module[:module])

    def cell_name(self, cell: int) -> str:
        """Give the channel of a cell, counted from 0."""
        module = int(self.module_of[cell])
        return f"Cell_{module + 1}_{cell - self.first_of(module) + 1}_V"

    def sensor_name(self, sensor: int) -> str:
        """Give the channel of a temperature sensor, counted from 0."""
        return f"Temp_{sensor // self.sensors_per_module + 1}_{sensor % self.sensors_per_module + 1}_degC"
