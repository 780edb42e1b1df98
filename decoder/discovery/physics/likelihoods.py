"""How likely a claim is, as the share of such claims that are right.

The weighing knows its own densities only, and they are rough. What it says is corrected by what was counted on made
packs (`tools/packs`, seeds 0 to 39 and 100 to 125), by kind of claim: `tools/infer_trial.py` counts. Of few claims the
share is taken lower than it was, so that nothing is told surer than counting bears out.
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
        (0.97, 0.9),
        (0.995, 0.97),
        (1.0, 0.985),
    ),
    "array of cell voltage": ((0.0, 0.02), (0.3, 0.2), (0.6, 0.65), (0.9, 0.75), (1.0, 0.85)),
    "array of module temperature": ((0.0, 0.02), (0.2, 0.06), (0.4, 0.41), (0.6, 0.78), (1.0, 0.85)),
    "array of module voltage": ((0.0, 0.0), (0.7, 0.1), (0.9, 0.5), (1.0, 0.82)),
    "array of swelling pressure": ((0.0, 0.0), (1.0, 0.12)),
    "cell voltage": ((0.0, 0.4), (0.2, 0.75), (0.6, 0.8), (0.8, 0.88), (0.9, 0.96), (1.0, 0.96)),
    "module temperature": ((0.0, 0.2), (0.2, 0.5), (0.6, 0.75), (1.0, 0.85)),
    "link voltage": ((0.0, 0.05), (0.9, 0.5), (0.97, 0.8), (1.0, 0.9)),
    "pack voltage": ((0.0, 0.1), (0.2, 0.45), (0.6, 0.62), (0.9, 0.75), (0.97, 0.82), (1.0, 0.86)),
    "pack current": ((0.0, 0.0), (0.1, 0.03), (0.2, 0.35), (0.5, 0.4), (1.0, 0.5)),
    "state of charge": ((0.0, 0.02), (0.2, 0.14), (0.4, 0.44), (0.6, 0.75), (1.0, 0.85)),
    "contactor": ((0.0, 0.1), (1.0, 0.55)),
}


def corrected(kind: str, chance: float) -> float:
    """Give the share of claims of a kind that were right where the weighing gave this chance."""
    counted = _COUNTED.get(kind)
    if counted is None:
        return float(chance)
    return float(np.interp(chance, [one for one, _ in counted], [share for _, share in counted]))
