"""Chances of byte orders passed along the tree are those that adding up over all ways gives."""

from __future__ import annotations

from itertools import product
from math import log2

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoder.discovery.carving.byte_orders import BLOCK, told_by_others

FRAME, BUS = 0.97, 0.85  # as in the module


def by_adding_up(own, identifiers, asked):
    """Add up the chance of all byte orders of the bus, its blocks and its frames, with what `asked` says left out."""
    blocks = sorted({one // BLOCK for one in identifiers})
    sums = {True: 0.0, False: 0.0}
    for bus, *rest in product((True, False), repeat=1 + len(blocks) + len(own)):
        of_block = dict(zip(blocks, rest[: len(blocks)], strict=True))
        frames = rest[len(blocks) :]
        chance = 1.0
        for block in blocks:
            chance *= BUS if of_block[block] == bus else 1 - BUS
        for number, (big, odds) in enumerate(zip(frames, own, strict=True)):
            chance *= FRAME if big == of_block[identifiers[number] // BLOCK] else 1 - FRAME
            if number != asked:
                chance *= 2 ** (odds / 2 if big else -odds / 2)
        sums[frames[asked]] += chance
    return log2(sums[True] / sums[False])


@settings(max_examples=40)
@given(
    st.lists(
        st.tuples(st.integers(0, 3 * BLOCK), st.floats(-9, 9)), min_size=1, max_size=5, unique_by=lambda pair: pair[0]
    )
)
def test_messages_add_up_all_ways(frames):
    identifiers, own = [pair[0] for pair in frames], [pair[1] for pair in frames]
    told = told_by_others(own, ["can0"] * len(own), identifiers)
    for number, odds in enumerate(told):
        assert odds == pytest.approx(by_adding_up(own, identifiers, number), abs=1e-6)


def test_buses_say_nothing_of_each_other():
    assert told_by_others([9.0, 0.0], ["can0", "can1"], [0x100, 0x101]) == [0.0, 0.0]


def test_pages_of_one_identifier_count_once():
    alone = told_by_others([-2.0, 0.0], ["can0"] * 2, [0x100, 0x101])[1]
    pages = told_by_others([-2.0] * 9 + [0.0], ["can0"] * 10, [0x100] * 9 + [0x101])[9]
    assert pages == pytest.approx(alone)


def test_nearer_frames_say_more():
    near, far = (told_by_others([6.0, 0.0], ["can0"] * 2, [0x100, other])[1] for other in (0x101, 0x101 + BLOCK))
    assert near > far > 0
