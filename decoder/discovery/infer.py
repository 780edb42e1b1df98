"""Quantities from physics alone: what the fields of a capture may measure, without any reading.

Arrays are looked for in the bits themselves, single channels among the numbers that were carved; everything is weighed
together: `decoder.discovery.physics`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from decoder.discovery.carve import carve_streams
from decoder.discovery.field_at import Sampled
from decoder.discovery.inference import Inference
from decoder.discovery.physics.claims import claims_of
from decoder.discovery.physics.weighing import weigh
from decoder.discovery.streams import streams

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from decoder.discovery.proposal import Carving
    from decoder.frames import Frames
    from decoder.transport.transfers import Transfers

_CARVING: float = 0.7  # of the work


def infer(
    frames: Frames,
    transfers: Transfers | None = None,
    carvings: Sequence[Carving] | None = None,
    progress: Callable[[float], None] | None = None,
) -> Inference:
    """Give what the fields of a capture may measure: arrays with their members in order, and single channels.

    Parameters
    ----------
    frames
        The capture.
    transfers
        Those of ISO 15765-2, where they are known already.
    carvings
        What `carve` gave for these frames, where it is known already.
    progress
        Is told how much is done, 0..1.

    """
    begun = 0.0
    if carvings is None:
        begun = _CARVING
        share = None if progress is None else lambda done: progress(_CARVING * done)
        carvings = carve_streams(streams(frames, transfers), share)
    rest = None if progress is None else lambda done: progress(begun + (1 - begun) * done)
    found = [one for one in carvings if len(one.stream.data)]
    if not found:
        return Inference()
    sampled = Sampled([one.stream for one in found])
    return claims_of(weigh(found, sampled, rest), sampled)
