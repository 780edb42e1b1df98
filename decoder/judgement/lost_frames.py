"""Frames that are missing, by the counters that their sender put into them."""

from __future__ import annotations

from dataclasses import dataclass
from math import gcd
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.channels.states import cycle_s
from decoder.discovery.carving.details import counter_detail
from decoder.judgement.finding import Finding, Severity
from decoder.maps.pack_sheet import Place
from decoder.printable import printable

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from decoder.channels import Channels, Series

# So many percent of an identifier's frames missing are more than a recording that now and then loses one, if so many
# are missing at all. Common practice, no source.
GRAVE_PERCENT: Final = 1.0
_FEWEST_LOST: Final = 5
_FEWEST_FRAMES: Final = 10
# A counter goes on by its usual step at least so often, where it moves; else it is none. Common practice, no source.
_COUNTS: Final = 0.5
# Frames can only be missing where there was time for them: so much of their usual time. Common practice, no source.
_LEAST_TIME: Final = 0.5
# So that products of two counts fit 64 bits.
_MOST_BITS: Final = 31


@dataclass(frozen=True, slots=True, eq=False)
class Lost:
    """frames : int64, how many are missing before each sample (0 before the first); expected : all, with those."""

    frames: NDArray[np.int64]
    expected: int


def lost_frame_findings(channels: Channels, not_judged: dict[str, str]) -> Iterator[Finding]:
    """Judge what alive counters say of missing frames; reasons for not judging go to `not_judged`."""
    counters = channels.of("alive counter")
    if not counters:
        not_judged["frames-lost"] = "no alive counter in the map"
    for series in counters:
        lost = lost_frames(series)
        if lost is None:
            not_judged["frames-lost"] = f"{printable(series.channel.name)} does not count, or too little of it is there"
        elif lost.frames.any():
            yield _finding(series, lost)


def lost_frames(series: Series) -> Lost | None:
    """Count the frames that are missing between samples of a counter; ``None`` if it does not count.

    Whole rounds of the counter do not show, so more may be missing. A value that is repeated is a frame sent twice. A
    counter that begins anew, with no time for the frames in between, has lost none.
    """
    raw = _counts(series)
    if len(raw) < _FEWEST_FRAMES or not np.any(raw[1:] != raw[:-1]):
        return None
    length = series.channel.signal.field.length
    detail = counter_detail(raw, min(length, _MOST_BITS))
    modulus = (series.channel.role.modulus if length <= _MOST_BITS else None) or detail["modulus"]
    assert isinstance(modulus, int)
    if modulus < 2:
        return None
    moved = (raw[1:] - raw[:-1]) % modulus
    steps, times = np.unique(moved[moved > 0], return_counts=True)
    if not len(steps) or times.max() < _COUNTS * times.sum():
        return None
    step = int(steps[times.argmax()])
    # A step that divides the modulus has a shorter round of its own; what is between its values is no frame more.
    common = gcd(step, modulus)
    round_frames = modulus // common
    if round_frames < 3:
        return None
    gone_on = (moved // common) * pow(step // common, -1, round_frames) % round_frames
    went_on = (moved > 0) & (moved % common == 0)
    apart_ns = np.diff(series.time_ns)
    had_time = apart_ns >= _LEAST_TIME * gone_on * (cycle_s(series.time_ns) or 0.0) * 1e9
    missing = np.where(went_on & had_time & (apart_ns >= 0), gone_on - 1, 0)
    frames = np.concatenate(([0], np.maximum(missing, 0))).astype(np.int64)
    sent = 1 + int(np.count_nonzero(moved))
    return Lost(frames, sent + int(frames.sum()))


def _counts(series: Series) -> NDArray[np.int64]:
    """Give what the counter says as whole numbers from 0 on; of a wide one the lowest bits, which count too."""
    bits = min(series.channel.signal.field.length, _MOST_BITS)
    return np.asarray(series.raw & series.raw.dtype.type((1 << bits) - 1), np.int64)


def _finding(series: Series, lost: Lost) -> Finding:
    channel = series.channel
    count = int(lost.frames.sum())
    percent = 100 * count / lost.expected
    where = np.flatnonzero(lost.frames)
    worst = int(where[np.argmax(lost.frames[where])])
    grave = percent >= GRAVE_PERCENT and count >= _FEWEST_LOST
    places = "once" if len(where) == 1 else f"at {len(where):,} places"
    return Finding(
        code="frames-lost",
        severity=Severity.CAUTION if grave else Severity.NOTICE,
        place=Place(),
        value=percent,
        limit=GRAVE_PERCENT,
        unit="%",
        from_ns=int(series.time_ns[where[0] - 1]),
        to_ns=int(series.time_ns[where[-1]]),
        worst_ns=int(series.time_ns[worst]),
        channel=channel.name,
        channels=(channel.name,),
        explanation=(
            f"{printable(channel.name)} skips {places}: at least {count:,} of {lost.expected:,} frames of "
            f"{printable(channel.message.name)} ({channel.can_id:X}) are missing. The recorder or the bus lost them; "
            "what they said is not here"
        ),
        source="alive counter; limit: common practice, no source",
    )
