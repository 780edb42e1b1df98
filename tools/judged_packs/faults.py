"""The kinds of faults, in the order in which seeds take them."""

from __future__ import annotations

from tools.judged_packs.cell_faults import CELL_KINDS
from tools.judged_packs.kind import Kind
from tools.judged_packs.map_faults import MAP_KINDS
from tools.judged_packs.sensor_faults import SENSOR_KINDS
from tools.judged_packs.system_faults import SYSTEM_KINDS

__all__ = ["KINDS", "Kind"]

KINDS: tuple[Kind, ...] = (*CELL_KINDS, *SENSOR_KINDS, *SYSTEM_KINDS, *MAP_KINDS)
