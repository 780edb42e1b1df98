"""How sure a proposal is, as the share of such proposals that are right.

The chance that the weighing of all cuts gives is too bold, for it does not know the ways in which its models are
wrong. It is corrected by what was counted on made captures (`tools/carve_trial.py`, seeds below 1000), by how often a
field changed.
"""

from __future__ import annotations

from typing import Final

import numpy as np

# Chance given by the weighing, and the share of such fields that were right.
_CHANCE: Final = (0.0, 0.3, 0.6, 0.8, 0.95, 1.0)
_RIGHT: Final = {
    "few": (0.02, 0.25, 0.5, 0.65, 0.8, 0.93),
    "many": (0.02, 0.2, 0.45, 0.6, 0.8, 0.97),
}
_MANY: Final = 10  # changes
MULTIPLEXOR: Final = 0.97
CHECK_PROVED: Final = 0.99
CHECK_UNPROVED: Final = 0.6


def corrected(chance: float, changes: int) -> float:
    """Give the share of fields that were right where the weighing gave this chance."""
    right = _RIGHT["many" if changes >= _MANY else "few"]
    return float(np.interp(chance, _CHANCE, right))
