"""Samples of moves: bounded, and with every change of the bits that change seldom."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoder.bits import Field
from decoder.discovery.carving.moves import MOST_MOVES, Moves, flip_counts, joined_moves, moves_of

matrices = st.tuples(st.integers(0, 9), st.integers(0, 5), st.integers(0, 2**32)).map(
    lambda given_: np.random.default_rng(given_[2]).integers(0, 256, given_[:2], np.uint8)
)


@given(matrices)
def test_all_moves_of_a_short_stream(data):
    moves = moves_of(data)
    assert len(moves) == moves.total == max(len(data) - 1, 0)
    assert moves.bits == 8 * data.shape[1]
    assert np.array_equal(moves.before, data[: len(moves)])
    assert np.array_equal(moves.after, data[1:])
    assert np.array_equal(moves.flips, data[:-1] ^ data[1:] if len(data) else data)


@given(matrices)
def test_flips_are_counted_bit_by_bit(flips):
    expected = [sum(int(row[byte]) >> bit & 1 for row in flips) for byte in range(flips.shape[1]) for bit in range(8)]
    assert flip_counts(flips).tolist() == expected


@settings(max_examples=25)
@given(st.integers(0, 2**32), st.integers(1500, 20000), st.integers(1, 12))
def test_the_sample_is_bounded_and_has_every_change_of_rare_bits(seed, count, changes):
    chance = np.random.default_rng(seed)
    data = chance.integers(0, 256, (count, 3), np.uint8)
    data[:, 2] = 0
    rare = np.sort(chance.choice(count - 1, changes, replace=False)) + 1
    for row in rare:
        data[row:, 2] ^= 1 << 5
    moves = moves_of(data)
    assert moves.total == count - 1
    assert len(moves) <= MOST_MOVES + changes
    assert moves.counts[2 * 8 + 5] == changes
    assert moves.counts[:16].min() > 0


@given(st.integers(0, 2**32), st.integers(200, 900), st.integers(64, 150))
def test_sampled_moves_are_moves_of_the_stream(seed, count, most):
    data = np.random.default_rng(seed).integers(0, 4, (count, 1), np.uint8)
    data = np.concatenate([data, np.arange(count, dtype=">u2").view(np.uint8).reshape(-1, 2)], axis=1)
    moves = moves_of(data, most)
    at = moves.before[:, 1].astype(int) * 256 + moves.before[:, 2]
    assert np.array_equal(moves.before, data[at])
    assert np.array_equal(moves.after, data[at + 1])
    assert (np.diff(at) > 0).all()


def test_a_sample_is_spread_over_the_whole_stream():
    numbers = np.arange(50_000, dtype=">u4").view(np.uint8).reshape(-1, 4)
    at = moves_of(numbers).before.astype(np.int64) @ (256 ** np.arange(3, -1, -1))
    tenths = np.bincount(at // 5000, minlength=10)
    assert tenths.min() > 0.5 * len(at) / 10


def test_moves_of_several_runs_do_not_join_their_ends():
    runs = [np.full((n, 1), n, np.uint8) for n in (1, 2, 5)]
    moves = joined_moves([moves_of(run) for run in runs])
    assert len(moves) == moves.total == 5
    assert not moves.flips.any()


@pytest.mark.parametrize("count", [3, 40])
def test_moves_of_many_runs_are_bounded_and_come_from_each(count):
    runs = [np.full((1000, 1), n, np.uint8) for n in range(count)]
    moves = joined_moves([moves_of(run) for run in runs])
    assert moves.total == 999 * count
    assert len(moves) < 2 * MOST_MOVES + count
    assert set(moves.before[:, 0].tolist()) == set(range(count))


def test_fields_are_cut_from_both_ends_of_a_move():
    moves = Moves(np.array([[1, 2]], np.uint8), np.array([[3, 4]], np.uint8), 1)
    both = Field(7, 16, "big")
    assert moves.was.field(both).tolist() == [0x0102]
    assert moves.became.field(both).tolist() == [0x0304]
