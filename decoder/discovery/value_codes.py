"""How fields change: what it takes to tell a value when the one before is known, by kind of field.

Arrays are lengths x moves: the same bits read as fields of several lengths at once. All differences are taken modulo the
field's range, so signed and unsigned numbers, and such that wrap, are alike.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.discovery.code_lengths import bits_of_symbols, bits_of_yes_no

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Values = NDArray[np.int64]
    Bits = NDArray[np.float64]

_LONGEST: Final = 32
MOST_STATES: Final = 16
_FEW: Final = 8  # changes, below which only the value before tells what to expect
_MEANS_OF: Final = (4, 16)
_FEW_BITS: Final = 1.6  # which of two, three or four steps at once
_JUMP: Final = 2 * _LONGEST  # the class of differences that are told in full
_REST_OF_CLASS: Final = np.maximum(np.arange(_JUMP) // 2 - 1, 0)
_BELL: Final = 0.97
_FINE: Final = 15  # values above this can be 'not available' by being all ones


def _shapes(*, with_zero: bool) -> Bits:
    """Give the bits that tell one difference of each class, both signs alike: classes x shapes.

    Normal and two-sided exponential distributions of many widths, with a long tail mixed in.
    """
    classes = np.arange(_JUMP)
    low = np.where(classes < 2, classes, 0)
    low[2:] = (2 + classes[2:] % 2) << (classes[2:] // 2 - 1)
    count = 2.0**_REST_OF_CLASS
    middle = low + (count - 1) / 2
    tail = 1 / (count * 2 * _JUMP)
    columns = []
    for width in 2.0 ** np.arange(-1, 14, 0.5):
        for form in (np.exp(-np.minimum((middle / width) ** 2 / 2, 700)), np.exp(-np.minimum(middle / width, 700))):
            weight = form * np.where(middle > 0, 2, 1) * count
            weight[0] *= with_zero
            columns.append(-np.log2(_BELL * form / weight.sum() + (1 - _BELL) * tail))
    return np.array(columns).T


_SHAPES: Final = _shapes(with_zero=False)
_SHAPES_WITH_ZERO: Final = _shapes(with_zero=True)


def moved_number_bits(old: Values, new: Values, masks: Values) -> Bits:
    """Tell the values of numbers when it is known in which moves they change.

    From the value before, from the mean of the last few different values, or from the middle of all.
    """
    limits = masks[:, None]
    jump = ((old == limits) | (new == limits)) & (limits > _FINE)
    moved = old != new
    middle = np.sort(new, axis=1)[:, new.shape[1] // 2, None] if new.shape[1] else new
    expected = [old] if new.shape[1] < _FEW else [old, middle, *(_mean_before(old, new, size) for size in _MEANS_OF)]
    best = np.full(len(masks), np.inf)
    for value in expected:
        classes, down = _classes((new - value) & limits, limits, jump)
        classes = np.where(moved, classes, _JUMP + 1)
        histogram = _histogram(classes, np.zeros_like(classes), 1)[:, 0]
        shapes = _SHAPES if value is old else _SHAPES_WITH_ZERO
        downs = (down & (classes > 0) & (classes < _JUMP)).sum(axis=1)
        best = np.minimum(best, _told(histogram, downs, masks, shapes) + (value is middle) * np.log2(masks + 1.0))
    return best + np.where(masks > 1, np.log2(len(expected)), 0.0)


def busy_number_bits(old: Values, new: Values, masks: Values, situation: Values, situations: int) -> Bits:
    """Tell values of numbers that change often, from the value before or from the mean of the last few.

    situation : what the rest of the frame does in each move; the shares are learned for each apart
    """
    limits = masks[:, None]
    jump = ((old == limits) | (new == limits)) & (limits > _FINE)
    by_last = _busy_bits((new - old) & limits, masks, jump, situation, situations)
    best = by_last
    for size in _MEANS_OF:
        difference = (new - _mean_before(old, new, size)) & limits
        best = np.minimum(best, _busy_bits(difference, masks, jump, situation, situations))
    return best


def _mean_before(old: Values, new: Values, size: int) -> Values:
    """Give the rounded mean of the last `size` values before each move."""
    sums = np.cumsum(np.concatenate([old[:, :1], new], axis=1), axis=1)
    sums[:, size:] = sums[:, size:] - sums[:, :-size]
    of = np.minimum(np.arange(1, sums.shape[1]), size)
    return (2 * sums[:, :-1] + of) // (2 * of)


def _busy_bits(difference: Values, masks: Values, jump: NDArray[np.bool_], situation: Values, situations: int) -> Bits:
    classes, down = _classes(difference, masks[:, None], jump)
    histogram = _histogram(classes, situation, situations)
    falling = down & (classes > 0) & (classes < _JUMP)
    bits = np.zeros(len(masks))
    for one in range(situations):
        bits += _told(histogram[:, one], (falling & (situation == one)).sum(axis=1), masks, _SHAPES_WITH_ZERO)
    return bits


def _classes(difference: Values, limits: Values, jump: NDArray[np.bool_]) -> tuple[Values, NDArray[np.bool_]]:
    """Sort differences by size: 0, 1, 2, 3, 4 and 5, 6 and 7, 8 to 11, ...: two classes an octave; and tell their sign."""
    down = difference > limits >> 1
    size = np.where(down, limits + 1 - difference, difference)
    _, octave = np.frexp(size.astype(np.float64))
    half = (size >> np.maximum(octave - 2, 0)) & 1
    classes = np.where(size < 2, size, 2 * octave - 2 + half)
    classes[jump & (size * size > limits)] = _JUMP  # -1 beside small numbers is no jump
    return classes, down


def _histogram(classes: Values, situation: Values, situations: int) -> Values:
    """Count classes by length and situation; those beyond the jumps are left out."""
    rows = np.arange(len(classes))[:, None] * situations + situation
    count = len(classes) * situations * (_JUMP + 2)
    found = np.bincount((rows * (_JUMP + 2) + classes).ravel(), minlength=count)
    return found.reshape(len(classes), situations, _JUMP + 2)[:, :, :-1]


def _told(histogram: Values, downs: Values, masks: Values, shapes: Bits) -> Bits:
    """Tell classes as they come, learning their shares, or by the best bell shape; then the rest of size and sign."""
    lengths = np.frexp(masks.astype(np.float64) + 1)[1] - 1
    usual, jumps = histogram[:, :_JUMP], histogram[:, _JUMP]
    moved = usual[:, 1:].sum(axis=1)
    learned = bits_of_symbols(histogram, 2 * lengths) + usual @ _REST_OF_CLASS + bits_of_yes_no(downs, moved - downs)
    shaped = (usual @ shapes).min(axis=1) + np.log2(shapes.shape[1]) + bits_of_yes_no(jumps, usual.sum(axis=1))
    return np.where(lengths > 1, np.minimum(learned, shaped) + jumps * lengths, 0.0)


def state_bits(old: Values, new: Values, lengths: Values, times: Values) -> tuple[Bits, Values]:
    """Tell which of few values comes, each in full the first time, or each in full; and how many there are."""
    bits, distinct = np.full(len(lengths), np.inf), np.full(len(lengths), MOST_STATES + 1)
    for at, length in enumerate(lengths.tolist()):
        changed = old[at] != new[at]
        seen, counts = np.unique(new[at, changed], return_counts=True)
        distinct[at] = len(seen) + int(changed.any() and old[at, changed][0] not in seen)
        if length == 1:
            bits[at] = 0.0
        elif distinct[at] <= MOST_STATES:
            listed = (distinct[at] - 1) * length + float(bits_of_symbols(np.append(counts, 0)))
            bits[at] = min(listed, length * int(times[at]))
    return bits, distinct


def counter_bits(old: Values, new: Values, length: int) -> float:
    """One step forward, modulo the field's range or the span of the values seen; exceptions by a few steps, or in full."""
    low, high = int(min(old.min(), new.min())), int(max(old.max(), new.max()))
    best = np.inf
    for modulus, extra in ((1 << length, 0.0), (high - low + 1, float(length))):
        steps = (new - old) % modulus
        counts = np.bincount(steps)
        step = int(counts.argmax())
        few = int(counts[2 * step : 5 * step : max(step, 1)].sum())
        sorts = np.array([int(counts[step]), few, len(steps) - int(counts[step]) - few])
        told = float(bits_of_symbols(sorts)) + _FEW_BITS * few + length * int(sorts[2])
        best = min(best, told + length + extra)
    return best
