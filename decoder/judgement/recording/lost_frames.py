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
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from decoder.channels import Channels, Series

# So many percent of an identifier's frames missing are more than a recording that now and then loses one, if so many
# are missing at all. Common practice, no source.
GRAVE_PERCENT: Final = 1.0
_FEWEST_LOST: Final = 5
_FEWEST_FRAMES: Final = 10
_MOST_TOLD: Final = 5  # counters
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
    some: dict[Severity, list[_Loss]] = {}
    for series in counters:
        lost = lost_frames(series)
        if lost is None:
            not_judged["frames-lost"] = f"{printable(series.channel.name)} does not count, or too little of it is there"
        elif lost.frames.any():
            loss = _Loss(series, lost)
            some.setdefault(loss.severity, []).append(loss)
    for losses in some.values():
        yield _finding(sorted(losses, key=lambda one: -one.percent))


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


@dataclass(frozen=True, slots=True, eq=False)
class _Loss:
    """A counter, and what it says is missing."""

    series: Series
    lost: Lost

    @property
    def count(self) -> int:
        return int(self.lost.frames.sum())

    @property
    def percent(self) -> float:
        return 100 * self.count / self.lost.expected

    @property
    def severity(self) -> Severity:
        grave = self.percent >= GRAVE_PERCENT and self.count >= _FEWEST_LOST
        return Severity.CAUTION if grave else Severity.NOTICE

    @property
    def where(self) -> NDArray[np.intp]:
        return np.flatnonzero(self.lost.frames)

    @property
    def words(self) -> str:
        channel, places = self.series.channel, len(self.where)
        at = "once" if places == 1 else f"at {places:,} places"
        return (
            f"{printable(channel.name)} skips {at}: at least {self.count:,} of {self.lost.expected:,} frames of "
            f"{printable(channel.message.name)} ({channel.can_id:X}) are missing"
        )


def _finding(losses: Sequence[_Loss]) -> Finding:
    """Give one finding for all losses of one severity, the largest share first: recorder and bus are one cause."""
    first = losses[0]
    frames, times = first.lost.frames, first.series.time_ns
    shown = [one.words for one in losses[:_MOST_TOLD]]
    if len(losses) > _MOST_TOLD:
        shown.append(f"{len(losses) - _MOST_TOLD} more counters skip")
    return Finding(
        code="frames-lost",
        severity=first.severity,
        place=Place(),
        value=first.percent,
        limit=GRAVE_PERCENT,
        unit="%",
        from_ns=min(int(one.series.time_ns[one.where[0] - 1]) for one in losses),
        to_ns=max(int(one.series.time_ns[one.where[-1]]) for one in losses),
        worst_ns=int(times[first.where[np.argmax(frames[first.where])]]),
        channel=first.series.channel.name if len(losses) == 1 else None,
        channels=tuple(one.series.channel.name for one in losses),
        explanation=f"{'; '.join(shown)}. The recorder or the bus lost them; what they said is not here",
        source="alive counters; common practice, no source",
    )
