"""How fields change: what it takes to tell a value when the one before is known, by kind of field.

Arrays are lengths x moves: the same bits read as fields of several lengths at once. All differences are taken modulo
the field's range, so signed and unsigned numbers, and such that wrap, are alike.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.discovery.carving.code_lengths import bits_of_choice, bits_of_symbols, bits_of_yes_no
from decoder.discovery.carving.habits import LONGEST_BITS

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Values = NDArray[np.int64]
    Bits = NDArray[np.float64]
    Where = NDArray[np.bool_]

_MOST_STATES: Final = 16
_MOST_LEVELS: Final = 64
_WIDEST: Final = 4096  # span of such values
_EVENLY: Final = 0.35  # of the moves that make the usual step of a counter, at least
_ANEW_BITS: Final = 2.0
_FEW_ONES: Final = 0.2  # of the values or moves, that may be all ones and are left out of the others
# Numbers told by their trend are no longer than this: a number with a counter above it has that very trend.
_TREND_LENGTH: Final = 16
_SPREAD_BITS: Final = 2.5
_LOW_BITS: Final = 6
_OFTEN_BACK: Final = 0.3  # of the changes, from which on it is worth telling which go back
_MEAN_OF: Final = 24  # values
_FEW_BITS: Final = 1.6  # which of two, three or four steps at once
_STEP_BITS: Final = {1: 0.5, 2: 3.5}  # surprise at the step of a counter
_OTHER_STEP_BITS: Final = 22.0
_JUMP: Final = 2 * LONGEST_BITS  # the class of differences that are told in full
_REST_OF_CLASS: Final = np.maximum(np.arange(_JUMP) // 2 - 1, 0)
_BELL: Final = 0.97
_WIDTHS: Final = 2.0 ** np.arange(-1, 25)
_FINE: Final = 15  # values above this can be 'not available' by being all ones


def _shapes() -> Bits:
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
    for width in _WIDTHS:
        for form in (np.exp(-np.minimum((middle / width) ** 2 / 2, 700)), np.exp(-np.minimum(middle / width, 700))):
            weight = form * np.where(middle > 0, 2, 1) * count
            columns.append(-np.log2(_BELL * form / weight.sum() + (1 - _BELL) * tail))
    return np.array(columns).T


_SHAPE_BITS: Final = 2 + 1.5 * np.log2(1 + np.arange(2 * len(_WIDTHS)) // 2)  # which shape: narrow ones are usual
_SHAPES: Final = _shapes()
_SHAPES_MOVED: Final = _SHAPES + np.log2(1 - np.exp2(-_SHAPES[0]))  # where it is known that there is a difference


def moved_number_bits(old: Values, new: Values, masks: Values, waking: Where, *, by_mean: bool) -> Bits:
    """Tell the values of numbers when it is known in which moves they change.

    From the value before or, with `by_mean`, from the mean of the last few different values, whichever is shorter; then
    from the value before for even and odd ones apart: a number that hovers between two of its steps goes up from the
    one and down from the other.

    waking : bool, moves: where all that ever changes was ones before
    """
    expected = _expected(old, new, masks[:, None]) if by_mean else [old]
    where = np.zeros((len(expected) * len(old), old.shape[1]), np.int64)
    if by_mean:  # of few moves there is nothing to learn for even and odd values apart
        where[: len(old)] = old & 1
    told, jumping = _weighed(
        old, new, masks, expected, where, 1 + by_mean, waking, still=old == new, never=1, most=np.inf
    )
    bits = told + np.where(masks > 1, jumping, 0.0)
    return np.asarray(bits.min(axis=0) + np.where(masks > 1, 1.0, 0.0))


def like_neighbour_bits(new: Values, neighbour: Values, length: int) -> float:
    """Tell new values of one field (1-D) by those that the field before it in the payload has at the same time.

    Cells and temperatures stand side by side and are nearly alike. A difference takes two bits for each of its own.
    """
    size = _size(new - neighbour, (1 << length) - 1)
    return float((1 + 2 * np.log2(1.0 + size) + (size > 0)).sum()) + 1


def busy_number_bits(
    old: Values, new: Values, masks: Values, situation: Values, situations: int, waking: Where
) -> Bits:
    """Tell values of numbers that change often, from the value before, the last few, the trend or the middle.

    situation : what the rest of the frame does in each move; the shares are learned for each apart, or for how far the
        number moved the time before
    """
    step = (new - old) & masks[:, None]
    before = np.concatenate([np.zeros_like(step[:, :1]), _pace(step, masks[:, None])[:, :-1]], axis=1)
    middle = np.broadcast_to(_middle(new, masks), old.shape)
    trend = old + np.concatenate([np.zeros_like(step[:, :1]), step[:, :-1]], axis=1)
    expected = [*_expected(old, new, masks[:, None]), trend, old, middle]
    where = np.concatenate([np.tile(situation, (len(expected) - 2, 1)), before, np.zeros_like(before)])
    still = np.zeros_like(old, np.bool_)
    told, jumping = _weighed(old, new, masks, expected, where, situations, waking, still=still, most=_ANEW_BITS)
    bits = told + jumping
    bits[-1] += np.log2(masks + 1.0)  # to tell the middle
    bits[-3, _lengths(masks) > _TREND_LENGTH] = np.inf
    return np.asarray(bits.min(axis=0))


def _weighed(
    old: Values,
    new: Values,
    masks: Values,
    expected: list[Values],
    where: Values,
    situations: int,
    waking: Where,
    *,
    still: NDArray[np.bool_],
    never: int = 0,
    most: float,
) -> tuple[Bits, Bits]:
    """Give the bits that tell values by what is expected of them, and those that tell the jumps: ways x lengths.

    where : ways * lengths x moves, the situation of each move; moves that are `still` (lengths x moves) are not told
    never : so many of the first ways expect a value that never comes: that of before, where it is known to change
    most : bits that the first jump takes at most: a number that often changes begins anew there, as it does at first;
        bits of it that never change need not be told, as they need not be of other fields
    """
    ways = len(expected)
    masks = np.tile(masks, ways)
    limits = masks[:, None]
    came = np.tile(new, (ways, 1))
    classes, down = _classes((came - np.concatenate(expected)) & limits, limits)
    classes[_jumps(np.tile(old, (ways, 1)), came, limits) & _is_far(classes, limits)] = _JUMP
    classes[np.tile(still, (ways, 1))] = _JUMP + 1
    histogram = _histogram(classes, where, situations)
    flipping = np.bitwise_count(np.bitwise_or.reduce(old ^ new, axis=1)).astype(np.float64)
    anew = np.tile(np.minimum(flipping, most), ways)
    jumping = _jump_bits(came, classes == _JUMP, histogram[..., :_JUMP].sum(axis=(1, 2)), masks, anew, waking)
    falling = down & (classes > 0) & (classes < _JUMP)
    rows = np.arange(len(masks))[:, None] * situations + where
    downs = np.bincount(rows[falling], minlength=len(masks) * situations).reshape(-1, situations)
    moving = np.arange(len(masks)) < never * len(old)
    return _told(histogram, downs, masks, moving).sum(axis=1).reshape(ways, -1), jumping.reshape(ways, -1)


def _size(difference: Values, limits: Values | int) -> Values:
    """Give how far values are apart, modulo the field's range: the shorter way round."""
    up = difference & limits
    return np.asarray(np.minimum(up, limits + 1 - up))


