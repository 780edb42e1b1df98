"""Signed or not, told from raw values alone."""

import numpy as np
from hypothesis import assume, given
from hypothesis import strategies as st

from decoder.discovery.carving.signs import is_signed


def wave(middle, height, count=400, turns=5):
    return np.round(middle + height * np.sin(np.linspace(0, 2 * np.pi * turns, count))).astype(np.int64)


@given(st.integers(6, 24), st.floats(0.05, 0.45), st.integers(1, 9))
def test_a_number_that_goes_through_zero_is_signed(length, share, turns):
    height = share * (1 << length)
    assume(height >= 3)
    assert is_signed(wave(0, height, turns=turns) % (1 << length), length)


@given(st.integers(6, 24), st.floats(0.05, 0.45), st.integers(1, 9))
def test_a_number_that_goes_through_the_middle_of_its_range_is_not(length, share, turns):
    height = share * (1 << length)
    assume(height >= 3)
    assert not is_signed(wave(1 << (length - 1), height, turns=turns), length)


@given(st.integers(4, 24), st.integers(0, 2**32))
def test_the_same_values_half_a_range_on_are_of_the_other_sort(length, seed):
    """Signed and unsigned are mirror images: no field is both."""
    steps = np.random.default_rng(seed).integers(-3, 4, 300)
    raw = np.cumsum(steps) % (1 << length)
    assert not (is_signed(raw, length) and is_signed((raw + (1 << (length - 1))) % (1 << length), length))


@given(st.lists(st.integers(0, 127), max_size=30))
def test_values_below_the_middle_tell_no_sign(values):
    assert not is_signed(np.array(values, np.int64), 8)


def test_all_ones_at_wake_up_are_no_minus_one():
    raw = np.concatenate([np.full(5, 0xFFF), wave(700, 300)])
    assert not is_signed(raw, 12)
    assert not is_signed(np.concatenate([raw, raw, raw]), 12)


def test_a_flag_and_a_pair_have_no_sign():
    assert not is_signed(np.array([0, 1] * 50), 1)
    assert not is_signed(np.array([0, 3, 0, 1, 3, 0] * 10), 2)


def test_no_values_or_one_tell_nothing():
    assert not is_signed(np.array([], np.int64), 8)
    assert not is_signed(np.array([255]), 8)
    assert not is_signed(np.array([200]), 8)
