"""What is true of a made pack: every channel with its place in the frames, and what was done when.

A channel's value is `scale` x raw + `offset`, in its unit, give or take what the controller's own sensor does wrong.
Pack current is positive while discharging: a controller that counts the other way has a negative scale.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from decoder.maps.pack_sheet import Place

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from decoder.discovery.field_at import FieldAt
    from decoder.frames import Frames
    from tools.packs.pack import Pack, Source

START_NS = 1_893_456_000_000_000_000  # 2030-01-01 00:00:00 UTC


@dataclass(frozen=True, slots=True)
class TrueChannel:
    """A field and what it means.

    quantity : as in `decoder.maps.quantities`; ``None`` for what is none of them (numbers of other modules, the number
        of the highest cell, a multiplexor)
    decoy : what it is, where it is no channel of its own right: 'highest cell', 'copy of the cells', ...; else empty
    array, order : which array it belongs to (counted from 0) and its number in it (from 1), ``None`` for single ones
    source : what of the pack it shows; ``None`` for counters, checks and multiplexors
    """

    at: FieldAt
    quantity: str | None
    unit: str = ""
    scale: float = 1.0
    offset: float = 0.0
    place: Place = Place()  # noqa: RUF009  (frozen)
    array: int | None = None
    order: int | None = None
    decoy: str = ""
    source: Source | None = None


@dataclass(frozen=True, slots=True)
class TrueMark:
    """A mark as noted, in seconds from the capture's first frame, when it truly happened, and what it shows in."""

    time_s: float
    label: str
    true_s: float
    shown: tuple[Source, ...]


@dataclass(frozen=True, eq=False, slots=True)
class PackTrial:
    """A made capture and the truth about it.

    natural : all scales are rows of `decoder.discovery.natural_scales`
    forms : how the cells are carried, array by array
    """

    seed: int
    frames: Frames
    channels: tuple[TrueChannel, ...]
    marks: tuple[TrueMark, ...]
    pack: Pack
    natural: bool
    forms: tuple[str, ...]

    @property
    def first_s(self) -> float:
        """When the first frame came, in seconds from when the recorder started."""
        return (int(self.frames.time_ns[0]) - START_NS) / 1e9

    def value(self, channel: TrueChannel, time_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Give what is true of a channel at times in seconds from the capture's first frame, in its unit.

        Before noise, sensor error, sampling and quantisation. Raises `ValueError` for a channel that shows nothing.
        """
        if channel.source is None:
            raise ValueError("counters, checks and multiplexors show nothing of the pack")
        return self.pack.value(channel.source, np.asarray(time_s, float) + self.first_s)

    def shown_by(self, label: str) -> tuple[TrueChannel, ...]:
        """Give the channels that what was done under a label shows in, copies too."""
        sources = {source for mark in self.marks if mark.label == label for source in mark.shown}
        return tuple(channel for channel in self.channels if channel.source in sources)