def _pace(step: Values, limits: Values) -> Values:
    """Sort how far each move goes: not, by one, by two or three, further."""
    size = _size(step, limits)
    return np.asarray(np.minimum(size, 1) + (size > 1) + (size > 3))


def _middle(values: Values, masks: Values) -> Values:
    """Give the middle of values that may lie about zero on both sides."""
    half = (masks[:, None] + 1) >> 1
    plain = np.sort(values, axis=1)
    turned = np.sort((values + half) & masks[:, None], axis=1)
    at = values.shape[1] // 2
    spread, turned_spread = plain[:, -1] - plain[:, 0], turned[:, -1] - turned[:, 0]
    middle = np.where(spread <= turned_spread, plain[:, at], (turned[:, at] - half[:, 0]) & masks)
    return np.asarray(middle[:, None])


def _expected(old: Values, new: Values, limits: Values) -> list[Values]:
    """Give what a number can be expected to be: as before, or as the mean of the last few values."""
    return [old, _mean_before(old, new, limits, _MEAN_OF)]


def _mean_before(old: Values, new: Values, limits: Values, size: int) -> Values:
    """Give the rounded mean of the last `size` values before each move, all ones left out where others are there."""
    values = np.concatenate([old[:, :1], new], axis=1)
    there = (values != limits) | (limits <= _FINE)
    sums, counts = np.cumsum(np.where(there, values, 0), axis=1), np.cumsum(there, axis=1)
    sums[:, size:] = sums[:, size:] - sums[:, :-size]
    counts[:, size:] = counts[:, size:] - counts[:, :-size]
    of = counts[:, :-1]
    return np.where(of > 0, (2 * sums[:, :-1] + of) // np.maximum(2 * of, 1), old)


def _classes(difference: Values, limits: Values) -> tuple[Values, NDArray[np.bool_]]:
    """Sort differences by size (0, 1, 2, 3, 4 and 5, 6 and 7, 8 to 11, ...: two classes an octave) and sign."""
    down = difference > limits >> 1
    size = np.where(down, limits + 1 - difference, difference)
    _, octave = np.frexp(size.astype(np.float64))
    half = (size >> np.maximum(octave - 2, 0)) & 1
    return np.where(size < 2, size, 2 * octave - 2 + half), down


def _jumps(old: Values, new: Values, limits: Values) -> NDArray[np.bool_]:
    """Tell which moves go to or from all ones."""
    return np.asarray(((old == limits) | (new == limits)) & (limits > _FINE))


def _is_far(classes: Values, limits: Values) -> NDArray[np.bool_]:
    """Tell which differences are larger than the root of the range: -1 beside small numbers is no jump."""
    return classes > _lengths(limits)


def _histogram(classes: Values, situation: Values, situations: int) -> Values:
    """Count classes by length and situation; those beyond the jumps are left out."""
    rows = np.arange(len(classes))[:, None] * situations + situation
    count = len(classes) * situations * (_JUMP + 2)
    found = np.bincount((rows * (_JUMP + 2) + classes).ravel(), minlength=count)
    return found.reshape(len(classes), situations, _JUMP + 2)[:, :, :-1]


def _jump_bits(new: Values, jump: Where, usual: Values, masks: Values, anew: Bits, waking: Where) -> Bits:
    """Tell which values come from, or go to, all ones, and tell them: the first in full, the others by that.

    usual, anew : how many moves are no jumps, and the bits that the first value takes, by length
    """
    times = jump.sum(axis=1)
    bits = bits_of_yes_no((jump & ~waking).sum(axis=1), usual)  # when the frame wakes up is no news
    columns = jump.any(axis=0)
    if not columns.any():
        return bits
    lengths, here = _lengths(masks), jump[:, columns] & (new[:, columns] != masks[:, None])
    values = new[:, columns]
    first = values[np.arange(len(values)), here.argmax(axis=1)][:, None]
    others = np.maximum(here.sum(axis=1) - 1, 0)
    apart = np.where(here, np.abs(values - first), 0).sum(axis=1) / np.maximum(others, 1)
    each = np.minimum(_SPREAD_BITS + np.log2(1.0 + apart), lengths)  # of a two-sided exponential distribution
    return bits + np.where(times > 0, anew + others * each, 0.0)


def _lengths(masks: Values) -> Values:
    return np.frexp(masks.astype(np.float64) + 1)[1].astype(np.int64) - 1


def _told(histogram: Values, downs: Values, masks: Values, moving: Where) -> Bits:
    """Tell classes as they come, learning their shares, or by the best bell shape; then the rest of size and sign.

    histogram : lengths x situations x classes; downs : lengths x situations
    moving : by length, whether it is known that there is a difference
    """
    lengths = _lengths(masks)[:, None]
    used = int(np.flatnonzero(histogram[..., :_JUMP].any(axis=(0, 1))).max(initial=0)) + 1
    usual = histogram[..., :used]
    moved = usual[..., 1:].sum(axis=-1)
    signs = bits_of_yes_no(downs, moved - downs)
    most = np.where(usual > 0, np.arange(1, used + 1), 1).max(axis=-1)  # a longer field has no other ones to learn
    learned = bits_of_symbols(usual, most) + np.log2(2.0 * lengths) + usual @ _REST_OF_CLASS[:used] + signs
    sizes = usual @ _SHAPES[:used]
    sizes[moving] = usual[moving] @ _SHAPES_MOVED[:used]
    shaped = (sizes + _SHAPE_BITS).min(axis=-1) + np.minimum(signs + 1 - moved, 0)
    shaped = np.where(moved == 0, np.minimum(shaped, 1.0 * (usual[..., 0] > 0)), shaped)
    return np.where(lengths > 1, np.minimum(learned, shaped), 0.0)


def level_bits(old: Values, new: Values, lengths: Values, waking: Where) -> tuple[Bits, Bits, Values]:
    """Tell which of the values that occur comes next, told that another one does; and how many there are.

    For a state each value is told in full once; for a number they stand close together.
    """
    state, number = np.full(len(lengths), np.inf), np.full(len(lengths), np.inf)
    distinct = np.full(len(lengths), _MOST_STATES + 1)
    for at, length in enumerate(lengths.tolist()):
        moved = old[at] != new[at]
        before, came, anew = _without_ones(old[at, moved], new[at, moved], length, waking[moved])
        values, order = np.unique(np.concatenate([before[:1], came]), return_inverse=True)
        kinds = distinct[at] = len(values)
        if length == 1:
            state[at] = number[at] = 0.0
        elif kinds <= _MOST_LEVELS and (kinds <= _MOST_STATES or values[-1] - values[0] < _WIDEST):
            share = np.bincount(order) / len(order)
            told = float(
                -np.log2(share[order[1:]] / (1 - share[order[:-1]]), where=kinds > 2, out=np.zeros(len(came))).sum()
            )
            told += (kinds - 2) * np.log2(len(order)) / 2
            if kinds <= _MOST_STATES:
                state[at] = min(told + (kinds - 1) * length, length * len(came))
            span = int(values[-1] - values[0]) + 1
            number[at] = told + 2 * np.log2(span) + float(bits_of_choice(np.array(kinds), np.array(min(span, _WIDEST))))
            number[at] = number[at] if kinds <= span <= _WIDEST else np.inf
        if length > 1 and len(came) > 2:
            number[at] = min(number[at], _returning_bits(before, came, length))
        number[at] += anew
        state[at] += anew
    return state, number, distinct


def _without_ones(old: Values, new: Values, length: int, waking: Where) -> tuple[Values, Values, float]:
    """Leave out moves (1-D) from or to all ones, where few are; and give the bits that tell those."""
    full = (1 << length) - 1
    jump = ((old == full) | (new == full)) & (full > _FINE)
    times = int(jump.sum())
    if not times or times > _FEW_ONES * len(jump):
        return old, new, 0.0
    surprises = int((jump & ~waking).sum())
    return old[~jump], new[~jump], min(length, _ANEW_BITS) * times + np.log2(len(jump)) * surprises


def standing_bits(values: Values, lengths: Values) -> Bits:
    """Tell each value of numbers (lengths x moves) that stay about one level, whatever the one before was."""
    bits = np.full(len(lengths), np.inf)
    masks = (np.int64(1) << lengths) - 1
    centred = (values - _middle(values, masks) + ((masks + 1) >> 1)[:, None]) & masks[:, None]
    for at in range(len(lengths)):
        ones = (values[at] == masks[at]) & (masks[at] > _FINE)
        few = 0 < ones.sum() <= _FEW_ONES * len(ones)
        runs = int(np.count_nonzero(ones[1:] != ones[:-1]))
        seen, counts = np.unique(centred[at, ~ones] if few else centred[at], return_counts=True)
        if len(seen) > _MOST_LEVELS + 1:
            break  # longer fields have no fewer values
        span = int(seen[-1] - seen[0]) + 1
        if len(seen) <= _MOST_LEVELS and span <= _WIDEST:
            chosen = float(bits_of_choice(np.array(len(seen)), np.array(span)))
            bits[at] = float(bits_of_symbols(counts)) + chosen + 2 * np.log2(span)
            bits[at] += few * (_ANEW_BITS + runs * np.log2(len(ones)))
    return bits


def _returning_bits(old: Values, new: Values, length: int) -> float:
    """Tell values (1-D, where they change) that often go back to the one before: a number between two of its steps."""
    back = np.concatenate(([False], new[1:] == old[:-1]))
    returns = int(back.sum())
    if returns < _OFTEN_BACK * len(back):
        return np.inf
    size = _size(new[~back] - old[~back], (1 << length) - 1)
    share = returns / len(back)
    told = returns * -np.log2(share) + (len(back) - returns) * -np.log2(1 - share) if returns < len(back) else 0.0
    # Sizes in a code of Golomb's kind: a number of low bits in full, the rest by counting.
    sizes = min(float((2 + low + (size >> low)).sum()) for low in range(_LOW_BITS)) + np.log2(_LOW_BITS)
    return float(told + sizes + np.log2(len(back)))


def steps_evenly(old: Values, new: Values, masks: Values) -> NDArray[np.bool_]:
    """Tell which fields (lengths x moves) could be counters: one step is usual."""
    steps = (new - old) & masks[:, None]
    usual = np.sort(steps, axis=1)[:, steps.shape[1] // 2, None]
    return np.asarray((usual[:, 0] != 0) & ((steps == usual).mean(axis=1) >= _EVENLY))


def counter_bits(old: Values, new: Values, length: int) -> float:
    """One step forward, modulo the field's range or the span of the values; exceptions by a few steps, or in full."""
    low, high = int(min(old.min(), new.min())), int(max(old.max(), new.max()))
    best = np.inf
    for modulus, extra in ((1 << length, 0.0), (high - low + 1, float(length))):
        steps, counts = np.unique((new - old) % modulus, return_counts=True)
        step = int(steps[counts.argmax()])
        few = int(counts[np.isin(steps, [2 * step, 3 * step, 4 * step])].sum())
        sorts = np.array([int(counts.max()), few, len(new) - int(counts.max()) - few])
        told = float(bits_of_symbols(sorts)) + _FEW_BITS * few + length * int(sorts[2])
        best = min(best, told + extra + _STEP_BITS.get(min(step, modulus - step), _OTHER_STEP_BITS + length))
    return best
