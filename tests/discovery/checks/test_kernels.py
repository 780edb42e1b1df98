"""CRCs by tables of their linear part, against published values and an independent library."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from crccheck import crc as catalogue
from hypothesis import given
from hypothesis import strategies as st

from decoder.discovery.checks.kernels import Kernel, NamedCrc, named_crcs, table_of_bits
from decoder.discovery.checks.relation import CrcRule, crc_without_constants

VECTORS = Path(__file__).parents[2] / "vectors"
WIDTHS = (4, 8, 16, 32, 64)


def lines(name):
    return [line.split() for line in (VECTORS / name).read_text().splitlines() if not line.startswith("#")]


def calculate(row: NamedCrc, data: bytes) -> int:
    rows = np.frombuffer(data, dtype=np.uint8)[None, :]
    return int(crc_without_constants(rows, CrcRule(row.kernel, 0))[0]) ^ row.constant(len(data))


def by_name(name: str, width: int) -> NamedCrc:
    return next(row for row in named_crcs(width) if row.name == name)


@pytest.mark.parametrize("line", lines("crc_check_values.txt"), ids=lambda line: line[0])
def test_the_published_check_value_comes_out(line):
    name, width, polynomial, initial, reflected, final_xor, value = line
    row = by_name(name, int(width))
    kernel = Kernel(int(width), int(polynomial, 16), reflected=reflected == "1")
    assert row == NamedCrc(name, kernel, int(initial, 16), int(final_xor, 16))
    assert calculate(row, b"123456789") == int(value, 16)


@pytest.mark.parametrize("line", lines("crc_autosar_inputs.txt"), ids=lambda line: line[0])
def test_the_published_inputs_give_the_published_crcs(line):
    data = bytes.fromhex(line[0])
    names = ("CRC-8/SAE-J1850", "CRC-8/AUTOSAR", "CRC-16/IBM-3740", "CRC-32/ISO-HDLC", "CRC-32/AUTOSAR")
    values = [calculate(by_name(name, width), data) for name, width in zip(names, (8, 8, 16, 32, 32), strict=True)]
    assert values == [int(value, 16) for value in line[1:]]


@pytest.mark.parametrize("line", lines("end_to_end_profiles.txt"), ids=lambda line: f"{line[0]}-{line[4][:8]}")
def test_the_published_payloads_hold_the_crc_of_the_rest_and_the_hidden_bytes(line):
    profile, before, behind, place, payload = line
    number = int(profile.split("-")[0])
    payload, first = bytes.fromhex(payload), int(place)
    size = {1: 1, 11: 1, 2: 1, 5: 2, 4: 4}[number]
    hidden = [bytes.fromhex(part.replace("-", "")) for part in (before, behind)]
    data = hidden[0] + payload[:first] + payload[first + size :] + hidden[1]
    kernel = {1: Kernel(8, 0x1D, False), 11: Kernel(8, 0x1D, False), 2: Kernel(8, 0x2F, False)}.get(number)
    if number in {1, 11}:  # the initial value and the final XOR of profile 1 cancel those of the CRC routine
        row = NamedCrc("", kernel, 0, 0)
    else:
        row = by_name({2: "CRC-8/AUTOSAR", 5: "CRC-16/IBM-3740", 4: "CRC-32/AUTOSAR"}[number], size * 8)
    order = "little" if number == 5 else "big"
    assert calculate(row, data) == int.from_bytes(payload[first : first + size], order)


@given(
    st.sampled_from([crc for crc in catalogue.ALLCRCCLASSES if crc._width in WIDTHS]),
    st.binary(min_size=1, max_size=70),
)
def test_every_crc_of_the_catalogue_agrees_with_the_library(crc, data):
    assert calculate(by_name(crc._names[0], crc._width), data) == crc.calc(data)


@given(st.integers(0, 255), st.integers(0, 7))
def test_eight_places_of_bits_are_one_of_bytes(byte, places):
    kernel = Kernel(8, 0x2F, reflected=False)
    adds = table_of_bits(kernel, 64)[places * 8, byte]
    assert adds == catalogue.Crc8Opensafety.calc(bytes([byte, *bytes(places)]))
