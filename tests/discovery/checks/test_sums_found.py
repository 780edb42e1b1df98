"""Sums of bytes and nibbles are found, with the constant that is added to them."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoder.bits import Field
from decoder.discovery.checks import find_checks
from tests.discovery.checks.payloads import columns, damage, payloads

CAN_ID = 0x1A0
SUMS = [
    ("sum of bytes", lambda total: total),
    ("one's complement of the sum of bytes", lambda total: ~total),
    ("two's complement of the sum of bytes", lambda total: -total),
    ("sum of bytes and of the identifier's", lambda total: total + 0x01 + 0xA0),
    ("sum of bytes and of the identifier's, and the length", lambda total: total + 0x01 + 0xA0 + 8),
    ("two's complement of the sum of bytes and of the identifier's", lambda total: -(total + 0x01 + 0xA0)),
    ("sum of bytes and a hidden constant", lambda total: total + 0x3C),
    ("complement of the sum of bytes and a hidden constant", lambda total: 0x3C - total),
]


def moving(seed, width=8, n=500):
    """Give payloads with a slow byte in front, which no one takes for a check."""
    chance = np.random.default_rng(seed)
    data = payloads(chance, n, width, noise=False)
    data[:, 0] = np.arange(n) // 90
    data[:, 1] = columns(chance, n, "counter")
    data[:, 2] = columns(chance, n, "noise")
    return chance, data


@pytest.mark.parametrize(("form", "calculate"), SUMS, ids=[form for form, _ in SUMS])
def test_a_sum_of_all_other_bytes(form, calculate):
    chance, data = moving(1)
    data[:, 7] = calculate(data[:, :7].sum(axis=1, dtype=np.int64)) % 256
    damaged = damage(chance, data, 0.04)
    (check,) = find_checks(data, CAN_ID)
    assert (check.field, check.form, check.covers) == (Field(56, 8), form, tuple(range(7)))
    assert set(check.damaged) <= damaged
    assert check.proved


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 2**32), st.integers(4, 8), st.integers(0, 255), st.booleans(), st.floats(0, 0.05))
def test_a_sum_is_found_whatever_is_added(seed, width, constant, minus, share):
    chance, data = moving(seed, width)
    total = data[:, :-1].sum(axis=1, dtype=np.int64)
    data[:, -1] = (constant + (-total if minus else total)) % 256
    whole = data.copy().astype(np.int64)
    damaged = damage(chance, data, share)
    (check,) = find_checks(data, CAN_ID)
    assert check.field == Field(width * 8 - 8, 8)
    again = whole[:, check.covers].sum(axis=1)
    assert np.all((check.parameters.constant + (-again if minus else again) - whole[:, -1]) % 256 == 0)
    assert set(check.damaged) <= damaged


def test_a_sum_over_a_part():
    chance, data = moving(2)
    data[:, 5:7] = chance.integers(0, 256, (500, 2))
    data[:, 7] = data[:, 2:6].sum(axis=1, dtype=np.int64) % 256
    (check,) = find_checks(data, CAN_ID)
    assert (check.field, check.form) == (Field(56, 8), "sum of bytes")
    assert check.covers == (2, 3, 4, 5)


def test_the_classic_checksum_of_lin_is_the_complement_of_a_sum_with_the_carry_added():
    """LIN 2.1, 2.8.3: 4A 55 93 E5 gives E6."""
    chance, data = moving(3, 5)
    data[:, 3] = columns(chance, 500, "noise")
    data[100, :4] = list(bytes.fromhex("4A5593E5"))
    total = data[:, :4].sum(axis=1, dtype=np.int64)
    data[:, 4] = 255 - ((total - 1) % 255 + 1)
    assert data[100, 4] == 0xE6
    (check,) = find_checks(data, CAN_ID)
    assert (check.field, check.form) == (Field(32, 8), "one's complement of the sum of bytes, carry added")
    assert check.damaged == ()


@pytest.mark.parametrize("constant", [0, 0x55, 0xFF])
def test_the_exclusive_or_of_bytes(constant):
    _, data = moving(4)
    data[:, 7] = np.bitwise_xor.reduce(data[:, :7], axis=1) ^ constant
    (check,) = find_checks(data, CAN_ID)
    assert (check.field, check.parameters.constant) == (Field(56, 8), constant)
    assert "exclusive or of bytes" in check.form


@pytest.mark.parametrize("high", [True, False])
@pytest.mark.parametrize(
    ("form", "calculate"),
    [
        ("sum of nibbles", lambda total: total),
        ("one's complement of the sum of nibbles", lambda total: ~total),
        ("two's complement of the sum of nibbles", lambda total: -total),
    ],
)
def test_a_sum_of_nibbles_beside_a_counter(form, calculate, high):
    chance, data = moving(5)
    data[:, 1] = columns(chance, 500, "number")
    data[:, 7] = np.arange(500) % 16 * (1 if high else 16)
    total = (data // 16).sum(axis=1, dtype=np.int64) + (data % 16).sum(axis=1, dtype=np.int64)
    data[:, 7] += (calculate(total) % 16 * (16 if high else 1)).astype(np.uint8)
    damaged = damage(chance, data, 0.03)
    (check,) = find_checks(data, CAN_ID)
    assert (check.field, check.form) == (Field(60 if high else 56, 4), form)
    assert check.covers == tuple(range(8))
    assert set(check.damaged) <= damaged


def test_a_sum_of_bytes_in_two_bytes():
    chance = np.random.default_rng(6)
    data = chance.integers(0, 256, (400, 16), dtype=np.uint8)
    total = data[:, :14].sum(axis=1, dtype=np.int64) + 4
    data[:, 14], data[:, 15] = total // 256, total % 256
    (check,) = find_checks(data, 0x7E8)
    assert (check.field, check.form) == (Field(14 * 8 + 7, 16, "big"), "sum of bytes and a hidden constant")
    assert check.parameters.constant == 4
