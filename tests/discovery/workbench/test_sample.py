"""A bounded sample of payloads."""

import numpy as np
import pytest

from decoder.discovery.carving.moves import ever_flipped, flip_counts
from decoder.discovery.proposal import Stream
from decoder.discovery.workbench.sample import flips, sampled


def stream_of(data, time_ns=None):
    count = len(data)
    times = np.arange(count, dtype=np.int64) * 1000 if time_ns is None else time_ns
    return Stream("can0", 0x123, False, None, times, data, np.arange(count))


def test_few_payloads_are_all_there():
    stream = stream_of(np.zeros((100, 8), np.uint8))
    assert sampled(stream, most=100) is stream


@pytest.mark.parametrize("stride", [1, 16, 100])
def test_of_many_every_bit_that_ever_changes_still_does_however_rarely(stride):
    random = np.random.default_rng(3)
    data = np.zeros((50_000, 8), np.uint8)
    data[:, 0] = np.arange(len(data)) % 16 * stride % 256
    for bit in range(8):
        data[random.integers(1, len(data)), 3] ^= 1 << bit
    data[17, 5] = 255
    small = sampled(stream_of(data), most=500)
    assert 500 <= len(small.data) <= 570
    assert (ever_flipped(small.data) == ever_flipped(data)).all()
    assert (np.diff(small.time_ns) > 0).all()
    assert (small.data == data[small.row]).all()
    assert (small.time_ns[0], small.time_ns[-1]) == (0, 49_999_000)


def test_only_the_rows_that_are_asked_for_are_taken():
    data = np.arange(1000, dtype=np.int64).astype(np.uint8)[:, None]
    rows = np.arange(3, 1000, 5)
    small = sampled(stream_of(data), rows, most=50)
    assert set(small.row) <= set(rows)
    assert (sampled(stream_of(data), rows).row == rows).all()


def test_where_the_clock_went_back_the_order_is_that_of_time():
    times = np.array([50, 60, 10, 20], np.int64)
    small = sampled(stream_of(np.array([[5], [6], [1], [2]], np.uint8), times))
    assert small.time_ns.tolist() == [10, 20, 50, 60]
    assert small.data[:, 0].tolist() == [1, 2, 5, 6]


@pytest.mark.parametrize("count", [1, 2, 1000, 65_537, 140_000])
def test_flips_are_counted_whole(count):
    data = np.random.default_rng(count).integers(0, 256, (count, 3), np.uint8)
    expected = flip_counts(data[:-1] ^ data[1:]) if count > 1 else np.zeros(24, np.int64)
    assert (flips(data) == expected).all()
