"""CRCs that an independent library put into made payloads are found, with their place, form, constants and damage."""

from __future__ import annotations

import numpy as np
import pytest
from crccheck import crc as catalogue
from hypothesis import given, settings
from hypothesis import strategies as st

from decoder.bits import Field
from decoder.discovery.checks import find_checks
from tests.discovery.checks.payloads import CRCS_8, CRCS_16, columns, damage, every_row, payloads
from tests.discovery.checks.recalculation import damaged_of

J1850 = catalogue.Crc8SaeJ1850
hidden = st.binary(max_size=2)


def moving(chance, n, width):
    """Give payloads in which the first covered and the last covered byte move."""
    data = payloads(chance, n, width)
    data[:, 1] = columns(chance, n, "noise")
    data[:, width - 2] = columns(chance, n, "number")
    return data


@settings(max_examples=60, deadline=None)
@given(
    st.integers(0, 2**32), st.sampled_from(CRCS_8), st.integers(4, 8), st.booleans(), hidden, hidden, st.floats(0, 0.05)
)
def test_a_crc_of_8_bits_over_the_rest_is_found(seed, crc, width, last, before, behind, share):
    chance = np.random.default_rng(seed)
    data = moving(chance, 400, width)
    place = width - 1 if last else 0
    order = [byte for byte in range(width) if byte != place]
    data[:, place] = every_row(data[:, order], lambda rest: crc.calc(before + rest + behind))
    whole = data.copy()
    damaged = damage(chance, data, share)
    (check,) = find_checks(data, 0x123)
    assert check.field == Field(place * 8, 8)
    assert check.parameters.polynomial == crc._poly
    assert check.parameters.reflected == crc._reflect_input
    assert check.proved
    assert set(check.damaged) <= damaged
    assert check.holds == check.frames - len(check.damaged)
    assert damaged_of(check, data) == set(check.damaged)
    assert not damaged_of(check, whole)


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 2**32), st.sampled_from(CRCS_8), st.data())
def test_a_crc_over_a_part_is_found_with_the_part(seed, crc, data_of):
    chance = np.random.default_rng(seed)
    data = payloads(chance, 500, 8)
    first = data_of.draw(st.integers(0, 5))
    last = data_of.draw(st.integers(first + 1, 6))
    data[:, first] = columns(chance, 500, "noise")
    data[:, last] = columns(chance, 500, "noise")
    data[:, 7] = every_row(data[:, first : last + 1], lambda part: crc.calc(b"\x3c" + part))
    (check,) = find_checks(data, 0x123)
    assert check.field == Field(56, 8)
    moves = np.ptp(data, axis=0) > 0
    assert {byte for byte in check.covers if moves[byte]} == {byte for byte in range(first, last + 1) if moves[byte]}
    assert not damaged_of(check, data)


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 2**32), st.sampled_from(CRCS_16), st.booleans(), st.booleans(), st.floats(0, 0.05))
def test_a_crc_of_16_bits_is_found_in_both_byte_orders(seed, crc, last, big, share):
    chance = np.random.default_rng(seed)
    data = payloads(chance, 400, 8)
    place = 6 if last else 0
    data[:, 3] = columns(chance, 400, "noise")
    order = [byte for byte in range(8) if byte not in {place, place + 1}]
    value = every_row(data[:, order], lambda rest: crc.calc(b"\x12\x34" + rest))
    data[:, place], data[:, place + 1] = (value >> 8, value & 255) if big else (value & 255, value >> 8)
    damaged = damage(chance, data, share)
    (check,) = find_checks(data, 0x123)
    assert check.field == (Field(place * 8 + 7, 16, "big") if big else Field(place * 8, 16))
    assert check.parameters.polynomial == crc._poly
    assert damaged_of(check, data) == set(check.damaged) <= damaged


