"""What the frames of a bus say of the byte order of each other.

A controller keeps to one byte order mostly, and its identifiers stand together; the controllers of one pack mostly
agree as well. So the order of a frame hangs on that of its block of identifiers, and this on that of the bus: a tree,
in which chances are summed up exactly by passing messages (J. Pearl, "Reverend Bayes on inference engines", AAAI 1982).

All odds are in bits: how much likelier big-endian is than little-endian.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

BLOCK: Final = 16  # identifiers in a row that are of one controller. Common practice, no source.
# How often a frame has the byte order of its block, and a block that of the bus. Common practice, no source.
_FRAME_AS_BLOCK: Final = 0.97
_BLOCK_AS_BUS: Final = 0.85


def told_by_others(own: Sequence[float], buses: Sequence[str], identifiers: Sequence[int]) -> list[float]:
    """Give what the other layouts say about the byte order of each, in bits.

    own : what each says of itself; buses, identifiers : where each stands
    """
    upward = _weakened(np.array(own, np.float64), _FRAME_AS_BLOCK)
    bus = np.unique(np.asarray(buses, np.str_), return_inverse=True)[1]
    block = np.asarray(identifiers, np.int64) // BLOCK
    blocks, block_of = np.unique(np.stack([bus, block]), axis=1, return_inverse=True)
    block_of = block_of.ravel()
    in_block = np.bincount(block_of, upward).astype(np.float64)
    to_bus = _weakened(in_block, _BLOCK_AS_BUS)
    on_bus = np.bincount(blocks[0], to_bus).astype(np.float64)
    from_bus = _weakened(on_bus[blocks[0]] - to_bus, _BLOCK_AS_BUS)
    told = _weakened((in_block + from_bus)[block_of] - upward, _FRAME_AS_BLOCK)
    return [float(odds) for odds in told]


def _weakened(odds: NDArray[np.float64], agree: float) -> NDArray[np.float64]:
    """Give what odds about one thing say about another that is the same with the chance `agree`."""
    same, different = np.log2(agree), np.log2(1 - agree)
    return np.asarray(np.logaddexp2(odds + same, different) - np.logaddexp2(odds + different, same))
