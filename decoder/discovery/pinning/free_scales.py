"""Fields whose scale is none of the natural ones: fitted to many readings of something that moves, then snapped.

For each field and each clock offset the line through readings over raw values is found; what lies close to a line is
fitted again by the median of all slopes between two readings (Theil and Sen), so that a wrong reading does no harm.
Scale and offset then become the roundest numbers that the noise allows.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.discovery.pinning.field_search import Candidates
from decoder.discovery.pinning.reading_errors import APART, NOISE_DIGITS
from decoder.discovery.pinning.reading_scales import Scale

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from decoder.discovery.pinning.byte_rows import ByteRows
    from decoder.discovery.pinning.reading_errors import LabelReadings

FEWEST: Final = 8  # readings from which on a scale may be fitted
_MOVES: Final = 12.0  # noises that the readings must cover
_SHORTEST, _LONGEST = 7, 16  # bits
_LOOKED_AT: Final = 12  # readings
_NEAR: Final = 0.97  # correlation of what is fitted again
_MOST: Final = 150  # fields that are
_SHARE: Final = 0.02  # of all scales, those that are none of the natural ones
_WITH_OFFSET: Final = 0.1  # ... of those with an offset
_SNAP: Final = 2.0  # standard errors within which a rounder number is taken


def may_be_fitted(label: LabelReadings) -> bool:
    """Tell whether there are readings enough, and whether they move enough, to fit scales."""
    if len(label.value) < FEWEST or not label.quantities:
        return False
    low, high = np.quantile(label.value, [0.1, 0.9])
    return bool(high - low > _MOVES * _noise(label))


def _noise(label: LabelReadings) -> float:
    own = min(APART[one].noise for one in label.quantities)
    return float(np.hypot(NOISE_DIGITS * np.median(label.step), own))


def free_candidates(
    rows: Sequence[ByteRows],
    label: LabelReadings,
    moments_s: NDArray[np.float64],
    offsets_s: NDArray[np.float64],
    first_scale: int,
) -> tuple[Candidates, list[Scale]]:
    """Give fields that go along with the readings on a line, and their scales, numbered from `first_scale` on."""
    looked = np.unique(np.linspace(0, len(label.value) - 1, min(_LOOKED_AT, len(label.value))).round().astype(np.intp))
    step = moments_s[1] - moments_s[0] if len(moments_s) > 1 else 1.0
    times = label.time_s[looked] - offsets_s[:, None]
    at = np.clip(np.round((times - moments_s[0]) / step), 0, len(moments_s) - 1).astype(np.intp)
    found = sorted(_along(rows, label.value[looked], at), key=lambda one: -one[0])[:_MOST]
    kept: list[tuple[int, ...]] = []
    scales: list[Scale] = []
    quantity = next(iter(label.quantities))
    every = np.clip(np.round((label.time_s - offsets_s[:, None] - moments_s[0]) / step), 0, len(moments_s) - 1).astype(
        np.intp
    )
    for _, number, row, shift, length, signed, offset in found:
        raw = _raw_at(rows[number], (row, shift, length, signed), every[offset])
        line = _line(raw, label.value, _noise(label))
        if line is not None:
            share = _SHARE * (1.0 if line[1] == 0 else _WITH_OFFSET)
            bits = (length, length)
            scales.append(Scale(quantity, *line, share, bits, half_range=False, signed=bool(signed), fitted=True))
            kept.append((number, row, shift, length, signed, first_scale + len(scales) - 1))
    columns = np.array(kept, np.int64).reshape(-1, 6).T
    scale = np.array([one.scale for one in scales])
    zero = np.array([one.offset for one in scales])
    order, at_row, begin, bits_long, sign, which = (columns[k] for k in range(6))
    return Candidates(order, at_row, begin, bits_long, sign > 0, bits_long, which, scale, zero), scales


def _raw_at(rows: ByteRows, place: tuple[int, int, int, int], moments: NDArray[np.intp]) -> NDArray[np.float64]:
    """Give the raw values of a field (row, shift, length, sign) at moments."""
    row, shift, length, signed = place
    words = rows.words[row, moments] >> np.uint64(shift) & np.uint64((1 << length) - 1)
    raw: NDArray[np.float64] = words.astype(np.float64)
    raw[(raw >= 1 << length - 1) & (signed > 0)] -= 1 << length
    return raw


def _along(
    rows: Sequence[ByteRows], value: NDArray[np.float64], at: NDArray[np.intp]
) -> Iterator[tuple[float, int, int, int, int, int, int]]:
    """Give correlation, byte order, row, shift, length, sign and offset number of fields that go along with readings.

    at : moments, offsets x readings
    """
    away = (value - value.mean()).astype(np.float32)
    away /= np.sqrt((away**2).sum())
    for number, some in enumerate(rows):
        for shift in range(8):
            for length in range(_SHORTEST, _LONGEST + 1):
                top = (some.ever >> np.uint64(shift + length - 1)) & np.uint64(1) != 0
                columns = np.flatnonzero(top & (some.room[shift] >= length))
                if not len(columns):
                    continue
                raw = ((some.words[columns] >> np.uint64(shift)) & np.uint64((1 << length) - 1)).astype(np.int32)
                moving = np.flatnonzero(raw.max(axis=1) > raw.min(axis=1) + 2)
                for signed in (0, 1):
                    own = raw[moving]
                    if signed:
                        own = np.where(own >= 1 << length - 1, own - (1 << length), own)
                        if not len(own) or not (own < 0).any():
                            continue
                    for row, offset, alike in _alike(own.astype(np.float32), at, away):
                        yield alike, number, int(columns[moving[row]]), shift, length, signed, offset


def _alike(raw: NDArray[np.float32], at: NDArray[np.intp], away: NDArray[np.float32]) -> list[tuple[int, int, float]]:
    """Give rows with their best offset and correlation, where that is high."""
    if not len(raw):
        return []
    own = raw[:, at]
    own = own - own.mean(axis=-1, keepdims=True)
    norm = np.sqrt((own**2).sum(axis=-1))
    alike = np.abs((own @ away) / np.maximum(norm, 1e-6))
    best = alike.argmax(axis=1)
    high = alike[np.arange(len(raw)), best]
    return [(int(row), int(best[row]), float(high[row])) for row in np.flatnonzero(high >= _NEAR)]


def _line(raw: NDArray[np.float64], value: NDArray[np.float64], noise: float) -> tuple[float, float] | None:
    """Give scale and offset of the line through most readings, as round as the noise allows."""
    first, second = np.triu_indices(len(raw), 1)
    apart = raw[second] - raw[first]
    far = np.abs(apart) >= max(2.0, 0.2 * float(np.ptp(raw)))
    if not far.any():
        return None
    scale = float(np.median((value[second] - value[first])[far] / apart[far]))
    if scale == 0 or not np.isfinite(scale):
        return None
    left = value - scale * raw
    sound = np.abs(left - np.median(left)) <= 5 * (
        noise + abs(scale) + float(np.median(np.abs(left - np.median(left))))
    )
    spread = float(np.sqrt(((raw[sound] - raw[sound].mean()) ** 2).sum()))
    error = float(np.std(left[sound])) + noise / 2
    scale = rounded(scale, _SNAP * error / max(spread, 1e-9))
    offset = float(np.median((value - scale * raw)[sound]))
    return scale, rounded(offset, _SNAP * error / np.sqrt(max(int(sound.sum()), 1)) + abs(scale) / 2)


def rounded(number: float, within: float) -> float:
    """Give the roundest number that is near enough: 0, else the one of the fewest digits, 1, 2 and 5 first."""
    if abs(number) <= within:
        return 0.0
    for digits in range(1, 10):
        unit = 10.0 ** (np.floor(np.log10(abs(number))) - digits + 1)
        for step in (5.0, 2.5, 2.0, 1.0):
            near = round(number / (unit * step)) * unit * step
            if near and abs(near - number) <= within:
                return float(f"{near:.10g}")
    return float(f"{number:.10g}")
