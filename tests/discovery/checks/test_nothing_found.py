"""Payloads without a check have none."""

from __future__ import annotations

import json

import numpy as np
import pytest
from crccheck import crc as catalogue

from decoder.discovery.checks import find_checks
from tests.discovery.checks.payloads import columns, damage, every_row, payloads, without_checks


@pytest.mark.parametrize("seed", range(8))
def test_counters_numbers_copies_noise_and_multiplexors_are_no_checks(seed):
    chance = np.random.default_rng(seed)
    for _ in range(12):
        data = without_checks(chance, int(chance.integers(20, 900)), int(chance.integers(1, 9)))
        damage(chance, data, float(chance.choice([0, 0.05])))
        assert find_checks(data, 0x123) == ()


def still():
    return np.tile(np.array([1, 2, 3, 4, 5, 6, 7, 8], dtype=np.uint8), (400, 1))


@pytest.mark.parametrize("kind", ["counter", "byte counter", "number", "noise"])
@pytest.mark.parametrize(
    "change",
    [
        lambda one: one,
        lambda one: ~one,
        lambda one: -one,
        lambda one: one + 7,
        lambda one: 255 - one,
        lambda one: one ^ 90,
    ],
    ids=["copy", "complement", "negative", "sum", "mirrored", "exclusive or"],
)
def test_a_byte_and_what_follows_from_it_alone(kind, change):
    data = still()
    data[:, 2] = columns(np.random.default_rng(1), 400, kind) % 256
    data[:, 7] = change(data[:, 2].astype(np.int64)) % 256
    found = find_checks(data, 0x123)
    if "counter" in kind:  # beside a counter it may be a sum, but nothing proves it
        assert not any(check.evidence_bits or check.proved for check in found)
    else:
        assert found == ()
    data[:, 4] = np.arange(400) % 16
    assert find_checks(data, 0x123) == ()


def test_fields_put_side_by_side_are_no_sum():
    chance = np.random.default_rng(2)
    data = still()
    data[:, 1] = np.arange(400) % 16
    data[:, 2] = chance.integers(0, 16, 400) * 16
    data[:, 7] = data[:, 1] | data[:, 2]
    assert find_checks(data, 0x123) == ()


def test_a_byte_that_changes_once_between_values_with_the_same_sum_of_nibbles_is_no_sum():
    data = still()[:, :3]
    data[:, 0] = np.arange(400) // 15 + 44
    data[:, 1] = 255 - data[:, 0]
    data[:, 2] = np.where(np.arange(400) < 200, 0x4A, 0xFF)
    data[[5, 90, 300]] = [[0x11, 0x59, 0xEE], [0x94, 0x2B, 0x5D], [0xAB, 0x7B, 0xC9]]  # damaged; the sum is the same
    assert find_checks(data, 0x123) == ()


def test_bytes_that_cancel_each_other_out_are_no_sum():
    chance = np.random.default_rng(5)
    data = still()[:70]
    time = np.arange(70) + 44
    data[:, 1] = -time % 256
    data[:, 2] = time % 16
    data[:, 3] = 255 - time
    data[:, 4] = data[:, 5] = time
    data[:, 7] = chance.integers(0, 256, 70)
    assert find_checks(data, 0x123) == ()


def test_two_opposite_counters_and_a_byte_that_changes_once_are_no_sum():
    data = still()
    data[:, 3] = -3 * np.arange(400) % 256
    data[:, 4] = 3 * np.arange(400) % 256
    data[:, 2] = np.where(np.arange(400) < 200, 255, 0)
    assert find_checks(data, 0x123) == ()


def test_constant_payloads_few_frames_and_one_byte():
    assert find_checks(still(), 0x123) == ()
    assert find_checks(still()[:3], 0x123) == ()
    assert find_checks(still()[:0], 0x123) == ()
    assert find_checks(still()[:, :1], 0x123) == ()
    assert find_checks(still()[:, :0], 0x123) == ()


def test_a_counter_of_two_bits_is_too_little_for_a_crc():
    data = still()
    data[:, 1] = np.arange(400) % 4
    data[:, 0] = every_row(data[:, 1:], catalogue.Crc8SaeJ1850.calc)
    assert find_checks(data, 0x123) == ()


def test_a_check_that_is_wrong_in_one_of_five_frames_is_none():
    chance = np.random.default_rng(3)
    data = payloads(chance, 600, 8)
    data[:, 7] = every_row(data[:, :7], catalogue.Crc8SaeJ1850.calc)
    data[::5, 7] ^= chance.integers(1, 256, 120, dtype=np.uint8)
    assert find_checks(data, 0x123) == ()


def test_a_check_can_be_kept_as_json():
    chance = np.random.default_rng(4)
    data = payloads(chance, 600, 8)
    data[:, 7] = every_row(data[:, :7], lambda rest: catalogue.Crc8SaeJ1850.calc(b"\x0f" + rest))
    (check,) = find_checks(data, 0x123)
    plain = json.loads(json.dumps(check.plain()))
    assert plain["field"]["start"] == 56
    assert plain["parameters"]["hidden_before"] == "0F"
    assert plain["covers"] == [0, 1, 2, 3, 4, 5, 6]
