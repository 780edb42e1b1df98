"""What the capture itself says of candidates: whether their bits belong to one number, and in which byte order.

When a number goes up by one in all but its lowest bit, that bit falls; when it goes down, it rises. A bit of something
else does either as often. The same holds between two bytes of a number.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from decoder.discovery.quick_parts import Part

# Of carries among steps by one of what stands above; a bit of something else carries as often as not. Common practice,
# no source.
_CARRIES: Final = 0.8
_LEAPS: Final = 0.3  # of the changes, that are by more than one
_MOST_BYTES: Final = 6.0
_RESTS: Final = -3.0  # log odds of a lowest bit that never moved while those above did
_EACH_BIT: Final = -0.7  # ... and of each further one
_EACH_ZERO: Final = -0.1  # of each lowest bit of a constant that is 0


def carry_log_odds(upper: NDArray[np.int64], lowest: NDArray[np.int64]) -> float:
    """Give the log odds that a bit belongs below a number, from how both went in time."""
    step = np.diff(upper)
    up, down = step == 1, step == -1
    if int((np.abs(step) > 1).sum()) > _LEAPS * int((step != 0).sum()):
        return 0.0  # too fast for carries to be seen
    before, after = lowest[:-1], lowest[1:]
    carried = int(((up & (before > after)) | (down & (before < after))).sum())
    against = int(((up & (before < after)) | (down & (before > after))).sum())
    return carried * float(np.log(2 * _CARRIES)) + against * float(np.log(2 * (1 - _CARRIES)))


def rest_log_odds(raw: NDArray[np.int64]) -> float:
    """Give the log odds that the lowest bits of a number never move, as they do where it begins too low."""
    moving = int(np.bitwise_or.reduce(raw ^ raw[0]))
    if not moving:
        zeros = (int(raw[0]) & -int(raw[0])).bit_length() - 1
        return _EACH_ZERO * max(zeros, 0)
    resting = (moving & -moving).bit_length() - 1
    return _RESTS + _EACH_BIT * resting if resting else 0.0


def big_endian_log_odds(parts: Sequence[Part]) -> float:
    """Give the log odds that numbers of a capture are big-endian, from carries between neighbouring bytes."""
    big = little = 0
    for one in parts:
        if one.data.shape[1] < 2 or len(one.data) < 2:
            continue
        data = one.data[:: max(1, len(one.data) // _MOST_ROWS)]
        step = (data[1:] - data[:-1]).view(np.int8)  # as small as can be, either way
        risen = data[1:] > data[:-1]
        # wrapped around: the byte rose and its step is negative, or the other way
        wrapped = np.where(risen, np.where(step < 0, -1, 0), np.where(step > 0, 1, 0))
        by_one = np.where(np.abs(step) == 1, step, 0)
        big += int(((wrapped[:, 1:] != 0) & (by_one[:, :-1] == wrapped[:, 1:])).sum())
        little += int(((wrapped[:, :-1] != 0) & (by_one[:, 1:] == wrapped[:, :-1])).sum())
    odds = (big - little) * np.log(2 * _CARRIES) * _WORTH
    return float(np.clip(odds, -_MOST_BYTES, _MOST_BYTES))


_MOST_ROWS: Final = 2000
_WORTH: Final = 0.3  # of one carry: by chance they come as well, both ways
