"""What to measure next, and when: where the matches that are left differ most, by their own series."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.discovery.pinned import NextReading

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from decoder.discovery.field_at import Sampled
    from decoder.discovery.pinned import Match
    from decoder.discovery.pinning.reading_errors import LabelReadings

_MOMENTS: Final = 200
_MOST: Final = 20  # matches that are told apart
_LEFT: Final = 1 / 3  # of the best likelihood, from which on a match is still to be told apart
_AWAKE: Final = 0.125  # of the capture: before, a controller may say 'not available'
_SETTLED: Final = 0.95
_ENOUGH: Final = 3.0  # tolerances, beyond which two matches differ no more clearly


def next_reading(
    sampled: Sampled, label: LabelReadings, matches: Sequence[Match], first_ns: int, last_s: float
) -> NextReading | None:
    """Say what to measure next; ``None`` where one match is as good as sure, or there is none."""
    if not matches or matches[0].likelihood >= _SETTLED:
        return None
    left = [one for one in matches[:_MOST] if one.likelihood >= _LEFT * matches[0].likelihood]
    if len(left) < 2:
        advice = "read it again at another value: one field fits, but few readings say so"
        return NextReading(label.label, None, 0.0, advice)
    time_s = np.linspace(last_s * _AWAKE, last_s, _MOMENTS)
    value = np.stack([_value(sampled, one, first_ns + time_s * 1e9) for one in left])
    chance = np.array([one.likelihood for one in left])
    quantity = left[0].quantity or next(iter(label.quantities))
    tolerance = float(label.limit(quantity).max())
    best = int(_told_apart(value, chance / chance.sum(), tolerance).argmax())
    apart = np.abs(value[:, best] - np.average(value[:, best], weights=chance))
    differ_by = float(np.average(apart, weights=chance)) * 2
    number = len(left) if len(left) < _MOST else f"{_MOST} or more"
    if differ_by > tolerance:
        words = f"read it as at {time_s[best]:.1f} s of the capture: there {number} fields differ by {differ_by:.2g}"
        return NextReading(label.label, float(time_s[best]), differ_by, f"{words} {label.unit}".strip())
    return NextReading(label.label, None, differ_by, _advice(quantity, number))


def _value(sampled: Sampled, match: Match, time_ns: NDArray[np.float64]) -> NDArray[np.float64]:
    own_ns, raw = sampled.raw(match.at)
    if not len(own_ns):
        return np.zeros(len(time_ns))
    return match.scale * np.interp(time_ns, own_ns, raw.astype(np.float64)) + match.offset


def _told_apart(value: NDArray[np.float64], share: NDArray[np.float64], tolerance: float) -> NDArray[np.float64]:
    """Give for each moment how well the matches are told apart by one more reading."""
    worth = np.zeros(value.shape[1])
    for one, own in zip(value, share, strict=True):
        worth += own * (share[:, None] * np.minimum(np.abs(value - one) / tolerance, _ENOUGH)).sum(axis=0)
    return worth


def _advice(quantity: str, number: int | str) -> str:
    """Say what makes fields differ that never do in this capture by more than the meter tells."""
    if quantity in {"cell voltage", "module voltage"}:
        how = "load this one for some seconds, mark the moment, and read it then"
    elif quantity.endswith("temperature"):
        how = "warm this one by hand, mark the moment, and read it then"
    elif quantity in {"pack voltage", "link voltage", "pack current", "state of charge"}:
        how = "read it while the current changes"
    else:
        how = "read it while it changes"
    return f"{number} fields fit equally and never differ by more than the meter tells: {how}"
