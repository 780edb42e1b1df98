"""A sum is told where little moves but a counter, and never called proved."""

from __future__ import annotations

import numpy as np
import pytest

from decoder.bits import Field
from decoder.discovery.checks import find_checks

COUNTED = np.arange(400) % 16


def frames():
    data = np.tile(np.array([1, 2, 3, 4, 5, 6, 0x50, 8], dtype=np.uint8), (400, 1))
    data[:, 6] |= COUNTED.astype(np.uint8)
    return data


@pytest.mark.parametrize("sign", [1, -1])
def test_a_sum_in_the_last_byte(sign):
    data = frames()
    data[200:, 1] = 77  # once, in the middle
    data[:, 7] = sign * (data[:, :7].sum(axis=1, dtype=np.int64) + 0x3C) % 256
    (found,) = find_checks(data, 0x123)
    assert (found.field, found.covers, found.proved) == (Field(56, 8), tuple(range(7)), False)
    assert found.holds == len(data)
    assert "sum of bytes" in found.form


def test_a_negated_sum_of_nibbles_beside_its_counter():
    data = frames()
    data[:, 6] = COUNTED
    total = (data[:, :7] >> 4).sum(axis=1, dtype=np.int64) + (data[:, :7] & 15).sum(axis=1, dtype=np.int64) + data[:, 7]
    data[:, 6] |= ((5 - total) % 16 << 4).astype(np.uint8)
    (found,) = find_checks(data, 0x123)
    assert (found.field, found.proved) == (Field(52, 4), False)


def test_a_frame_that_is_damaged_is_told():
    data = frames()
    data[:, 7] = (data[:, :7].sum(axis=1, dtype=np.int64) + 0x3C) % 256
    data[123, 7] ^= 0x40
    (found,) = find_checks(data, 0x123)
    assert found.damaged == (123,)


@pytest.mark.parametrize("change", [lambda byte: byte, lambda byte: byte ^ 0xFF, lambda byte: byte ^ 0x0A])
def test_a_copy_of_the_counter_is_no_sum(change):
    data = frames()
    data[:, 7] = change(data[:, 6])
    assert find_checks(data, 0x123) == ()


def test_without_a_counter_nothing_is_told():
    data = frames()
    data[:, 6] = np.random.default_rng(1).integers(0, 16, 400)
    data[:, 7] = (data[:, :7].sum(axis=1, dtype=np.int64) + 0x3C) % 256
    assert find_checks(data, 0x123) == ()
