"""Fields of one identifier: found where they are, as what they are."""

import numpy as np
import pytest

from decoder.bits import Field
from tests.discovery.made_captures import (
    assert_parted,
    carve_fields,
    carve_payloads,
    changing,
    held,
    is_found,
    measured,
    slow,
    sweep,
    tell,
)

COUNT = 400


def big(byte, length=16, *, bit=7, signed=False):
    return Field(8 * byte + bit, length, "big", signed)


def little(byte, length=16, *, bit=0, signed=False):
    return Field(8 * byte + bit, length, "little", signed)


def two_numbers(chance):
    return measured(chance, sweep(COUNT, 3000, 4100)), measured(chance, sweep(COUNT, 20000, 21500, 1, 0.3))


def assert_found(found, columns, kind):
    assert_parted(found)
    for field, values in columns.items():
        assert is_found(found, field, values, kind), (field, tell(found))


@pytest.mark.parametrize("at", [big, little])
def test_numbers_side_by_side_are_found_in_their_byte_order(at):
    columns = dict(zip((at(0), at(2)), two_numbers(np.random.default_rng(1)), strict=True))
    found = carve_fields(4, columns)
    assert_found(found, columns, "number")
    assert len(changing(found)) == 2
    assert {one.field.byte_order for one in changing(found)} == {at(0).byte_order}


@pytest.mark.parametrize("places", [(big(0, 12), big(1, 12, bit=3)), (little(0, 12), little(1, 12, bit=4))])
def test_numbers_of_12_bits_share_a_byte(places):
    chance = np.random.default_rng(2)
    values = measured(chance, sweep(COUNT, 900, 1700)), measured(chance, sweep(COUNT, 2500, 3300, 0.8, 0.2))
    columns = dict(zip(places, values, strict=True))
    found = carve_fields(3, columns)
    assert_found(found, columns, "number")
    assert len(changing(found)) == 2


def test_two_bytes_are_two_numbers():
    chance = np.random.default_rng(3)
    columns = {
        Field(0, 8): measured(chance, sweep(COUNT, 60, 180), 1),
        Field(8, 8): measured(chance, sweep(COUNT, 40, 110, 1, 0.4), 1),
    }
    assert_found(carve_fields(2, columns), columns, "number")


@pytest.mark.parametrize("field", [big(0, 16, signed=True), little(0, 12, signed=True)])
def test_a_number_through_zero_is_signed(field):
    columns = {field: measured(np.random.default_rng(4), sweep(COUNT, -400, 300))}
    found = carve_fields(2, columns)
    assert_found(found, columns, "number")
    (one,) = changing(found)
    assert one.field == field
    assert one.detail["lowest"] == columns[field].min()
    assert one.detail["highest"] == columns[field].max()


def test_a_number_about_the_middle_of_its_range_is_not_signed():
    columns = {big(0): measured(np.random.default_rng(5), sweep(COUNT, 32768 - 400, 32768 + 300))}
    found = carve_fields(2, columns)
    assert_found(found, columns, "number")
    assert not changing(found)[0].field.signed


@pytest.mark.parametrize(("length", "modulus", "step"), [(4, 15, 1), (4, 16, 1), (4, 16, 2), (8, 256, 1)])
def test_a_counter_is_found_with_how_it_counts(length, modulus, step):
    number, _ = two_numbers(np.random.default_rng(6))
    counter = Field(0, length)
    columns = {counter: np.arange(COUNT) * step % modulus}
    found = carve_fields(3, {**columns, big(1): number})
    assert_parted(found)
    assert is_found(found, big(1), number, "number"), tell(found)
    (one,) = (one for one in changing(found) if one.kind == "counter")
    assert one.field.last_byte == 0
    assert one.detail["exceptions"] == 0
    if step == 1:
        assert_found(found, columns, "counter")
        assert (one.detail["step"], one.detail["modulus"]) == (1, modulus)
    else:
        assert one.detail["step"] * 2 ** min(one.field.bit_numbers()) == 2


def test_states_and_a_flag_that_wake_up_together_are_told_apart():
    """All of them change in the same payload once, and then each when it wants."""
    right = of = 0
    for seed in range(5):
        chance = np.random.default_rng(seed)
        columns = {Field(2 * n, 2): held(chance, 600, 100, 8, 4) for n in range(7)}
        columns[Field(14, 1)] = held(chance, 600, 100, 8, 2)
        found = carve_fields(2, columns)
        assert_parted(found)
        right += sum(is_found(found, field, values) for field, values in columns.items())
        of += len(columns)
    assert right >= 0.9 * of


def test_flags_that_wake_up_together_are_told_apart():
    right = of = 0
    for seed in range(5):
        chance = np.random.default_rng(seed)
        columns = {Field(n, 1): held(chance, 600, 100, 8, 2) for n in range(16)}
        found = carve_fields(2, columns)
        assert_parted(found)
        right += sum(is_found(found, field, values, "flag") for field, values in columns.items())
        of += len(columns)
    assert right >= 0.9 * of


def test_all_ones_before_wake_up_are_told_as_not_available():
    """A voltage beside states that wake up in the same payload."""
    chance = np.random.default_rng(7)
    awake = np.arange(COUNT) >= 60
    voltage = np.where(awake, measured(chance, sweep(COUNT, 3000, 4100)), 0xFFFF)
    states = {Field(2 * n, 2): held(chance, COUNT, 60, 8, 4) for n in range(4)}
    found = carve_fields(3, {**states, big(1): voltage})
    assert_parted(found)
    assert is_found(found, big(1), voltage, "number"), tell(found)
    (one,) = (one for one in changing(found) if one.kind == "number")
    assert one.detail["not_available"] == [0xFFFF]
    assert (one.detail["lowest"], one.detail["highest"]) == (voltage[awake].min(), voltage[awake].max())
    assert not one.field.signed


def test_text_and_constants_are_told_beside_a_number():
    level = sweep(200, 30, 90)
    found = carve_payloads([bytes([int(value)]) + b"\x00BENCH-7" for value in level])
    assert_parted(found)
    (text,) = (one for one in found.proposals if one.kind == "text")
    assert text.detail["text"].endswith("BENCH-7")
    assert is_found(found, Field(0, 8), level, "number"), tell(found)


def test_where_nothing_changes_all_is_constant():
    found = carve_payloads([b"\x12\x34\x00\xff"] * 30)
    assert_parted(found)
    assert {one.kind for one in found.proposals} == {"constant"}
    assert changing(found) == []


def test_flags_and_states_tell_their_values():
    chance = np.random.default_rng(8)
    flag = held(chance, 300, 50, 8, 2)
    found = carve_fields(1, {Field(4, 1): flag})
    (one,) = changing(found)
    assert (one.kind, one.field.start, one.field.length) == ("flag", 4, 1)
    rows = {row["value"]: row["frames"] for row in one.detail["values"]}
    assert rows == {0: int((flag == 0).sum()), 1: int((flag == 1).sum())}


def test_slow_neighbours_are_found_through_their_carries():
    """Numbers that move by one now and then: only carries tell where they lie."""
    chance = np.random.default_rng(9)
    columns = {Field(8 * n, 8): slow(chance, 800, 60 + 40 * n, 0.5) % 256 for n in range(2)}
    found = carve_fields(2, columns)
    assert_parted(found)
    for one in changing(found):
        assert one.field.first_byte == one.field.last_byte
