"""What a kind of fault is: the scene it needs, what it changes, and whether it then is clearly there."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from tools.judged_packs.draft import Wants

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from tools.judged_packs.draft import Draft, Truth
    from tools.judged_packs.physics import World

CLEAR = (1.4, 4.0)  # times the limit: how far beyond it a fault is


def always(_draft: Draft, _world: World, _truth: Truth) -> bool:
    """Need no look at what came of it."""
    return True


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind; `holds` looks at the truth whether the fault is as clear as it should be, else another is drawn."""

    name: str
    apply: Callable[[Draft, np.random.Generator], Truth]
    wants: Wants = field(default_factory=Wants)
    holds: Callable[[Draft, World, Truth], bool] = always
    leaves_window: bool = False


def resting_rows(draft: Draft, after_s: float = 10.0) -> NDArray[np.bool_]:
    """Tell at which steps of the grid no current has flowed for a while."""
    flows = np.abs(draft.current_a) > 0.02 * draft.capacity_ah
    last = np.maximum.accumulate(np.where(flows, draft.time_s, -1e9))
    return ~flows & (draft.time_s - last > after_s)