@pytest.mark.parametrize(("crc", "hidden_byte"), [(J1850, 0x5A), (catalogue.Crc8Autosar, 0xC3)])
@pytest.mark.parametrize("values", [15, 16])
def test_where_only_a_counter_moves_the_crc_is_found_and_not_proved(crc, hidden_byte, values):
    data = np.tile(np.array([0, 0, 9, 0, 80, 255, 3, 1], dtype=np.uint8), (300, 1))
    data[:, 1] = np.arange(300) % values
    data[:, 0] = every_row(data[:, 1:], lambda rest: crc.calc(rest + bytes([hidden_byte])))
    (check,) = find_checks(data, 0x123)
    assert check.field == Field(0, 8)
    assert check.parameters.polynomial == crc._poly
    assert check.rank == 4
    assert not check.proved
    assert not damaged_of(check, data)


def test_a_crc_over_one_byte_and_two_hidden_ones_is_found():
    chance = np.random.default_rng(4)
    data = payloads(chance, 600, 8)
    data[:, 3] = np.arange(600)
    data[:, 0] = every_row(data[:, 3:4], lambda byte: J1850.calc(byte + b"\x12\x34"))
    (check,) = find_checks(data, 0x123)
    assert check.field == Field(0, 8)
    assert 3 in check.covers
    assert check.rank == 8
    assert not damaged_of(check, data)


@pytest.mark.parametrize("width", range(3, 9))
def test_polynomial_85_in_the_last_byte_is_found(width):
    chance = np.random.default_rng(width)
    data = payloads(chance, 500, width)
    data[:, 0] = columns(chance, 500, "noise")
    data[:, -1] = every_row(data[:, :-1], lambda rest: catalogue.Crc(8, 0x85, initvalue=0x42).calc(rest))
    (check,) = find_checks(data, 0x123)
    assert (check.field.start, check.parameters.polynomial) == (width * 8 - 8, 0x85)
    assert not damaged_of(check, data)


def test_both_checks_of_a_frame_with_one_in_each_half_are_found():
    chance = np.random.default_rng(8)
    data = np.concatenate([moving(chance, 500, 4), moving(chance, 500, 4)], axis=1)
    for first in (0, 4):
        data[:, first + 3] = every_row(data[:, first : first + 3], lambda part: J1850.calc(b"\x77" + part))
    checks = find_checks(data, 0x123)
    assert [check.field.start for check in checks] == [24, 56]
    assert [check.covers for check in checks] == [(0, 1, 2), (4, 5, 6)]


def test_the_check_of_a_frame_with_a_multiplexor_covers_the_whole_payload():
    chance = np.random.default_rng(9)
    data = chance.integers(0, 256, (4, 8), dtype=np.uint8)[np.arange(600) % 4]
    data[:, 1] = np.arange(600) % 4
    data[:, 2] = np.arange(600) // 4
    data[:, 3] = columns(chance, 600, "number")
    data[:, 7] = every_row(data[:, :7], J1850.calc)
    (check,) = find_checks(data, 0x123)
    assert (check.field, check.covers) == (Field(56, 8), (0, 1, 2, 3, 4, 5, 6))
    assert check.form == "CRC-8/SAE-J1850"
    assert (check.parameters.initial, check.parameters.final_xor, check.parameters.hidden_before) == (255, 255, b"")


@pytest.mark.parametrize("width", [12, 24, 64])
@pytest.mark.parametrize(
    ("crc", "size"), [(J1850, 1), (catalogue.Crc16Ibm3740, 2), (catalogue.Crc32Autosar, 4), (catalogue.Crc64Xz, 8)]
)
def test_long_payloads(width, crc, size):
    chance = np.random.default_rng(width)
    data = payloads(chance, 300, width)
    data[:, 10] = columns(chance, 300, "noise")
    value = every_row(data[:, :-size], crc.calc)
    for place in range(size):
        data[:, -1 - place] = value >> np.uint64(8 * place) & np.uint64(255)
    (check,) = find_checks(data, 0x123)
    assert (check.field.first_byte, check.field.length) == (width - size, size * 8)
    assert crc._names[0] == check.form
    assert not damaged_of(check, data)


