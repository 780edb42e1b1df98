"""What is on the wire: identifier by identifier how often, how regularly, how long, and which bits ever change."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.discovery.bus_load import USUAL_BIT_RATE, BusLoad, bus_loads
from decoder.transport.iso_tp import conversations
from decoder.transport.j1939_id import is_transport

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from decoder.frames import Frames, Key
    from decoder.transport.transfers import Kind

# Gaps below this share of the long ones are those inside a burst. Common practice, no source.
_BURST_SHARE: Final = 0.2
_FEWEST_FOR_PERIOD: Final = 3
_SPREAD_PERCENT: Final = (5, 95)


@dataclass(frozen=True, slots=True)
class Identifier:
    """One stream of frames.

    lengths : payload bytes -> frames
    period_ms : the usual time from one frame (with bursts: from one burst) to the next; ``None`` for fewer than three
    jitter_ms : half the distance between the 5th and the 95th percentile of these times
    burst : how many frames usually come together; 1 where they come one by one
    first_ns, last_ns : when it was first and last heard
    changing : which payload bits ever change, byte by byte (bit 7 first on the wire); of the bytes that all frames have
    constant : bytes that never change: position -> value; only bytes that all frames have
    transport : the transport protocol that its frames belong to
    """

    bus: str
    can_id: int
    extended: bool
    frames: int
    lengths: Mapping[int, int]
    period_ms: float | None
    jitter_ms: float | None
    burst: int
    first_ns: int
    last_ns: int
    changing: bytes
    constant: Mapping[int, int]
    transport: Kind | None

    @property
    def changing_bits(self) -> int:
        """How many bits ever change."""
        return int.from_bytes(self.changing).bit_count()


@dataclass(frozen=True, slots=True)
class Survey:
    """The identifiers of a capture by bus and number, and the load of each bus."""

    identifiers: tuple[Identifier, ...]
    loads: tuple[BusLoad, ...]


def survey(frames: Frames, bit_rate: int = USUAL_BIT_RATE) -> Survey:
    """Survey a capture; `bit_rate` (bit/s) is what the bus load is reckoned with."""
    believed = {path.key for path in conversations(frames).transfers.paths}
    found = [
        _identifier(frames, key, rows, "iso-tp" if key in believed else None)
        for key, rows in sorted(frames.rows_of.items())
    ]
    return Survey(tuple(found), bus_loads(frames, bit_rate))


def _identifier(frames: Frames, key: Key, rows: NDArray[np.intp], transport: Kind | None) -> Identifier:
    time_ns, length = frames.time_ns[rows], frames.length[rows]
    lengths, counts = np.unique(length, return_counts=True)
    common = int(lengths[0])
    data = np.take(frames.data, rows, axis=0)[:, :common]
    changing = np.bitwise_or.reduce(data ^ data[0], axis=0) if common else np.empty(0, np.uint8)
    period_ms, jitter_ms, burst = rhythm(time_ns)
    if key.extended and is_transport(key.can_id):
        transport = "j1939-tp"
    return Identifier(
        bus=frames.bus_names[key.bus],
        can_id=key.can_id,
        extended=key.extended,
        frames=len(rows),
        lengths=dict(zip(lengths.tolist(), counts.tolist(), strict=True)),
        period_ms=period_ms,
        jitter_ms=jitter_ms,
        burst=burst,
        first_ns=int(time_ns.min()),
        last_ns=int(time_ns.max()),
        changing=changing.tobytes(),
        constant={at: int(data[0, at]) for at in np.flatnonzero(changing == 0).tolist()},
        transport=transport,
    )


def rhythm(time_ns: NDArray[np.int64]) -> tuple[float | None, float | None, int]:
    """Give period and jitter in ms, and how many frames come together.

    time_ns : when the frames of one stream came; backward steps of the clock are left out
    """
    gaps = np.diff(time_ns)
    gaps = gaps[gaps >= 0]
    if len(gaps) < _FEWEST_FOR_PERIOD - 1:
        return None, None, 1
    burst = _burst(gaps)
    if burst > 1:
        begins = np.concatenate(([True], gaps > _BURST_SHARE * np.percentile(gaps, _SPREAD_PERCENT[1])))
        times = np.concatenate(([0], np.cumsum(gaps)))[begins]
        gaps = np.diff(times)
    low, high = np.percentile(gaps, _SPREAD_PERCENT)
    return float(np.median(gaps)) / 1e6, float(high - low) / 2e6, burst


def _burst(gaps: NDArray[np.int64]) -> int:
    """Give how many frames usually come together: the median of the frames between two long gaps."""
    long = np.flatnonzero(gaps > _BURST_SHARE * np.percentile(gaps, _SPREAD_PERCENT[1]))
    if len(long) < _FEWEST_FOR_PERIOD or len(long) * 2 > len(gaps) + 2:
        return 1
    return int(np.median(np.diff(long)))
