"""The end-to-end profiles of AUTOSAR: payloads with the document's layout are found and called by their number."""

from __future__ import annotations

import numpy as np
import pytest
from crccheck import crc as catalogue

from decoder.bits import Field
from decoder.discovery.checks import find_checks
from tests.discovery.checks.payloads import columns, damage, every_row, payloads
from tests.discovery.checks.recalculation import damaged_of


def with_counter(seed, width, at, values, mask=15):
    chance = np.random.default_rng(seed)
    data = payloads(chance, 600, width)
    data[:, at] = np.arange(600) % values | (int(data[0, at]) & ~mask & 255)
    data[:, at + 2] = columns(chance, 600, "number")
    return chance, data


@pytest.mark.parametrize("identifier", [b"\x23\x01", b"\x23", b"\x23\x00"], ids=["both", "low", "nibble"])
def test_profile_1(identifier):
    chance, data = with_counter(1, 8, 1, 15)
    data[:, 0] = every_row(data[:, 1:], lambda rest: catalogue.Crc(8, 0x1D).calc(identifier + rest))
    damaged = damage(chance, data, 0.03)
    (check,) = find_checks(data, 0x123)
    assert (check.field, check.form) == (Field(0, 8), "AUTOSAR end-to-end profile 1 or 11")
    assert damaged_of(check, data) == set(check.damaged) <= damaged


def test_profile_1_alternate():
    _, data = with_counter(2, 8, 1, 15)
    data[:, 0] = every_row(
        data[:, 1:], lambda rest: catalogue.Crc(8, 0x1D).calc(bytes([(0x23, 0x01)[rest[0] & 1]]) + rest)
    )
    (check,) = find_checks(data, 0x123)
    assert check.form == "AUTOSAR end-to-end profile 1 or 11, alternate"
    assert check.parameters.counter == Field(8, 1)
    assert not damaged_of(check, data)


def test_profile_2_has_a_constant_for_each_counter_value():
    chance, data = with_counter(3, 8, 1, 16)
    hidden = chance.integers(0, 256, 16).tolist()
    data[:, 0] = every_row(data[:, 1:], lambda rest: catalogue.Crc8Autosar.calc(rest + bytes([hidden[rest[0] & 15]])))
    (check,) = find_checks(data, 0x123)
    assert check.form == "AUTOSAR end-to-end profile 2 or 22"
    assert check.parameters.counter == Field(8, 4)
    assert len(check.parameters.constants) == 16
    assert not damaged_of(check, data)


@pytest.mark.parametrize("offset", [0, 8])
def test_profile_5(offset):
    _, data = with_counter(4, 16, offset + 2, 256, 255)
    order = [byte for byte in range(16) if byte not in {offset, offset + 1}]
    value = every_row(data[:, order], lambda rest: catalogue.Crc16Ibm3740.calc(rest + b"\x34\x12"))
    data[:, offset], data[:, offset + 1] = value & 255, value >> 8
    (check,) = find_checks(data, 0x123)
    assert (check.field, check.form) == (Field(offset * 8, 16), "AUTOSAR end-to-end profile 5")
    assert check.parameters.hidden_behind == b"\x34\x12"
    assert not damaged_of(check, data)


def test_profile_6():
    _, data = with_counter(5, 16, 4, 256, 255)
    data[:, 2:4] = 0, 16
    value = every_row(data[:, 2:], lambda rest: catalogue.Crc16Ibm3740.calc(rest + b"\x12\x34"))
    data[:, 0], data[:, 1] = value >> 8, value & 255
    (check,) = find_checks(data, 0x123)
    assert (check.field, check.form) == (Field(7, 16, "big"), "AUTOSAR end-to-end profile 6")


@pytest.mark.parametrize(
    ("number", "crc", "first", "size"), [(4, catalogue.Crc32Autosar, 8, 4), (7, catalogue.Crc64Xz, 0, 8)]
)
def test_profiles_of_long_payloads(number, crc, first, size):
    _, data = with_counter(6, 32, 14, 256, 255)
    data[:, 0:2] = 0, 32  # profile 4: the length before the CRC
    data[:, 8:12] = 0, 0, 0, 32  # profile 7: behind it
    order = [byte for byte in range(32) if not first <= byte < first + size]
    value = every_row(data[:, order], crc.calc)
    for place in range(size):
        data[:, first + size - 1 - place] = value >> np.uint64(8 * place) & np.uint64(255)
    (check,) = find_checks(data, 0x123)
    assert (check.field.first_byte, check.form) == (first, f"AUTOSAR end-to-end profile {number}")
    assert not damaged_of(check, data)
