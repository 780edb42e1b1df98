"""What the controller measures of the pack: noise, small errors of its sensors, and when each value was taken.

All cells are scanned at one moment; what is sent later comes from that scan. Common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tools.packs.pack import Pack, Source

    Array = NDArray[np.float64]

MOST_SCANS: Final = 6000
# Of a single value: standard deviation of the noise, of the sensor's own gain, and of its offset; and how often (s)
# it is taken.
ERRORS: Final = {
    "pack voltage": (0.08, 0.0008, 0.05, 0.02),
    "link voltage": (0.10, 0.0010, 0.10, 0.02),
    "pack current": (0.06, 0.0030, 0.08, 0.01),
    "sensor": (0.03, 0.0, 0.25, 0.5),
    "coolant temperature": (0.03, 0.0, 0.25, 0.5),
    "supply voltage": (0.012, 0.003, 0.02, 0.05),
    "keep-alive voltage": (0.010, 0.003, 0.02, 0.1),
    "insulation resistance": (1.5, 0.002, 0.0, 0.5),
    "swelling pressure": (0.08, 0.002, 0.2, 0.1),
    "drive": (0.05, 0.0, 0.0, 0.01),
}
EXACT: Final = (0.0, 0.0, 0.0, 0.1)


@dataclass(eq=False)
class Controller:
    """The pack's controller.

    scan_every_s : between two scans of the cells
    age_s : from a scan to the first frame that may carry it
    noise_v : of one cell in one scan
    quiet : how much of the other noise its filters leave
    """

    pack: Pack
    rng: np.random.Generator
    scan_every_s: float
    age_s: float
    noise_v: float
    quiet: float

    @cached_property
    def scan_s(self) -> Array:
        """When the cells are scanned."""
        every_s = max(self.scan_every_s, (self.pack.duration_s + 2) / MOST_SCANS)
        return np.arange(-every_s, self.pack.duration_s + 1, every_s)

    @cached_property
    def scans(self) -> Array:
        """Cells as measured, scans x cells."""
        own = self.rng.normal(0, 0.0004, self.pack.cells)
        volt = self.pack.cell_v(self.scan_s)
        return volt + own + self.rng.normal(0, self.noise_v, volt.shape)

    @cached_property
    def _wrong(self) -> dict[Source, tuple[float, float]]:
        return {}

    def measured(self, source: Source, sent_s: Array) -> Array:
        """Give what frames hold that are made at `sent_s`."""
        name = source.name
        if name in {"cell", "module"} or (name.endswith((" cell", " cells"))):
            scan = np.clip(np.searchsorted(self.scan_s, sent_s - self.age_s, side="right") - 1, 0, None)
            return self._of_scans(source)[scan]
        noise, gain, offset, every_s = ERRORS.get(name, EXACT)
        taken, back = np.unique(np.floor(sent_s / every_s), return_inverse=True)
        if source not in self._wrong:
            self._wrong[source] = (1 + self.rng.normal(0, 1) * gain, self.rng.normal(0, 1) * offset)
        own_gain, own_offset = self._wrong[source]
        value = self.pack.value(source, taken * every_s) * own_gain + own_offset
        return (value + self.rng.normal(0, 1, len(taken)) * noise * self.quiet)[back]

    def _of_scans(self, source: Source) -> Array:
        name, which = source
        if name == "cell":
            return self.scans[:, which]
        if name == "module":
            first = sum(self.pack.cells_per_module[:which])
            return self.scans[:, first : first + self.pack.cells_per_module[which]].sum(axis=1)
        return {
            "highest cell": lambda: self.scans.max(axis=1),
            "lowest cell": lambda: self.scans.min(axis=1),
            "average cell": lambda: self.scans.mean(axis=1),
            "spread of the cells": lambda: np.ptp(self.scans, axis=1),
            "number of the highest cell": lambda: self.scans.argmax(axis=1) + 1.0,
            "number of the lowest cell": lambda: self.scans.argmin(axis=1) + 1.0,
        }[name]()


def draw_controller(rng: np.random.Generator, pack: Pack) -> Controller:
    """Draw how a controller measures."""
    return Controller(
        pack=pack,
        rng=rng,
        scan_every_s=float(rng.choice([0.02, 0.05, 0.1, 0.2, 0.5, 1.0], p=[0.1, 0.15, 0.3, 0.2, 0.15, 0.1])),
        age_s=float(rng.uniform(0.0, 0.05)),
        noise_v=float(rng.choice([0.0001, 0.0004, 0.0012], p=[0.4, 0.4, 0.2])),
        quiet=float(rng.choice([0.1, 0.4, 1.0], p=[0.4, 0.4, 0.2])),
    )
