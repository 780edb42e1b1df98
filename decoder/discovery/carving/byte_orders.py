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

    own : what each says of itself; buses, identifiers : where each stands. Layouts of one identifier (the pages of a
        multiplexor) say nearly the same for the same reason, so that together they count as one.
    """
    says = np.array(own, np.float64)
    bus = np.unique(np.asarray(buses, np.str_), return_inverse=True)[1]
    where = np.stack([bus, np.asarray(identifiers, np.int64)])
    frames, frame_of = _distinct(where)
    pages, of_pages = np.bincount(frame_of), np.bincount(frame_of, says)
    upward = _weakened(of_pages / pages, _FRAME_AS_BLOCK)
    blocks, block_of = _distinct(frames // np.array([[1], [BLOCK]]))
    in_block = np.bincount(block_of, upward).astype(np.float64)
    to_bus = _weakened(in_block, _BLOCK_AS_BUS)
    on_bus = np.bincount(blocks[0], to_bus).astype(np.float64)
    from_bus = _weakened(on_bus[blocks[0]] - to_bus, _BLOCK_AS_BUS)
    to_frame = _weakened((in_block + from_bus)[block_of] - upward, _FRAME_AS_BLOCK)
    other_pages = (of_pages[frame_of] - says) / np.maximum(pages - 1, 1)[frame_of]
    return [float(odds) for odds in to_frame[frame_of] + other_pages]


def _distinct(columns: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.intp]]:
    """Give the distinct columns, and which of them each is."""
    distinct, number = np.unique(columns, axis=1, return_inverse=True)
    return distinct, number.reshape(-1)


def _weakened(odds: NDArray[np.float64], agree: float) -> NDArray[np.float64]:
    """Give what odds about one thing say about another that is the same with the chance `agree`."""
    same, different = np.log2(agree), np.log2(1 - agree)
    return np.asarray(np.logaddexp2(odds + same, different) - np.logaddexp2(odds + different, same))
