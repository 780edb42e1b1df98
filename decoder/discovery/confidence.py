"""How sure a proposal is, as the share of such proposals that are right.

The chance that the weighing of all cuts gives is too bold, for it does not know the ways in which its models are wrong.
It is corrected by what was counted on made captures (`tools/layouts`, seeds 100 to 149), by kind and by how often a
field changed: a bit that changes often is more often a part of a number than a flag.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from decoder.discovery.proposal import Kind

# Chance given by the weighing, and the share of such fields that were right.
_CHANCE: Final = (0.0, 0.4, 0.6, 0.8, 0.95, 1.0)
_SELDOM: Final = (0.05, 0.28, 0.45, 0.53, 0.76, 0.91)
_OFTEN: Final[dict[Kind, tuple[float, ...]]] = {
    "number": (0.05, 0.25, 0.40, 0.47, 0.69, 0.87),
    "counter": (0.05, 0.25, 0.40, 0.45, 0.67, 0.96),
    "flag": (0.05, 0.10, 0.20, 0.20, 0.25, 0.40),
    "state": (0.05, 0.10, 0.20, 0.20, 0.25, 0.30),
    "unknown": (0.05, 0.25, 0.40, 0.60, 0.65, 0.70),
}
_MANY: Final = 10  # changes
_MOST_UNDER_A_MULTIPLEXOR: Final = 0.7  # for fields that seldom change and stand under a multiplexor
MULTIPLEXOR: Final = 0.91
CHECK_PROVED: Final = 0.99
CHECK_UNPROVED: Final = 0.93


def corrected(chance: float, changes: int, kind: Kind, *, under_multiplexor: bool = False) -> float:
    """Give the share of fields of a kind that were right where the weighing gave this chance."""
    often = changes >= _MANY
    right = _OFTEN.get(kind, _SELDOM) if often else _SELDOM
    share = float(np.interp(chance, _CHANCE, right))
    return min(share, _MOST_UNDER_A_MULTIPLEXOR) if under_multiplexor and not often else share
