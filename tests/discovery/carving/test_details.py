"""What is told of a proposed field beyond its place."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from decoder.bits import Field
from decoder.discovery.carving.details import (
    counter_detail,
    is_cyclic,
    not_available,
    number_detail,
    place_detail,
    value_detail,
)


def raw(*values):
    return np.array(values, np.int64)


def test_a_place_is_told_as_certain_and_as_likely():
    found = place_detail(Field(3, 10, "big"), Field(7, 14, "big"), 12)
    assert found == {"certain": {"start": 3, "length": 10}, "likely": {"start": 7, "length": 14}, "changes": 12}


def test_values_are_counted_and_timed():
    times = np.array([0, 100, 200, 300, 1000, 1100], np.int64) * 1_000_000
    found = value_detail(raw(0, 0, 0, 1, 1, 0), times)
    # 0 stays from 0 to 300 ms, and from the last payload on for as long as is known; 1 from 300 to 1100 ms.
    assert found == {
        "values": [{"value": 0, "frames": 4, "dwell_ms": 150.0}, {"value": 1, "frames": 2, "dwell_ms": 800.0}]
    }


@given(st.lists(st.integers(0, 5), min_size=1, max_size=40), st.data())
def test_every_value_is_there_once_with_its_payloads(values, data):
    steps = data.draw(st.lists(st.integers(0, 10**9), min_size=len(values), max_size=len(values)))
    found = value_detail(raw(*values), np.cumsum(np.array(steps, np.int64)))["values"]
    assert [row["value"] for row in found] == sorted(set(values))
    assert all(row["frames"] == values.count(row["value"]) for row in found)
    assert all(row["dwell_ms"] >= 0 for row in found)


@pytest.mark.parametrize(
    ("values", "cyclic"),
    [
        ([0, 1, 2, 3] * 10, True),
        ([0, 0, 1, 1, 2, 2] * 10, True),
        ([3, 0, 7] * 20 + [0] + [3, 0, 7] * 20, True),
        ([0, 1, 0, 2, 0, 3, 0, 2, 0, 1] * 5, False),
        ([4] * 20, False),
    ],
)
def test_a_fixed_turn_is_cyclic(values, cyclic):
    assert is_cyclic(raw(*values)) is cyclic


@pytest.mark.parametrize("modulus", [15, 16])
def test_a_counter_tells_its_modulus(modulus):
    values = np.arange(100) % modulus
    assert counter_detail(values, 4) == {"step": 1, "modulus": modulus, "lowest": 0, "exceptions": 0}


@given(st.integers(2, 12), st.integers(30, 200), st.integers(0, 2**32))
def test_lost_frames_are_exceptions(length, count, seed):
    full = 1 << length
    values = np.arange(2 * full + count)
    lost = 1 + int(np.random.default_rng(seed).integers(2 * full))
    assert counter_detail(np.delete(values, lost) % full, length) == {
        "step": 1,
        "modulus": full,
        "lowest": 0,
        "exceptions": 1,
    }


def test_a_counter_of_every_second_number_goes_by_two():
    found = counter_detail(np.arange(0, 200, 2) % 16, 4)
    assert (found["step"], found["modulus"], found["exceptions"]) == (2, 16, 0)


def test_a_counter_may_go_down_from_one():
    found = counter_detail(15 - np.arange(100) % 15, 4)
    assert (found["step"], found["modulus"], found["lowest"], found["exceptions"]) == (-1, 15, 1, 0)


def test_a_counter_may_stand_still_between_steps():
    found = counter_detail(np.arange(120) // 3 % 16, 4)
    assert (found["step"], found["modulus"], found["exceptions"]) == (1, 16, 0)


def test_a_number_tells_its_range():
    assert number_detail(raw(5, 3, 9, 9), Field(0, 8)) == {"lowest": 3, "highest": 9, "not_available": []}
    assert number_detail(raw(-5, 3, -1), Field(0, 8, signed=True)) == {"lowest": -5, "highest": 3, "not_available": []}


def test_all_ones_far_off_are_not_available_and_not_in_the_range():
    found = number_detail(raw(4095, 4095, 812, 815, 810), Field(0, 12))
    assert found == {"lowest": 810, "highest": 815, "not_available": [4095]}


def test_all_ones_less_one_mean_it_as_well():
    assert not_available(raw(254, 20, 24, 22), Field(0, 8)) == [254]


def test_values_near_the_top_are_values():
    assert not_available(raw(*range(200, 256)), Field(0, 8)) == []
    assert not_available(raw(253, 254, 255, 254, 253), Field(0, 8)) == []


def test_minus_one_between_its_neighbours_is_a_value():
    assert not_available(raw(-3, -2, -1, 0, 1, 0, -1), Field(0, 12, signed=True)) == []


def test_a_field_that_only_holds_all_ones_tells_nothing():
    assert not_available(raw(255, 255), Field(0, 8)) == []
    assert not_available(raw(1, 3, 0), Field(0, 2)) == []


@given(st.lists(st.integers(0, 65535), min_size=1, max_size=30))
def test_the_range_is_that_of_the_values_that_are_some(values):
    found = number_detail(raw(*values), Field(0, 16))
    absent = found["not_available"]
    assert set(absent) <= {65534, 65535} & set(values)
    rest = [value for value in values if value not in absent]
    assert (found["lowest"], found["highest"]) == (min(rest), max(rest))
