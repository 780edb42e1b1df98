"""Fields with all that says where they are: as records and back, and their samples."""

import json

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from decoder.bits import Field, field_of_frame
from decoder.discovery.field_at import FieldAt, Sampled, StreamKey, from_record, key_of, to_record
from decoder.discovery.proposal import Carrier, Selector
from decoder.discovery.streams import streams
from tests.building import capture

SMALL = st.builds(Field, st.integers(0, 40), st.integers(1, 16), st.just("little"), st.just(False))
SELECTORS = st.recursive(
    st.none(), lambda inner: st.builds(Selector, SMALL, st.none() | st.integers(0, 255), inner), max_leaves=3
)
CARRIERS = st.one_of(
    st.none(),
    st.builds(lambda prefix: Carrier("iso-tp", prefix), st.binary(min_size=1, max_size=4)),
    st.builds(lambda pgn: Carrier("j1939-tp", b"", pgn), st.integers(0, 0x3FFFF)),
)
KEYS = st.builds(StreamKey, st.text(max_size=5), st.integers(0, 0x1FFFFFFF), st.booleans(), CARRIERS)


@given(st.builds(FieldAt, KEYS, SMALL, SELECTORS))
def test_a_field_survives_its_record(at):
    assert from_record(json.loads(json.dumps(to_record(at)))) == at


def test_a_record_that_is_none_is_refused():
    good = to_record(FieldAt(StreamKey("can0", 1, extended=False), Field(0, 8)))
    for wrong in ({"byte_order": "middle"}, {"id": "x"}, {"length": 0}, {"transport": {"kind": "pigeon"}}):
        with pytest.raises((KeyError, TypeError, ValueError)):
            from_record({**good, **wrong})


@given(st.lists(st.binary(min_size=8, max_size=8), min_size=1, max_size=30), SMALL, st.integers(0, 3))
def test_samples_are_those_of_the_payloads_under_the_selector(payloads, field, value):
    (stream,) = streams(capture([(0.1 * at, 0x123, row, 0) for at, row in enumerate(payloads)]))
    chosen = Field(62, 2)
    at = FieldAt(key_of(stream), field, Selector(chosen, value))
    time_ns, raw = Sampled([stream]).raw(at)
    wanted = [n for n, row in enumerate(payloads) if field_of_frame(row, chosen) == value]
    assert raw.tolist() == [field_of_frame(payloads[n], field) for n in wanted]
    assert np.array_equal(time_ns, stream.time_ns[wanted])


def test_a_field_beyond_the_payload_has_no_samples():
    (stream,) = streams(capture([(0.0, 0x123, b"\x01\x02", 0)]))
    time_ns, raw = Sampled([stream]).raw(FieldAt(key_of(stream), Field(16, 8)))
    assert len(time_ns) == len(raw) == 0
