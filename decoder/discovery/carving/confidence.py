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
_SELDOM: Final = (0.05, 0.28, 0.45, 0.56, 0.77, 0.90)
_OFTEN: Final[dict[Kind, tuple[float, ...]]] = {
    "number": (0.05, 0.30, 0.45, 0.57, 0.78, 0.86),
    "counter": (0.05, 0.30, 0.50, 0.80, 0.90, 0.97),
    "flag": (0.05, 0.20, 0.40, 0.45, 0.50, 0.52),
    "state": (0.05, 0.08, 0.10, 0.10, 0.10, 0.10),
    "unknown": (0.30, 0.50, 0.70, 0.90, 0.95, 0.97),
}
_MANY: Final = 10  # changes
# At most, for fields under a multiplexor: one wrong layout is wrong under each of its values.
_UNDER_A_MULTIPLEXOR: Final = {"number": 0.8, "counter": 0.5}
_SELDOM_UNDER_A_MULTIPLEXOR: Final = {"number": 0.55}
_OTHERS_UNDER_A_MULTIPLEXOR: Final = 0.3
MULTIPLEXOR: Final = 0.88
CHECK_PROVED: Final = 0.99
CHECK_UNPROVED: Final = 0.95


def corrected(chance: float, changes: int, kind: Kind, *, under_multiplexor: bool = False) -> float:
    """Give the share of fields of a kind that were right where the weighing gave this chance."""
    often = changes >= _MANY
    right = _OFTEN.get(kind, _SELDOM) if often else _SELDOM
    share = float(np.interp(chance, _CHANCE, right))
    if not under_multiplexor:
        return share
    most = _UNDER_A_MULTIPLEXOR if often else _SELDOM_UNDER_A_MULTIPLEXOR
    return min(share, most.get(kind, _OTHERS_UNDER_A_MULTIPLEXOR))
