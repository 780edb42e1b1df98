"""What is on the wire: identifier by identifier how often, how regularly, how long, and which bits ever change."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.discovery.bus_load import USUAL_BIT_RATE, BusLoad, bus_loads, frame_bits
from decoder.discovery.carving.moves import ever_flipped
from decoder.frames import FD, REMOTE
from decoder.transport.iso_tp import conversations
from decoder.transport.j1939_id import is_transport

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from decoder.frames import Frames, Key
    from decoder.transport.transfers import Kind, Transfers

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
    shortest_gap_ms, longest_gap_ms : the least and the most time from one frame to the next; ``None`` for one frame
    longest_gap_ns : when the longest gap began; ``None`` likewise
    load_percent : the most that its frames take of the bus's time; without CAN FD frames; 0 in a capture without length
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
    shortest_gap_ms: float | None
    longest_gap_ms: float | None
    longest_gap_ns: int | None
    load_percent: float

    @property
    def changing_bits(self) -> int:
        """How many bits ever change."""
        return int.from_bytes(self.changing).bit_count()


@dataclass(frozen=True, slots=True)
class Survey:
    """The identifiers of a capture by bus and number, and the load of each bus.

    remote_frames : of each bus, in the order of `loads`
    length_s : from the capture's earliest frame to its latest
    """

    identifiers: tuple[Identifier, ...]
    loads: tuple[BusLoad, ...]
    remote_frames: tuple[int, ...]
    length_s: float


def survey(frames: Frames, bit_rate: int = USUAL_BIT_RATE, *, transfers: Transfers | None = None) -> Survey:
    """Survey a capture.

    bit_rate : bit/s, what the load is reckoned with
    transfers : of the capture's conversations, where they are known; else they are looked for
    """
    known = conversations(frames).transfers if transfers is None else transfers
    believed = {path.key for path in known.paths if path.kind == "iso-tp"}
    loads = bus_loads(frames, bit_rate)
    length_s = float(np.ptp(frames.time_ns)) / 1e9 if len(frames) else 0.0
    plain, stuffing = frame_bits(frames)
    bits = np.where(frames.flags & FD, 0, plain + stuffing)
    percent = bits * (100 / (length_s * bit_rate)) if length_s else np.zeros(len(frames))
    found = [
        _identifier(frames, key, rows, "iso-tp" if key in believed else None, float(percent[rows].sum()))
        for key, rows in sorted(frames.rows_of.items())
    ]
    remote = np.bincount(frames.bus[(frames.flags & REMOTE) != 0], minlength=len(frames.bus_names))
    return Survey(tuple(found), loads, tuple(remote.tolist()), length_s)


def _identifier(
    frames: Frames, key: Key, rows: NDArray[np.intp], transport: Kind | None, load_percent: float
) -> Identifier:
    time_ns, length = frames.time_ns[rows], frames.length[rows]
    lengths, counts = np.unique(length, return_counts=True)
    common = int(lengths[0])
    data = np.take(frames.data, rows, axis=0)[:, :common]
    changing = ever_flipped(data)
    period_ms, jitter_ms, burst = rhythm(time_ns)
    shortest_gap_ms, longest_gap_ms, longest_gap_ns = extreme_gaps(time_ns)
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
        shortest_gap_ms=shortest_gap_ms,
        longest_gap_ms=longest_gap_ms,
        longest_gap_ns=longest_gap_ns,
        load_percent=load_percent,
    )


def extreme_gaps(time_ns: NDArray[np.int64]) -> tuple[float | None, float | None, int | None]:
    """Give the least and the most time from one frame to the next in ms, and when the longest gap began.

    Backward steps of the clock are left out.
    """
    gaps = np.diff(time_ns)
    forward = np.flatnonzero(gaps >= 0)
    if not len(forward):
        return None, None, None
    longest = int(forward[np.argmax(gaps[forward])])
    return float(gaps[forward].min()) / 1e6, float(gaps[longest]) / 1e6, int(time_ns[longest])


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
