"""Bits that never change: text, and constants."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from decoder.bits import Field, field_of_frame
from decoder.discovery.carving.resting import resting_fields
from decoder.discovery.proposal import Selector


def resting(payload, open_=None, selector=None):
    data = np.frombuffer(payload, np.uint8)[None].repeat(3, axis=0)
    mask = np.ones(8 * len(payload), np.bool_) if open_ is None else open_
    return list(resting_fields(data, mask, selector))


def bits_of(proposals):
    return sorted(bit for one in proposals for bit in one.field.bit_numbers())


def test_a_text_is_found_and_read():
    (before, text) = sorted(resting(b"\x00\x01ZX81-7"), key=lambda one: one.field.start)
    assert (before.kind, before.field, before.detail["value"]) == ("constant", Field(7, 16, "big"), 1)
    assert (text.kind, text.field, text.detail["text"]) == ("text", Field(2 * 8 + 7, 48, "big"), "ZX81-7")


def test_a_long_text_is_told_in_pieces_that_fit_a_field():
    words = b"BENCH UNIT 0042 REV B"
    found = sorted(resting(words), key=lambda one: one.field.start)
    assert {one.kind for one in found} == {"text"}
    assert "".join(one.detail["text"] for one in found).encode() == words
    assert max(one.field.length for one in found) <= 64


def test_two_letters_stuffing_and_signs_are_no_text():
    for payload in (b"OK\x00\x00", b"UUUUUUUU", b"        ", b"AAAAAAAA", b"#$%&*()!", b"\x80\x81\x82\x83"):
        assert {one.kind for one in resting(payload)} == {"constant"}, payload


def test_bits_that_are_not_open_belong_to_others():
    open_ = np.ones(64, np.bool_)
    open_[3:5] = False
    open_[16:24] = False
    found = resting(bytes(8), open_)
    assert bits_of(found) == np.flatnonzero(open_).tolist()
    places = {one.field for one in found}
    assert Field(0, 3) in places
    assert Field(5, 3) in places
    assert Field(15, 8, "big") in places
    assert Field(31, 40, "big") in places


def test_letters_that_a_field_runs_into_are_no_text():
    open_ = np.ones(32, np.bool_)
    open_[9] = False
    assert all(one.kind == "constant" for one in resting(b"CELL", open_))


def test_they_stand_under_the_given_multiplexor():
    selector = Selector(Field(0, 8), 3)
    assert {one.multiplexor for one in resting(b"\x01\x02", None, selector)} == {selector}


def test_no_payloads_no_fields():
    assert list(resting_fields(np.empty((0, 8), np.uint8), np.ones(64, np.bool_), None)) == []
    assert list(resting_fields(np.empty((3, 0), np.uint8), np.ones(0, np.bool_), None)) == []


payloads = st.one_of(st.binary(min_size=1, max_size=20), st.text("AZ09 -U\0\x7f", min_size=1).map(str.encode))


@given(payloads, st.data())
def test_all_open_bits_are_told_once_with_their_value(payload, data):
    open_ = np.array(data.draw(st.lists(st.booleans(), min_size=len(payload) * 8, max_size=len(payload) * 8)), np.bool_)
    found = resting(payload, open_)
    assert bits_of(found) == np.flatnonzero(open_).tolist()
    for one in found:
        assert one.detail["changes"] == 0
        assert 0 < one.confidence < 1
        if one.kind == "text":
            assert int.from_bytes(one.detail["text"].encode(), "big") == field_of_frame(payload, one.field)
        else:
            assert one.detail["value"] == field_of_frame(payload, one.field)
