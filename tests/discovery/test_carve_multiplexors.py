"""Multiplexors: cyclic ones, indexes with one value beside them, nested ones, and what only looks like one."""

import numpy as np
import pytest

from decoder.bits import Field, put_field
from tests.discovery.made_captures import (
    assert_parted,
    assert_sound,
    carve_payloads,
    changing,
    measured,
    payloads,
    sweep,
    tell,
    top_of,
)

VALUE = Field(15, 16, "big")


def multiplexors(found):
    return [one for one in found.proposals if one.kind == "multiplexor"]


def values_told(one):
    return [row["value"] for row in one.detail["values"]]


def under(found, *values):
    """The changing proposals under these values of the multiplexors, outer first."""

    def path(selector):
        return () if selector is None else (*path(selector.within), selector.value)

    return [one for one in changing(found) if one.kind != "multiplexor" and path(one.multiplexor) == values]


def is_at(one, field, values):
    return (
        one.field.byte_order == field.byte_order
        and one.field.bit_numbers()[0] == field.bit_numbers()[0]
        and top_of(values) < one.field.length <= field.length
    )


def paged(chance, values, count=400):
    """Values of a multiplexor that come in turn, and what a voltage under each of them holds."""
    turn = np.array(values)[np.arange(count) % len(values)]
    voltage = np.zeros(count, np.int64)
    for number, value in enumerate(values):
        swing = measured(chance, sweep(count, 3300 + 40 * number, 4000 + 40 * number, 0.7, 0.1 * number))
        voltage[turn == value] = swing[turn == value]
    return turn, voltage


@pytest.mark.parametrize("values", [(0, 1, 2, 3), (1, 2, 3, 4)])
def test_a_cyclic_multiplexor_with_four_values(values):
    turn, voltage = paged(np.random.default_rng(1), values)
    found = carve_payloads(payloads(3, {Field(0, 8): turn, VALUE: voltage}))
    assert_parted(found)
    (one,) = multiplexors(found)
    assert one.field.bit_numbers()[0] == 0
    assert one.field.last_byte == 0
    assert one.multiplexor is None
    assert one.detail["cyclic"] is True
    assert values_told(one) == list(values)
    for value in values:
        (field,) = under(found, value)
        assert field.multiplexor.field == one.field
        assert is_at(field, VALUE, voltage[turn == value]), tell(found)


def test_an_index_with_one_value_is_one_series():
    count, indexes = 960, 24
    chance = np.random.default_rng(0)
    turn = np.arange(count) % indexes
    held = chance.integers(3000, 4000, indexes)[turn]
    values = held + measured(chance, sweep(count, -60, 60), 1)
    found = carve_payloads(payloads(3, {Field(0, 8): turn, VALUE: values}))
    assert_parted(found)
    (one,) = multiplexors(found)
    assert values_told(one) == list(range(indexes))
    series = under(found, None)
    assert series
    assert series == [field for field in changing(found) if field is not one]
    assert all(field.detail["indexes"] == list(range(indexes)) for field in series)
    assert any(field.field.bit_numbers()[0] == VALUE.bit_numbers()[0] for field in series), tell(found)


def test_a_multiplexor_under_a_multiplexor():
    count = 540
    chance = np.random.default_rng(3)
    swing = measured(chance, sweep(count, 3300, 4000, 0.8))
    rows = []
    for at in range(count):
        row = put_field(bytes(4), Field(0, 8), 1 + at % 2)
        if at % 2 == 0:
            rows.append(put_field(row, VALUE, int(swing[at])))
            continue
        inner = at // 2 % 3
        row = put_field(row, Field(8, 8), inner)
        rows.append(put_field(row, Field(23, 16, "big"), (500, 9000, 30000)[inner] + int(swing[at - 200]) // 4))
    found = carve_payloads(rows)
    assert_sound(found)
    outer, inner = sorted(multiplexors(found), key=lambda one: one.multiplexor is not None)
    assert (outer.field.first_byte, values_told(outer)) == (0, [1, 2])
    assert (inner.field.first_byte, values_told(inner)) == (1, [0, 1, 2])
    assert inner.multiplexor.value == 2
    assert inner.multiplexor.field == outer.field
    assert any(is_at(one, VALUE, swing[::2]) for one in under(found, 1)), tell(found)
    for value in range(3):
        fields = under(found, 2, value)
        assert all(one.multiplexor.within.field == outer.field for one in fields)
        assert any(one.field.bit_numbers()[0] == 24 for one in fields), tell(found)


@pytest.mark.parametrize("seed", range(3))
def test_a_counter_beside_numbers_selects_nothing(seed):
    chance = np.random.default_rng(seed)
    columns = {Field(0, 4): np.arange(400) % 16, VALUE: measured(chance, sweep(400, 3000, 4100))}
    found = carve_payloads(payloads(3, columns))
    assert_parted(found)
    assert multiplexors(found) == []


def test_a_state_beside_a_number_selects_nothing():
    chance = np.random.default_rng(6)
    state = chance.integers(0, 3, 10).repeat(40)
    found = carve_payloads(payloads(3, {Field(0, 8): state, VALUE: measured(chance, sweep(400, 3000, 4100))}))
    assert_parted(found)
    assert multiplexors(found) == []


def test_what_is_common_stands_under_no_value():
    turn, voltage = paged(np.random.default_rng(7), (0, 1, 2, 3))
    counter = np.arange(400) % 15
    found = carve_payloads(payloads(4, {Field(0, 8): turn, VALUE: voltage, Field(24, 4): counter}))
    assert_parted(found)
    assert len(multiplexors(found)) == 1
    (common,) = (one for one in under(found) if one.field.first_byte == 3)
    assert (common.kind, common.field.bit_numbers()) == ("counter", (24, 25, 26, 27))
