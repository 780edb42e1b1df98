"""What is on the wire: timing, bursts, lengths, changing bits, transports."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from decoder.discovery.survey import rhythm, survey
from tests.building import capture, conversation


def only(frames):
    (one,) = survey(frames).identifiers
    return one


def test_a_regular_frame_has_its_period_and_no_jitter():
    one = only(capture([(0.02 * n, 0x123, bytes(8)) for n in range(100)]))
    assert (one.period_ms, one.jitter_ms, one.burst) == (pytest.approx(20), pytest.approx(0, abs=1e-6), 1)


def test_jitter_is_half_of_where_nine_in_ten_gaps_lie():
    gaps = np.random.default_rng(1).integers(9_000_000, 11_000_000, 10_000, endpoint=True)
    period_ms, jitter_ms, burst = rhythm(np.cumsum(gaps))
    assert (period_ms, jitter_ms, burst) == (pytest.approx(10, abs=0.1), pytest.approx(0.9, abs=0.02), 1)


@pytest.mark.parametrize("size", [2, 3, 9])
def test_frames_that_come_together_are_a_burst_with_one_period(size):
    rows = [(0.1 * turn + 0.0003 * n, 0x123, bytes([n])) for turn in range(30) for n in range(size)]
    one = only(capture(rows))
    assert (one.burst, one.period_ms) == (size, pytest.approx(100))


def test_a_single_lost_frame_makes_no_burst():
    one = only(capture([(0.02 * n, 0x123, bytes(8)) for n in range(100) if n != 50]))
    assert (one.burst, one.period_ms) == (1, pytest.approx(20))


@pytest.mark.parametrize("count", [1, 2])
def test_fewer_than_three_frames_have_no_period(count):
    one = only(capture([(n, 0x123, bytes(8)) for n in range(count)]))
    assert (one.period_ms, one.jitter_ms) == (None, None)


def test_a_clock_that_jumps_back_does_not_make_a_period():
    times = [0.01 * n for n in range(50)] + [0.01 * n for n in range(50)]
    assert only(capture([(t, 0x123, b"") for t in times])).period_ms == pytest.approx(10)


def test_lengths_are_counted_and_bits_are_of_the_bytes_that_all_frames_have():
    one = only(capture([(0, 0x123, b"\x01\x02\x03"), (1, 0x123, b"\x05\x02"), (2, 0x123, b"\x01\x02\xff")]))
    assert dict(one.lengths) == {2: 1, 3: 2}
    assert (one.changing, one.constant, one.changing_bits) == (b"\x04\x00", {1: 2}, 1)


@given(st.lists(st.binary(min_size=4, max_size=4), min_size=1, max_size=30))
def test_changing_bits_are_those_that_two_frames_differ_in(payloads):
    one = only(capture([(n, 0x123, payload) for n, payload in enumerate(payloads)]))
    differing = 0
    for payload in payloads:
        differing |= int.from_bytes(payload) ^ int.from_bytes(payloads[0])
    assert int.from_bytes(one.changing) == differing
    assert one.changing_bits == differing.bit_count()
    assert all(payload[at] == value for payload in payloads for at, value in one.constant.items())
    assert {at for at, byte in enumerate(one.changing) if not byte} == set(one.constant)


def test_the_transport_is_named():
    talk = [(n, b"\x22\x01\x01", b"\x62\x01\x01" + bytes(range(n, n + 20))) for n in range(5)]
    rows = (
        conversation(talk)
        + [(n + 0.5, 0x1CECFF00, bytes(8)) for n in range(3)]
        + [(n, 0x100, b"\x01") for n in range(9)]
    )
    found = survey(capture(sorted(rows, key=lambda row: row[0])))
    kinds = {one.can_id: one.transport for one in found.identifiers}
    assert kinds == {0x6E2: "iso-tp", 0x6EA: "iso-tp", 0x1CECFF00: "j1939-tp", 0x100: None}


def test_identifiers_stand_by_bus_and_number():
    rows = [(0, 0x200, b"", 1), (1, 0x300, b""), (2, 0x100, b"", 1), (3, 0x18FF0001, b"")]
    found = survey(capture(rows, ("can0", "can1"))).identifiers
    assert [(one.bus, one.can_id) for one in found] == [
        ("can0", 0x300), ("can0", 0x18FF0001), ("can1", 0x100), ("can1", 0x200),
    ]  # fmt: skip


def test_a_capture_without_frames_has_no_identifiers():
    assert survey(capture([])).identifiers == ()
