"""Fields with their ends moved and their byte order turned."""

from hypothesis import given
from hypothesis import strategies as st

from decoder.bits import Field, field_of_frame
from decoder.discovery.workbench.borders import GRIPS, fits, moved, span, spanning, turned
from tests.strategies import fields

BYTES = 12


@given(fields(BYTES))
def test_a_span_gives_the_field_back(field):
    assert spanning(*span(field), field.byte_order, signed=field.signed) == field


@given(fields(BYTES), st.sampled_from(GRIPS), st.integers(-200, 200))
def test_moving_never_leaves_the_payload_and_keeps_what_it_does_not_move(field, grip, bits):
    after = moved(field, grip, bits, BYTES)
    assert fits(after, BYTES)
    assert 1 <= after.length <= 64
    assert (after.byte_order, after.signed) == (field.byte_order, field.signed)
    before, now = span(field), span(after)
    if grip == "begin":
        assert now[1] == before[1]
    elif grip == "end":
        assert now[0] == before[0]
    else:
        assert after.length == field.length
    if grip == "whole" and before[0] + bits >= 0 and before[1] + bits < 8 * BYTES:
        assert now == (before[0] + bits, before[1] + bits)


@given(fields(BYTES), st.sampled_from(GRIPS))
def test_a_bit_there_and_back_is_where_it_was_unless_an_end_was_in_the_way(field, grip):
    there = moved(field, grip, 1, BYTES)
    if there != field:
        assert moved(there, grip, -1, BYTES) == field


@given(fields(BYTES))
def test_turned_twice_is_as_before_and_the_bytes_are_the_same(field):
    other = turned(field)
    assert other.byte_order != field.byte_order
    assert other.length == field.length
    assert (other.first_byte, other.last_byte) == (field.first_byte, field.last_byte)
    assert turned(other) == field


@given(fields(BYTES), st.binary(min_size=BYTES, max_size=BYTES))
def test_turned_reads_from_the_payload_with_those_bytes_the_other_way_round_what_was_read_before(field, payload):
    first, last = field.first_byte, field.last_byte
    mirrored = payload[:first] + payload[first : last + 1][::-1] + payload[last + 1 :]
    assert field_of_frame(payload, field) == field_of_frame(mirrored, turned(field))


def test_a_big_endian_field_grows_at_its_begin_towards_the_most_significant_bit():
    grown = moved(Field(10, 8, "big"), "begin", -5, 8)
    assert grown == Field(15, 13, "big")
    assert moved(Field(16, 8), "end", 4, 8) == Field(16, 12)