@pytest.mark.parametrize("first", [True, False])
def test_reassembled_messages_are_tried_at_their_ends(first):
    chance = np.random.default_rng(5)
    data = payloads(chance, 60, 300)
    value = every_row(data[:, 2:] if first else data[:, :-2], catalogue.Crc16Modbus.calc)
    at = 0 if first else 298
    data[:, at], data[:, at + 1] = value & 255, value >> 8
    (check,) = find_checks(data, 0x7E8)
    assert (check.field, check.form) == (Field(at * 8, 16), "CRC-16/MODBUS")
    assert not damaged_of(check, data)


def test_a_linear_check_of_no_known_polynomial_is_solved_for():
    chance = np.random.default_rng(6)
    data = chance.integers(0, 256, (900, 8), dtype=np.uint8)
    data[:, 4:6] = 0
    mix = chance.integers(0, 2, (56, 8))
    bits = np.unpackbits(data[:, :7], axis=1)
    data[:, 7] = np.packbits((bits @ mix % 2).astype(np.uint8), axis=1)[:, 0] ^ 0x99
    damaged = damage(chance, data, 0.02)
    (check,) = find_checks(data, 0x123)
    assert (check.field, check.form) == (Field(56, 8), "linear")
    table = np.unpackbits(data, axis=1, bitorder="little")
    for bit, taps in zip(check.field.bit_numbers(), check.parameters.taps, strict=True):
        parity = table[:, list(taps)].sum(axis=1) % 2 ^ check.parameters.constant >> bit % 8 & 1
        assert set(np.flatnonzero(parity != table[:, bit]).tolist()) <= damaged


def test_a_byte_that_changes_once_outside_the_covered_ones_does_not_look_like_damage():
    chance = np.random.default_rng(3)
    data = moving(chance, 800, 8)
    data[:, 0] = np.where(np.arange(800) < 790, 255, 17)
    data[:, 7] = every_row(data[:, 1:7], lambda part: J1850.calc(b"\x01" + part))
    (check,) = find_checks(data, 0x123)
    assert (check.covers, check.damaged) == ((1, 2, 3, 4, 5, 6), ())


def test_a_counter_put_between_hidden_bits_is_found():
    data = np.tile(np.array([0, 0, 0x8F, 0, 0, 0, 7, 1], dtype=np.uint8), (200, 1))
    data[:, 1] = np.arange(200) % 16
    data[:, 0] = every_row(data[:, 1:2], lambda byte: J1850.calc(bytes([byte[0] << 3 & 255])))
    (check,) = find_checks(data, 0x123)
    assert (check.field, check.parameters.bits, check.parameters.bits_behind) == (Field(0, 8), Field(8, 4), 3)
    assert not check.proved


@pytest.mark.parametrize("behind", [1, 3, 29])
def test_where_the_rest_changes_seldom_a_counter_among_hidden_bits_has_a_constant_for_each(behind):
    chance = np.random.default_rng(7)
    rests = chance.integers(0, 256, (2, 8), dtype=np.uint8)
    data = rests[(np.arange(300) > 180).astype(int)]
    data[:, 1] = np.arange(300) % 8 * 32 + 5
    shifted = [(int(row[1] >> 5) << behind).to_bytes(8, "big") for row in data]
    crcs = [
        catalogue.Crc(8, 0x1D).calc(part) ^ J1850.calc(row[2:].tobytes())
        for part, row in zip(shifted, data, strict=True)
    ]
    data[:, 0] = crcs
    data[250] = chance.integers(0, 256, 8)
    (check,) = find_checks(data, 0x123)
    assert (check.field, check.parameters.bits, check.parameters.bits_behind) == (Field(0, 8), Field(13, 3), behind)
    assert len(check.parameters.constants_by_rest) == 2
    assert check.damaged == (250,)
    assert (check.rank, check.proved) == (3, False)
