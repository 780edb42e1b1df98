"""Code lengths in closed form against codes that tell symbol by symbol, and against Kraft's inequality."""

from collections import Counter
from itertools import product
from math import comb, log2

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoder.discovery.carving.code_lengths import bits_of_choice, bits_of_symbols, bits_of_yes_no


def told_one_by_one(sequence, kinds):
    """Bits of a sequence when the odds of each symbol are its count so far and a half."""
    seen = Counter()
    bits = 0.0
    for before, symbol in enumerate(sequence):
        bits -= log2((seen[symbol] + 0.5) / (before + kinds / 2))
        seen[symbol] += 1
    return bits


def counts_of(sequence, kinds):
    return np.bincount(np.array(sequence, np.int64), minlength=kinds)


@given(st.integers(1, 9).flatmap(lambda kinds: st.tuples(st.just(kinds), st.lists(st.integers(0, kinds - 1)))))
def test_symbols_cost_what_they_cost_one_by_one(given_):
    kinds, sequence = given_
    assert bits_of_symbols(counts_of(sequence, kinds)) == pytest.approx(told_one_by_one(sequence, kinds), abs=1e-9)


@given(st.lists(st.integers(0, 3), max_size=30), st.integers(4, 70))
def test_symbols_that_never_come_cost_as_well(sequence, kinds):
    found = bits_of_symbols(counts_of(sequence, 4), kinds)
    assert found == pytest.approx(told_one_by_one(sequence, kinds), abs=1e-9)


@given(st.lists(st.lists(st.integers(0, 2), max_size=20), min_size=1, max_size=5), st.data())
def test_many_sequences_are_told_at_once(sequences, data):
    kinds = data.draw(st.lists(st.integers(3, 8), min_size=len(sequences), max_size=len(sequences)))
    counts = np.array([counts_of(sequence, 3) for sequence in sequences])
    expected = [told_one_by_one(sequence, many) for sequence, many in zip(sequences, kinds, strict=True)]
    assert bits_of_symbols(counts, np.array(kinds)) == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize(("kinds", "length"), [(1, 4), (2, 0), (2, 1), (2, 9), (3, 6), (4, 5), (5, 4)])
def test_symbols_can_be_told_from_one_another(kinds, length):
    shares = [2.0 ** -float(bits_of_symbols(counts_of(way, kinds))) for way in product(range(kinds), repeat=length)]
    assert sum(shares) == pytest.approx(1.0)


@given(st.lists(st.booleans(), min_size=2).filter(lambda sequence: any(sequence) and not all(sequence)))
def test_yes_and_no_mixed_cost_one_bit_more_than_one_by_one(sequence):
    """One bit says that both come."""
    found = bits_of_yes_no(np.array(sum(sequence)), np.array(len(sequence) - sum(sequence)))
    assert found == pytest.approx(told_one_by_one(sequence, 2) + 1, abs=1e-9)


@given(st.integers(0, 500), st.integers(0, 500))
def test_yes_and_no_cost_the_same_the_other_way_round(yes, no):
    one, other = np.array(yes), np.array(no)
    assert bits_of_yes_no(one, other) == pytest.approx(float(bits_of_yes_no(other, one)))
    assert bits_of_yes_no(one, other) >= 0


@given(st.integers(1, 4000))
def test_always_costs_little_however_long(count):
    always = bits_of_yes_no(np.array(count), np.array(0))
    assert always <= 2
    assert always < bits_of_yes_no(np.array(count), np.array(1))


def test_nothing_costs_nothing():
    nothing = np.array(0)
    assert bits_of_yes_no(nothing, nothing) == 0
    assert bits_of_choice(nothing, nothing) == 0
    assert bits_of_symbols(np.zeros(3, np.int64)) == 0


@given(st.lists(st.tuples(st.integers(0, 400), st.integers(0, 400)), min_size=1, max_size=8))
def test_yes_and_no_are_told_by_columns(pairs):
    yes, no = np.array(pairs).T
    alone = [float(bits_of_yes_no(np.array(one), np.array(other))) for one, other in pairs]
    assert bits_of_yes_no(yes, no).tolist() == alone


@settings(max_examples=200)
@given(st.integers(0, 3000).flatmap(lambda of: st.tuples(st.integers(0, of), st.just(of))))
def test_a_choice_is_one_of_so_many(pair):
    chosen, of = pair
    assert bits_of_choice(np.array(chosen), np.array(of)) == pytest.approx(log2(comb(of, chosen)), abs=1e-7)


@given(st.integers(1, 2000), st.integers(1, 2000))
def test_to_know_which_costs_no_less_than_to_know_how_many(yes, no):
    """Of sequences with so many of each, all are told alike; so none is told in fewer bits than which of them it is."""
    assert bits_of_yes_no(np.array(yes), np.array(no)) >= bits_of_choice(np.array(yes), np.array(yes + no))
