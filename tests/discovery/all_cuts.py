"""Every way to cut a short payload, one by one: the plain counterpart of `decoder.discovery.carving.segmentation`.

A cut is a set of fields that do not overlap, of which at most one crosses the border between two bytes. Each byte has a
style; it may change from one byte to the next where no field crosses.
"""

from dataclasses import dataclass
from itertools import combinations, product
from math import prod

import numpy as np
from hypothesis import strategies as st

from decoder.bits import Field
from decoder.discovery.carving.segmentation import Choices, Crossings


@dataclass(frozen=True)
class Candidate:
    """A field that a payload could have: where `Chances` tells its chance, its bits, its probability by style."""

    place: tuple
    field: Field
    weights: tuple = ()

    @property
    def bits(self):
        return frozenset(self.field.bit_numbers())

    @property
    def borders(self):
        """The borders between bytes that it crosses, by the byte before."""
        return frozenset(range(self.field.first_byte, self.field.last_byte))


def inside_field(byte, low, high):
    return Field(byte * 8 + low, high - low + 1)


def crossing_field(big, out, out_bit, into, into_bit):
    if big:
        return Field(out * 8 + out_bit, out_bit + 1 + 8 * (into - out) - into_bit, "big")
    return Field(out * 8 + out_bit, 8 * (into - out) + into_bit + 1 - out_bit)


def sets_without_overlap(candidates, chosen=(), taken=frozenset(), crossed=frozenset()):
    """All sets of fields that can stand beside one another."""
    yield chosen
    for number, one in enumerate(candidates):
        if not one.bits & taken and not one.borders & crossed:
            yield from sets_without_overlap(
                candidates[number + 1 :], (*chosen, one), taken | one.bits, crossed | one.borders
            )


def cuts(candidates, changing):
    """All sets that cover the bits that changed."""
    wanted = {int(bit) for bit in np.flatnonzero(changing)}
    for chosen in sets_without_overlap(candidates):
        if wanted <= frozenset().union(*(one.bits for one in chosen)):
            yield chosen


def weight_of(cut, width, shares, changes):
    """The probability of one cut, all styles of its bytes taken together."""
    crossed = frozenset().union(*(one.borders for one in cut))
    total = 0.0
    for styles in product(range(len(shares)), repeat=width):
        weight = shares[styles[0]]
        for byte in range(width - 1):
            same = styles[byte] == styles[byte + 1]
            fresh = changes * shares[styles[byte + 1]]
            weight *= float(same) if byte in crossed else fresh + (1 - changes) * same
        total += weight * prod(one.weights[styles[one.field.first_byte]] for one in cut)
    return total


def possible_fields(chance, width, tops=None):
    """Some fields of a payload. With `tops`, those inside a byte end at one of these bits, and each of these is one."""
    of_a_byte = [
        (byte, low, high)
        for byte in range(width)
        for low in range(8)
        for high in range(low, 8)
        if tops is None or byte * 8 + high in tops
    ]
    several = [
        (big, out, out_bit, into, into_bit)
        for out, into in combinations(range(width), 2)
        for big in (False, True)
        for out_bit in range(8)
        for into_bit in range(8)
    ]
    alone = [] if tops is None else [(bit // 8, bit % 8, bit % 8) for bit in tops]
    inside = {*some(chance, of_a_byte, 5 * width), *alone}
    return sorted(inside), some(chance, several, 10)


def some(chance, rows, most):
    count = min(len(rows), int(chance.integers(0, most + 1)))
    return [rows[at] for at in chance.permutation(len(rows))[:count]]


def columns_of(crossings):
    columns = list(zip(*crossings, strict=True)) or [()] * 5
    return Crossings(np.array(columns[0], np.bool_), *(np.array(column, np.intp) for column in columns[1:]))


@st.composite
def choices(draw, width, styles):
    """`Choices` with random fields, and the same fields as `Candidate`s."""
    tops = sorted(draw(st.sets(st.integers(0, width * 8 - 1), min_size=1, max_size=7)))
    chance = np.random.default_rng(draw(st.integers(0, 2**32)))
    inside, crossings = possible_fields(chance, width, tops)
    changing = np.zeros((width, 8), np.bool_)
    changing.reshape(-1)[tops] = True
    inside_weights = np.full((width, 8, 8, styles), -np.inf)
    candidates = []
    for place in inside:
        inside_weights[place] = chance.uniform(-12, 0, styles)
        candidates.append(Candidate(place, inside_field(*place), tuple(2.0 ** inside_weights[place])))
    weights = chance.uniform(-12, 0, (len(crossings), styles))
    for number, place in enumerate(crossings):
        candidates.append(Candidate((number,), crossing_field(*place), tuple(2.0 ** weights[number])))
    shares = chance.dirichlet(np.ones(styles))
    given = Choices(changing, inside_weights, columns_of(crossings), weights, shares, float(chance.uniform(0.05, 0.95)))
    return given, candidates
