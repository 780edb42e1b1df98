"""How likely a claim is, as the share of such claims that are right.

The weighing knows its own densities only, and they are rough. What it says is corrected by what was counted on 23 made
packs (`tools/packs`, seeds 300 to 329, of which 305, 309, 312, 315, 316, 319 and 320 were left out for their length),
which nothing was tuned on, with the code as it stood but for this table; `tools/infer_trial.py` holds a claim for right
or wrong. Of n claims of a kind, k of them right, the share is taken as (k + 1) / (n + 2), so that few say little.

Counted, right of all: cells with their sum 16 of 16, other cells 10 of 12, module temperatures 11 of 26, module
voltages 2 of 4; of single numbers, cell voltages 17 of 18, module temperatures 1 of 4, link voltages 3 of 3, pack
voltages 20 of 32, pack currents 1 of 19, charges 4 of 22, contactors 2 of 21. Chances that were not met, and pressures,
which were not met at all, are set by judgement, and below 0.9.
"""

from __future__ import annotations

from typing import Final

import numpy as np

# Chance given by the weighing -> share that was right.
_COUNTED: Final[dict[str, tuple[tuple[float, float], ...]]] = {
    "array of cell voltage with its sum": (
        (0.0, 0.02),
        (0.5, 0.25),
        (0.9, 0.6),
        (0.98, 0.8),
        (0.99, 0.94),
        (1.0, 0.944),
    ),
    "array of cell voltage": ((0.0, 0.02), (0.3, 0.2), (0.6, 0.6), (0.9, 0.75), (1.0, 0.79)),
    "array of module temperature": ((0.0, 0.02), (0.2, 0.3), (0.4, 0.43), (0.7, 0.45), (1.0, 0.6)),
    "array of module voltage": ((0.0, 0.0), (0.7, 0.4), (1.0, 0.6)),
    "array of swelling pressure": ((0.0, 0.0), (1.0, 0.12)),
    "cell voltage": ((0.0, 0.4), (0.3, 0.65), (0.6, 0.75), (0.9, 0.83), (1.0, 0.88)),
    "module temperature": ((0.0, 0.2), (0.2, 0.33), (1.0, 0.5)),
    "link voltage": ((0.0, 0.05), (0.9, 0.5), (0.99, 0.78), (1.0, 0.8)),
    "pack voltage": ((0.0, 0.1), (0.2, 0.4), (0.64, 0.66), (0.9, 0.72), (1.0, 0.76)),
    "pack current": ((0.0, 0.0), (0.2, 0.1), (0.5, 0.1), (1.0, 0.2)),
    "state of charge": ((0.0, 0.02), (0.2, 0.08), (0.4, 0.3), (0.5, 0.65), (1.0, 0.75)),
    "contactor": ((0.0, 0.05), (1.0, 0.13)),
}
_NOT_COUNTED: Final = 0.85  # likelihood at most, of a kind that was never counted


def corrected(kind: str, chance: float) -> float:
    """Give the share of claims of a kind that were right where the weighing gave this chance."""
    counted = _COUNTED.get(kind)
    if counted is None:
        return min(float(chance), _NOT_COUNTED)
    return float(np.interp(chance, [one for one, _ in counted], [share for _, share in counted]))
