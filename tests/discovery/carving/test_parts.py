"""Payloads split by multiplexors, and parts brought together to layouts: none is lost, none is there twice."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from decoder.bits import Field, Payloads
from decoder.discovery.carving.layouts import layouts_of
from decoder.discovery.carving.multiplexors import possible_multiplexors
from decoder.discovery.carving.parts import parts_of
from tests.discovery.carvings import stream
from tests.discovery.made_captures import measured, payloads, sweep

NUMBER = Field(15, 16, "big")


def paged_rows(seed, count=240, pages=4):
    chance = np.random.default_rng(seed)
    turn = np.arange(count) % pages
    levels = chance.integers(500, 60000, pages)[turn]
    return payloads(3, {Field(0, 4): turn, NUMBER: levels + measured(chance, sweep(count, 0, 300))})


def whole_of(rows):
    data = np.frombuffer(b"".join(rows), np.uint8).reshape(len(rows), -1)
    return parts_of(data, np.arange(len(rows)), np.ones(8 * data.shape[1], np.bool_))


def all_parts(part):
    yield part
    for one in part.inner:
        yield from all_parts(one)


def test_payloads_are_split_by_the_values_of_the_multiplexor():
    whole = whole_of(paged_rows(1))
    assert whole.multiplexor is not None
    assert whole.multiplexor.field.start == 0
    values = Payloads(whole.data).field(whole.multiplexor.field)
    assert [one.selector.value for one in whole.inner] == np.unique(values).tolist() == [0, 1, 2, 3]
    assert sorted(np.concatenate([one.rows for one in whole.inner]).tolist()) == whole.rows.tolist()
    own = list(whole.multiplexor.field.bit_numbers())
    for one in whole.inner:
        assert np.array_equal(one.data, whole.data[one.rows])
        assert (values[one.rows] == one.selector.value).all()
        assert not one.free[own].any()
    assert not whole.free[own].any()


def test_a_bit_is_common_or_stands_under_the_values_unless_it_never_changes():
    whole = whole_of(paged_rows(2))
    ever = np.unpackbits(np.bitwise_or.reduce(whole.data ^ whole.data[0], axis=0), bitorder="little").astype(np.bool_)
    for one in whole.inner:
        assert not (one.free & whole.free & ever).any()


def test_every_part_is_in_one_layout():
    rows = [paged_rows(3), payloads(3, {NUMBER: measured(np.random.default_rng(4), sweep(200, 3000, 4100))})]
    wholes = [(stream(some, can_id=0x100 + 0x80 * at), whole_of(some)) for at, some in enumerate(rows)]
    members = [(number, id(part)) for layout in layouts_of(wholes) for number, part in layout.members]
    expected = [(number, id(part)) for number, (_, whole) in enumerate(wholes) for part in all_parts(whole)]
    assert sorted(members) == sorted(expected)


def test_streams_on_two_buses_share_no_layout():
    rows = payloads(4, {Field(8 * at, 8): sweep(150, 3, 90, 1, 0.2 * at) for at in range(4)})
    whole = whole_of(rows)
    alike = [(stream(rows, can_id=0x100 + at), whole) for at in range(3)]
    apart = [(stream(rows, can_id=0x100 + at, bus=f"can{at}"), whole) for at in range(3)]
    assert [len(layout.members) for layout in layouts_of(alike)] == [3]
    assert [len(layout.members) for layout in layouts_of(apart)] == [1, 1, 1]


@settings(max_examples=40)
@given(st.integers(0, 2**32), st.integers(0, 80), st.integers(1, 4), st.integers(0, 2**32 - 1))
def test_what_could_be_a_multiplexor_keeps_to_free_bits(seed, count, width, taken):
    chance = np.random.default_rng(seed)
    data = chance.integers(0, 5, (count, width), np.uint8)
    free = np.array([not taken >> bit & 1 for bit in range(8 * width)])
    for one in possible_multiplexors(data, free):
        own = list(one.field.bit_numbers())
        assert one.values > 1
        assert one.dependent.any()
        assert not one.dependent[own].any()
        assert not (one.dependent & ~free).any()
        assert one.field.first_byte == one.field.last_byte


def test_a_multiplexor_is_among_what_could_be_one():
    data = np.frombuffer(b"".join(paged_rows(5)), np.uint8).reshape(-1, 3)
    found = possible_multiplexors(data, np.ones(24, np.bool_))
    assert any(one.field.start == 0 and one.values == 4 for one in found)
