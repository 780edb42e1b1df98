"""How likely a claim is, as the share of such claims that are right."""

from __future__ import annotations

from typing import Final

import numpy as np

# Chance given by the weighing -> share that was right, by kind of claim.
_COUNTED: Final[dict[str, tuple[tuple[float, float], ...]]] = {}


def corrected(kind: str, chance: float) -> float:
    """Give the share of claims of a kind that were right where the weighing gave this chance."""
    counted = _COUNTED.get(kind)
    if counted is None:
        return float(chance)
    return float(np.interp(chance, [one for one, _ in counted], [share for _, share in counted]))
