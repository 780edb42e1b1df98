"""What fields cost to describe, and how a layout is cut: facts that hold by what the numbers mean."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoder.bits import Field
from decoder.discovery.carving.cutting import chart, cut, evidence_of, joined
from decoder.discovery.carving.field_costs import COUNTER, NUMBER, STATE, UNKNOWN
from decoder.discovery.carving.habits import LONGEST_BITS, STYLE_SHARES, STYLES, kind_surprise, layout_surprise
from decoder.discovery.carving.moves import moves_of
from tests.discovery.made_captures import held, measured, payloads, sweep


def data_of(rows):
    return np.frombuffer(b"".join(rows), np.uint8).reshape(len(rows), -1)


def all_free(data):
    return np.ones(8 * data.shape[1], np.bool_)


def costs_of(data, free=None):
    free = all_free(data) if free is None else free
    return evidence_of(moves_of(data), free).little


def evidence(data):
    return evidence_of(moves_of(data), all_free(data))


matrices = st.tuples(st.integers(2, 25), st.integers(1, 3), st.integers(0, 2**32), st.integers(1, 255)).map(
    lambda given_: np.random.default_rng(given_[2]).integers(0, given_[3], given_[:2], np.uint8)
)


@settings(max_examples=25)
@given(matrices, st.integers(0, 2**24 - 1))
def test_only_fields_of_free_bits_have_a_cost(data, taken):
    width = 8 * data.shape[1]
    free = np.array([not taken >> bit & 1 for bit in range(width)])
    costs = costs_of(data, free)
    least = costs.bits.min(axis=0)
    flips = np.unpackbits(np.bitwise_or.reduce(data ^ data[0], axis=0), bitorder="little").astype(np.bool_)
    assert np.array_equal(costs.changing, flips & free)
    assert not (costs.set_ & costs.changing).any()
    for low in range(width):
        for length in range(1, LONGEST_BITS + 1):
            bits = slice(low, low + length)
            possible = low + length <= width and free[bits].all()
            assert np.isfinite(least[low, length - 1]) == possible
            if possible and not flips[bits].any():
                assert least[low, length - 1] == 0  # what never changes tells itself


@pytest.mark.parametrize("seed", range(3))
def test_a_field_is_told_best_by_the_model_of_its_kind(seed):
    chance = np.random.default_rng(seed)
    columns = {
        Field(0, 8): measured(chance, sweep(400, 60, 180)),
        Field(8, 8): np.arange(400) % 256,
        Field(16, 8): chance.integers(0, 256, 400),
        Field(24, 4): np.array([1, 6, 11])[held(chance, 400, 50, 12, 3)],
    }
    bits = costs_of(data_of(payloads(4, columns))).bits
    assert bits[:, 0, 7].argmin() == NUMBER
    assert bits[COUNTER, 8, 7] < bits[:, 8, 7].min() + 1  # a number that always goes on by one is told as easily
    assert bits[UNKNOWN, 16, 7] <= bits[[STATE, COUNTER], 16, 7].min()
    assert bits[STATE, 24, 3] < bits[[COUNTER, UNKNOWN], 24, 3].min()
    assert bits[COUNTER, 8, 7] < bits[COUNTER, 16, 7]  # a counter is told in fewer bits than noise


def test_what_changes_with_others_is_told_in_fewer_bits():
    """Eight flags far apart that change in the same payloads, and one that changes as often when it wants."""
    chance = np.random.default_rng(4)
    together, alone = held(chance, 500, 50, 9, 2), held(chance, 500, 60, 9, 2)
    columns = {Field(byte * 8, 1): together for byte in range(4)}
    bits = costs_of(data_of(payloads(5, {**columns, Field(32, 1): alone}))).bits.min(axis=0)[:, 0]
    assert bits[[0, 8, 16, 24]].max() < bits[32]


def number(order, count=300, seed=5):
    field = Field(7, 16, "big") if order == "big" else Field(0, 16)
    return field, data_of(payloads(2, {field: measured(np.random.default_rng(seed), sweep(count, 3000, 4100))}))


@pytest.mark.parametrize("order", ["little", "big"])
def test_the_byte_order_of_a_number_is_told(order):
    field, data = number(order)
    found = chart(evidence(data))
    assert (found.big_odds > 0) == (order == "big")
    (one,) = cut(found)
    assert one.certain.byte_order == order
    assert one.certain.bit_numbers()[0] == field.bit_numbers()[0]
    assert one.certain.length <= one.field.length <= 16


def test_neighbours_decide_where_a_frame_says_nothing():
    flags = data_of(payloads(1, {Field(0, 8): sweep(200, 3, 9)}))
    found = chart(evidence(flags))
    for odds, order in ((20.0, "big"), (-20.0, "little")):
        assert {one.certain.byte_order for one in cut(found, odds)} == {order}


@settings(max_examples=25)
@given(matrices, st.floats(-8, 8))
def test_a_cut_has_no_bit_twice(data, odds):
    found = cut(chart(evidence(data)), odds)
    bits = [bit for one in found for bit in one.certain.bit_numbers()]
    assert len(bits) == len(set(bits))
    for one in found:
        assert 0 <= one.chance <= 1
        assert one.certain.byte_order == one.field.byte_order == one.likely.byte_order
        lowest = one.certain.bit_numbers()[0]
        assert one.field.bit_numbers()[0] == one.likely.bit_numbers()[0] == lowest
        assert one.certain.length <= one.field.length
        assert one.certain.length <= one.likely.length
        assert one.likely.last_byte < data.shape[1]


@settings(max_examples=10)
@given(matrices)
def test_streams_of_one_layout_tell_as_much_as_both(data):
    """Twice the same stream: each field costs twice as much."""
    one = evidence(data)
    both = joined([one, one])
    assert np.array_equal(both.little.changing, one.little.changing)
    assert np.array_equal(both.little.bits, 2 * one.little.bits)
    assert np.array_equal(both.big.bits, 2 * one.big.bits)


@pytest.mark.parametrize("order", ["little", "big"])
def test_habits_are_shares(order):
    """Of the fields at one place each has one length: the shares of all lengths add up to no more than all."""
    table = layout_surprise(order)
    assert table.shape == (STYLES, 8, LONGEST_BITS)
    assert (table >= 0).all()
    assert (np.exp2(-table).sum(axis=2) <= 1 + 1e-9).all()
    assert STYLE_SHARES.sum() == pytest.approx(1)
    assert len(STYLE_SHARES) == STYLES
    assert (kind_surprise() >= 0).all()


@given(st.integers(0, 7), st.integers(1, LONGEST_BITS))
def test_habits_are_the_same_the_way_the_byte_order_runs(first, length):
    """A field that begins at the first bit of its byte is as usual in either order, and so on bit by bit."""
    big = Field(7 - first, length, "big")
    lowest = big.bit_numbers()[0] % 8
    assert (
        layout_surprise("big")[:, lowest, length - 1].tolist()
        == layout_surprise("little")[:, first, length - 1].tolist()
    )
