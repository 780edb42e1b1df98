"""How quantities become raw values: scales mostly from the table of natural ones, by share, and sometimes others."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.discovery.natural_scales import scales_of
from tools.layouts.habits import pick

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tools.packs.pack import Pack

BITS: Final = {7: 1, 8: 4, 9: 0.5, 10: 1.5, 11: 0.5, 12: 3, 13: 1, 14: 0.7, 16: 6, 20: 0.2, 24: 0.4, 32: 0.2}
ODD_FACTORS: Final = (0.61, 0.75, 0.8, 0.9765625, 1.2, 1.28, 1.5, 3.0)  # from a natural scale to one that is not
TRIES: Final = 200


@dataclass(frozen=True, slots=True)
class Coding:
    """value = scale x raw + offset in so many bits; a negative scale counts the other way round."""

    unit: str
    bits: int
    scale: float
    offset: float = 0.0
    signed: bool = False

    def raw(self, value: NDArray[np.float64]) -> NDArray[np.int64]:
        """Give raw values, clipped to what the bits hold less all ones, which say 'not available'."""
        low, high = self.range
        raw = np.floor((value - self.offset) / self.scale + 0.5)
        return np.clip(raw, low, high).astype(np.int64)

    @property
    def range(self) -> tuple[int, int]:
        """The raw values that stand for measurements."""
        if self.bits < 5:
            return 0, (1 << self.bits) - 1
        low = -(1 << self.bits - 1) if self.signed else 0
        return low, low + (1 << self.bits) - 2

    def holds(self, low: float, high: float) -> bool:
        """Tell whether both values fit."""
        ends = sorted(self.scale * raw + self.offset for raw in self.range)
        return ends[0] <= low + 1e-9 and high <= ends[1] + 1e-9


def design_range(quantity: str, pack: Pack) -> tuple[float, float]:
    """Give what the engineer who laid out a field wanted it to hold."""
    top_v = 3.7 if pack.chemistry == "LFP" else 4.3
    most_a = float(np.abs(pack.current_a).max())
    return {
        "cell voltage": (0.5, top_v),
        "module voltage": (0.0, top_v * max(pack.cells_per_module)),
        "pack voltage": (0.0, top_v * pack.cells),
        "link voltage": (0.0, top_v * pack.cells),
        "pack current": (-max(120.0, 1.2 * most_a), max(120.0, 1.2 * most_a)),
        "state of charge": (0.0, 100.0),
        "state of health": (0.0, 100.0),
        "cell temperature": (-40.0, 80.0),
        "module temperature": (-40.0, 80.0),
        "coolant temperature": (-40.0, 80.0),
        "insulation resistance": (0.0, 1.02 * pack.numbers["insulation_kohm"]),
        "supply voltage": (0.0, max(15.5, pack.numbers["supply_v"] + pack.numbers["converter_v"] + 0.5)),
        "keep-alive voltage": (0.0, 15.5),
        "swelling pressure": (0.0, 200.0),
        "power limit": (0.0, 125.0),
        "current limit": (0.0, 600.0),
    }[quantity]


UNITS: Final = {
    "cell voltage": "V",
    "module voltage": "V",
    "pack voltage": "V",
    "link voltage": "V",
    "pack current": "A",
    "state of charge": "%",
    "state of health": "%",
    "cell temperature": "degC",
    "module temperature": "degC",
    "coolant temperature": "degC",
    "insulation resistance": "kohm",
    "supply voltage": "V",
    "keep-alive voltage": "V",
    "swelling pressure": "kPa",
    "power limit": "kW",
    "current limit": "A",
}


def draw_coding(
    rng: np.random.Generator, quantity: str, pack: Pack, *, natural: bool, bits: dict[int, float] | None = None
) -> Coding:
    """Draw a coding that holds what it must; `bits` are the lengths that may be, with their weights."""
    rows = scales_of(quantity)
    low, high = design_range(quantity, pack)
    for turn in range(TRIES):
        row = pick(rng, {row: row.share for row in rows})
        lengths = BITS if bits is None or turn > TRIES // 2 else bits
        fitting = {length: share for length, share in lengths.items() if row.bits[0] <= length <= row.bits[1]}
        if not fitting:
            continue
        length = pick(rng, fitting)
        factor = 1.0 if natural else float(rng.choice(ODD_FACTORS))
        scale = row.scale * factor
        offset = row.offset or row.offset_of(length) * factor
        signed = low < 0 and offset == 0
        if quantity == "pack current" and rng.random() < 0.4:
            scale, offset = -scale, -offset
        if quantity.endswith("temperature") and row.offset < -100:
            offset = row.offset  # kelvin
        coding = Coding(UNITS[quantity], length, scale, offset, signed)
        if coding.holds(low, high):
            return coding
    return Coding(UNITS[quantity], 16, (high - low) / 60_000 if not natural else _round(high), 0.0, signed=low < 0)


def _round(high: float) -> float:
    """Give the finest power of ten with which 15 bits hold `high`."""
    return float(10.0 ** np.ceil(np.log10(high / 32_000)))
