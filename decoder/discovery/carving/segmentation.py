"""Cutting a payload into fields as a whole: among all ways to cut it, in both byte orders, how likely each field is.

A cut is a path through the bytes. Between two bytes at most one field crosses: a little-endian one takes the upper
bits of the byte it leaves and the lower bits of the byte it enters, a big-endian one the lower and then the upper
bits. So the state between bytes is how many bits of the next byte such a field has taken, and from which side:
fifteen states a byte. Beside it runs the style of the layout, which the lengths of fields depend on and which may
change where no field crosses. Sums over all paths (the forward and backward pass of hidden Markov models) give the
chance of each field, and the cut shown is the one with the most expected right fields.

All weights are log2 of a probability: zero is certain and minus infinity impossible.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Numbers = NDArray[np.intp]

_BITS: Final = 8  # of a byte
_STATES: Final = 15  # nothing taken, 1 to 7 lower bits taken, 1 to 7 upper bits taken
# What is free in each state: from bit, up to before bit.
_FREE: Final = ((0, 8), *((taken, 8) for taken in range(1, 8)), *((0, 8 - taken) for taken in range(1, 8)))
_FROM: Final = np.array([low for low, _ in _FREE])
_UP_TO: Final = np.array([high for _, high in _FREE])


@dataclass(frozen=True, eq=False)
class Crossings:
    """Fields over several bytes, as columns: they leave byte `out` at bit `out_bit` and end in `into` at `into_bit`."""

    big: NDArray[np.bool_]
    out: Numbers
    out_bit: Numbers
    into: Numbers
    into_bit: Numbers

    def __len__(self) -> int:
        return len(self.out)

    @cached_property
    def source(self) -> Numbers:
        """Number of the point where each leaves its byte: byte * 16 + order * 8 + bit."""
        return self.out * 16 + self.big * 8 + self.out_bit

    @cached_property
    def target(self) -> Numbers:
        """Number of the state where each ends: byte * 15 + state, as in `_FREE`."""
        ends = np.where(self.big, self.into_bit == 0, self.into_bit == _BITS - 1)
        state = np.where(self.big, 15 - self.into_bit, self.into_bit + 1)
        return np.where(ends, (self.into + 1) * _STATES, self.into * _STATES + state)


@dataclass(frozen=True, eq=False)
class Choices:
    """All fields that a payload could have.

    changing : bool, bytes x 8: bits that a field must cover
    inside : bytes x 8 x 8 x styles: weight of the field from bit a to bit b of one byte
    crossings, weights : the fields over several bytes, n x styles
    shares, changes : the shares of the styles, and how often the style changes from one byte to the next
    """

    changing: NDArray[np.bool_]
    inside: Floats
    crossings: Crossings
    weights: Floats
    shares: Floats
    changes: float


@dataclass(frozen=True, eq=False)
class Chances:
    """How likely each field is: bytes x 8 x 8 and n, 0..1; `total` is log2 of the sum over all cuts."""

    total: float
    inside: Floats
    crossings: Floats


def _log_sum(values: Floats, axis: int) -> Floats:
    """Add up probabilities along one axis."""
    top = values.max(axis=axis, keepdims=True, initial=-np.inf)
    base = np.where(np.isfinite(top), top, 0.0)
    with np.errstate(divide="ignore"):
        return np.asarray(np.log2(np.exp2(values - base).sum(axis=axis)) + np.squeeze(base, axis=axis))


def _between(changing: NDArray[np.bool_], inside: Floats) -> Floats:
    """Give what bits lo..x-1 of each byte weigh, cut into fields of this byte only: bytes x 9 x 9 x styles."""
    table = np.full((len(changing), _BITS + 1, _BITS + 1, inside.shape[-1]), -np.inf)
    table[:, range(_BITS + 1), range(_BITS + 1)] = 0.0
    for end in range(1, _BITS + 1):
        covered = _log_sum(table[:, :end, :end] + inside[:, None, :end, end - 1], axis=2)
        table[:, :end, end] = np.where(changing[:, None, None, end - 1], covered, table[:, :end, end - 1])
    return table


class _Walk:
    """One pass over the bytes each way."""

    def __init__(self, choices: Choices, ways: int) -> None:
        self.choices = choices
        self.ways = ways  # of weighing, side by side along the axis of the styles
        self.width = len(choices.changing)
        self.styles = choices.inside.shape[-1]
        self.between = _between(choices.changing, choices.inside)
        self.keep = np.log2(1 - choices.changes)
        self.fresh = np.log2(choices.shares) + np.log2(choices.changes)

    def _mixed(self, weights: Floats) -> Floats:
        """Let the style change."""
        changed = _log_sum(weights.reshape(self.ways, -1), axis=1).repeat(self.styles // self.ways) + self.fresh
        return np.asarray(np.logaddexp2(weights + self.keep, changed))

    def _mixed_back(self, weights: Floats) -> Floats:
        changed = _log_sum((weights + self.fresh).reshape(self.ways, -1), axis=1).repeat(self.styles // self.ways)
        return np.asarray(np.logaddexp2(weights + self.keep, changed))

    def forward(self) -> tuple[Floats, Floats]:
        """Give the weight of all ways to each state (bytes + 1 x 15 x styles) and to each point of leaving."""
        to = np.full((self.width + 1, _STATES, self.styles), -np.inf)
        leaving = np.full((self.width * 16, self.styles), -np.inf)
        to[0, 0] = np.log2(self.choices.shares)
        crossings, weights = self.choices.crossings, self.choices.weights
        order = np.argsort(crossings.target, kind="stable")
        targets = crossings.target[order]
        for byte in range(self.width + 1):
            first, last = np.searchsorted(targets, (byte * _STATES, (byte + 1) * _STATES))
            through = None
            if byte:
                before = self.between[byte - 1][_FROM, _UP_TO]
                through = _log_sum(to[byte - 1] + before, axis=0)
            for begin, end in _runs(targets[first:last], first):
                edges = order[begin:end]
                state = int(targets[begin]) - byte * _STATES
                came = _log_sum(leaving[crossings.source[edges]] + weights[edges], axis=0)
                if state == 0 and through is not None:
                    through = np.logaddexp2(through, came)
                else:
                    to[byte, state] = came
            if through is not None:
                to[byte, 0] = self._mixed(through)
            if byte < self.width:
                leaving[byte * 16 : byte * 16 + 16] = self._left(to[byte], self.between[byte])
        return to, leaving

    @staticmethod
    def _left(to: Floats, between: Floats) -> Floats:
        """Give the weight of all ways to where a field leaves this byte: little-endian at bits 0..7, big-endian."""
        little = _log_sum(to[:8, None] + between[:8, :8], axis=0)
        ends = to[[0, *range(8, 15)]]  # free up to 8, 7, ... 1
        big = _log_sum(ends[:, None] + np.swapaxes(between[1:, [8, 7, 6, 5, 4, 3, 2, 1]], 0, 1), axis=0)
        return np.concatenate([little, big])

    def backward(self) -> tuple[Floats, Floats]:
        """Give the weight of all ways from each state to the end, and from each point of leaving."""
        rest = np.full((self.width + 1, _STATES, self.styles), -np.inf)
        beyond = np.full((self.width * 16, self.styles), -np.inf)
        rest[self.width, 0] = 0.0
        crossings, weights = self.choices.crossings, self.choices.weights
        flat = rest.reshape(-1, self.styles)
        order = np.argsort(crossings.source, kind="stable")
        sources = crossings.source[order]
        entered = np.full((self.width + 1, self.styles), -np.inf)
        entered[self.width] = self._mixed_back(np.zeros(self.styles))
        for byte in range(self.width - 1, -1, -1):
            first, last = np.searchsorted(sources, (byte * 16, (byte + 1) * 16))
            for begin, end in _runs(sources[first:last], first):
                edges = order[begin:end]
                target = crossings.target[edges]
                ends = np.where((target % _STATES == 0)[:, None], entered[target // _STATES], flat[target])
                beyond[sources[begin]] = _log_sum(ends + weights[edges], axis=0)
            between = self.between[byte]
            through = between[_FROM, _UP_TO] + entered[byte + 1]
            little, big = beyond[byte * 16 : byte * 16 + 8], beyond[byte * 16 + 8 : byte * 16 + 16]
            by_little = np.full((_STATES, self.styles), -np.inf)
            by_little[:8] = _log_sum(between[:8, :8] + little, axis=1)
            by_big = np.full((_STATES, self.styles), -np.inf)
            by_big[[0, *range(8, 15)]] = _log_sum(
                np.swapaxes(between[1:, [8, 7, 6, 5, 4, 3, 2, 1]], 0, 1) + big, axis=1
            )
            rest[byte] = np.logaddexp2(np.logaddexp2(through, by_little), by_big)
            entered[byte] = self._mixed_back(rest[byte, 0])
        self.entered = entered
        return rest, beyond


def _runs(numbers: Numbers, offset: int) -> Iterator[tuple[int, int]]:
    """Give where equal numbers begin and end."""
    if not len(numbers):
        return
    cuts = np.flatnonzero(numbers[1:] != numbers[:-1]) + 1
    yield from zip((offset, *(cuts + offset)), (*(cuts + offset), offset + len(numbers)), strict=True)


def chances_of(several: Sequence[Choices]) -> list[Chances]:
    """Give the chance of each field, summed over all ways to cut the payload.

    The same fields may be weighed in several ways; the passes are made for all of them at once.
    """
    first, ways = several[0], len(several)
    choices = replace(
        first,
        inside=np.concatenate([one.inside for one in several], axis=-1),
        weights=np.concatenate([one.weights for one in several], axis=1),
        shares=np.concatenate([one.shares for one in several]),
    )
    walk = _Walk(choices, ways)
    to, leaving = walk.forward()
    rest, beyond = walk.backward()
    totals = _log_sum((np.log2(choices.shares) + rest[0, 0]).reshape(ways, -1), axis=1)
    spread = totals.repeat(walk.styles // ways)
    crossings = choices.crossings
    target = crossings.target
    flat = rest.reshape(-1, walk.styles)
    ends = np.where((target % _STATES == 0)[:, None], walk.entered[target // _STATES], flat[target])
    crossing = np.exp2(leaving[crossings.source] + choices.weights + ends - spread).reshape(
        -1, ways, walk.styles // ways
    )
    inside = np.zeros((*choices.inside.shape[:3], ways))
    for byte in np.flatnonzero(np.isfinite(choices.inside).any(axis=(1, 2, 3))).tolist():
        around = _around(walk.between[byte], to[byte], walk.entered[byte + 1], beyond[byte * 16 : byte * 16 + 16])
        weights = np.exp2(around[:_BITS, 1:] + choices.inside[byte] - spread)
        inside[byte] = weights.reshape(_BITS, _BITS, ways, -1).sum(axis=3)
    return [
        Chances(float(total), np.minimum(inside[..., way], 1.0), np.minimum(crossing[:, way].sum(axis=1), 1.0))
        for way, total in enumerate(totals)
    ]


def _around(between: Floats, to: Floats, entered: Floats, beyond: Floats) -> Floats:
    """Give the weight of all around a field of one byte: 9 x 9 x styles, by its first bit and the one behind."""
    # Everything outside of a stretch lo..x-1 of this byte that is cut into fields of this byte only.
    regions = np.full(between.shape, -np.inf)
    regions[_FROM, _UP_TO] = to + entered
    little, big = beyond[:8], beyond[8:]
    regions[:8, :8] = np.logaddexp2(regions[:8, :8], to[:8, None] + little)
    ends = to[[14, 13, 12, 11, 10, 9, 8, 0]]  # free up to 1, 2, ... 8
    regions[1:, 1:] = np.logaddexp2(regions[1:, 1:], big[:, None] + ends)
    before = _log_sum(between[:, :, None] + regions[:, None], axis=0)  # by where a field begins, and up to where
    return _log_sum(before[:, None] + between[None], axis=2)
