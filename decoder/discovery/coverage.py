"""How well a map covers a capture: which changing bits it explains, what is left, and whether what it says fits."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from decoder.channels import decode
from decoder.discovery.carve import carve_streams
from decoder.discovery.covering.explained import StreamCoverage, explained
from decoder.discovery.covering.map_fit import Misfit, misfits
from decoder.discovery.field_at import Sampled
from decoder.discovery.streams import streams

if TYPE_CHECKING:
    from collections.abc import Callable

    from decoder.frames import Frames
    from decoder.maps.pack_sheet import PackSheet
    from decoder.maps.signal_map import SignalMap


@dataclass(frozen=True, slots=True)
class Coverage:
    """All streams, those whose unexplained bits move most first, and what of the map does not fit the capture."""

    changing_bits: int
    explained_bits: int
    streams: tuple[StreamCoverage, ...]
    misfits: tuple[Misfit, ...] = ()


def coverage(
    frames: Frames,
    signal_map: SignalMap,
    sheet: PackSheet | None = None,
    *,
    carved: bool = True,
    progress: Callable[[float], None] | None = None,
) -> Coverage:
    """Hold a map against a capture.

    Parameters
    ----------
    sheet : says which channels count and which are checks, where their names do not
    carved : carve the capture, to hold borders of fields and checks against it; without it that is left out
    progress : told the share of carving that is done
    """
    found = streams(frames)
    counted = explained(frames, found, signal_map)
    carvings = carve_streams(found, progress) if carved else ()
    wrong = misfits(decode(frames, signal_map, sheet), Sampled(found), carvings)
    return Coverage(counted.changing_bits, counted.explained_bits, counted.streams, wrong)
