"""One frame, a column, bitstruct and plain Python integers give the same field."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from decoder.bits import Field, Payloads, as_float, field_of_frame, put_field, raw_range
from tests.strategies import fields

# Bit numbering of DBC files: data A1 B2 C3 D4 E5 F6 07 18, as cantools decodes it.
DATA = bytes.fromhex("A1B2C3D4E5F60718")
VECTORS = [
    (Field(0, 16), 45729),
    (Field(7, 16, "big"), 41394),
    (Field(12, 12), 3131),
    (Field(3, 12, "big"), 434),
    (Field(20, 12), 3404),
    (Field(23, 12, "big"), 3133),
    (Field(29, 3), 6),
    (Field(31, 3, "big"), 6),
    (Field(32, 16, signed=True), -2331),
    (Field(39, 16, "big", signed=True), -6666),
    (Field(36, 20, signed=True), 32622),
    (Field(35, 20, "big", signed=True), 390663),
    (Field(63, 1), 0),
    (Field(53, 10, "big"), 113),
]


def by_integers(payload: bytes, field: Field) -> int:
    """The field picked bit by bit, the slow and obvious way."""
    raw = 0
    for weight, bit in enumerate(field.bit_numbers()):
        raw |= (payload[bit // 8] >> (bit % 8) & 1) << weight
    if field.signed and raw >> (field.length - 1):
        raw -= 1 << field.length
    return raw


@pytest.mark.parametrize(("field", "expected"), VECTORS)
def test_published_examples(field, expected):
    assert field_of_frame(DATA, field) == expected
    assert Payloads(np.frombuffer(DATA, np.uint8)[None]).field(field).tolist() == [expected]


@given(field=fields(64), data=st.data())
def test_one_frame_equals_a_column_equals_plain_integers(field, data):
    width = data.draw(st.sampled_from([w for w in (1, 2, 5, 8, 12, 64) if w > field.last_byte]))
    rows = data.draw(st.lists(st.binary(min_size=width, max_size=width), min_size=1, max_size=5))
    column = Payloads(np.frombuffer(b"".join(rows), np.uint8).reshape(len(rows), width)).field(field)
    expected = [by_integers(row, field) for row in rows]
    assert column.tolist() == expected
    assert [field_of_frame(row, field) for row in rows] == expected


@given(field=fields(16), payload=st.binary(min_size=16, max_size=16), data=st.data())
def test_putting_a_field_changes_only_its_bits(field, payload, data):
    raw = data.draw(st.integers(*raw_range(field)))
    put = put_field(payload, field, raw)
    assert field_of_frame(put, field) == raw
    changed = int.from_bytes(put, "little") ^ int.from_bytes(payload, "little")
    assert changed & ~sum(1 << bit for bit in field.bit_numbers()) == 0


@pytest.mark.parametrize(("hexes", "length", "expected"), [("00006040", 32, 3.5), ("000000000040 29C0", 64, -12.625)])
def test_little_endian_floats(hexes, length, expected):
    payload = np.frombuffer(bytes.fromhex(hexes), np.uint8)[None]
    assert as_float(Payloads(payload).field(Field(0, length)), length).tolist() == [expected]


def test_big_endian_float():
    payload = np.frombuffer(bytes.fromhex("BE800000"), np.uint8)[None]
    assert as_float(Payloads(payload).field(Field(7, 32, "big")), 32).tolist() == [-0.25]


def test_a_float_of_eleven_bits_is_refused():
    with pytest.raises(ValueError, match="16, 32 or 64"):
        as_float(np.zeros(1, np.int64), 11)


@pytest.mark.parametrize(("start", "length"), [(0, 0), (0, 65), (-1, 8)])
def test_impossible_fields_are_refused(start, length):
    with pytest.raises(ValueError, match="a field"):
        Field(start, length)


def test_a_field_past_the_payload_is_refused():
    with pytest.raises(ValueError, match="byte 2"):
        field_of_frame(b"\x00\x00", Field(16, 8))
    with pytest.raises(ValueError, match="byte 8"):
        Payloads(np.zeros((1, 8), np.uint8)).field(Field(60, 8))
    with pytest.raises(ValueError, match="does not fit"):
        put_field(bytes(8), Field(0, 4), 16)
