"""What is on the wire: timing, bursts, lengths, changing bits, transports."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from decoder.discovery import survey as module
from decoder.discovery.survey import extreme_gaps, rhythm, survey
from decoder.frames import ERROR, FD, REMOTE
from decoder.transport.iso_tp import conversations
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


def test_the_least_and_the_most_gap_and_when_the_latter_began():
    one = only(capture([(t, 0x123, b"") for t in (1.0, 1.02, 1.05, 3.05, 3.06)]))
    assert one.shortest_gap_ms == pytest.approx(10)
    assert one.longest_gap_ms == pytest.approx(2000)
    assert one.longest_gap_ns == 1_050_000_000


@pytest.mark.parametrize("times", [[], [5], [5, 4, 3]])
def test_without_a_step_forward_there_is_no_gap(times):
    assert extreme_gaps(np.array(times, np.int64)) == (None, None, None)


def test_a_backward_step_is_no_gap():
    assert extreme_gaps(np.array([0, 3_000_000, 1_000_000, 2_000_000], np.int64)) == (1.0, 3.0, 0)


def test_the_load_of_an_identifier_is_what_its_frames_take_at_most():
    # 34 + 64 + 13 bits and 24 stuff bits (see bus_load.py); 100 of them in 1.98 s.
    one = only(capture([(0.02 * n, 0x123, bytes(8)) for n in range(100)]))
    assert one.load_percent == pytest.approx(100 * 135 * 100 / (1.98 * 500_000))


def test_loads_of_identifiers_add_up_to_that_of_the_bus():
    rows = [(0.01 * n, 0x100 + n % 3, bytes(n % 9)) for n in range(200)]
    rows += [(2.0, 0x18FF0001, bytes(8), 1), (3.0, 0x300, bytes(8), 1)]
    found = survey(capture(rows, ("can0", "can1")), 250_000)
    for load in found.loads:
        own = [one.load_percent for one in found.identifiers if one.bus == load.bus]
        assert sum(own) == pytest.approx(load.most_percent)


def test_frames_of_can_fd_are_in_no_load():
    found = survey(capture([(n, 0x123, bytes(32), 0, FD) for n in range(3)]))
    assert found.identifiers[0].load_percent == 0


def test_a_capture_without_length_has_no_load():
    found = survey(capture([(1.0, 0x123, bytes(8)), (1.0, 0x124, bytes(8))]))
    assert found.length_s == 0
    assert [one.load_percent for one in found.identifiers] == [0, 0]


def test_remote_frames_are_counted_by_bus():
    rows = [(0, 0x123, b""), (1, 0x123, b"", 1, REMOTE), (2, 0x124, b"", 1, REMOTE), (3, 0x004, bytes(8), 0, ERROR)]
    assert survey(capture(rows, ("can0", "can1"))).remote_frames == (0, 2)


def test_conversations_that_are_known_are_not_looked_for_again(monkeypatch):
    talk = [(n, b"\x22\x01\x01", b"\x62\x01\x01" + bytes(range(n, n + 20))) for n in range(5)]
    frames = capture(conversation(talk))
    whole, transfers = survey(frames), conversations(frames).transfers
    monkeypatch.setattr(module, "conversations", None)
    assert survey(frames, transfers=transfers) == whole
