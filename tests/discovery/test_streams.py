"""What is carved of a capture: payloads by identifier, and whole messages instead of the frames that carry them."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoder.discovery.streams import streams
from decoder.frames import ERROR, REMOTE
from decoder.transport.iso_tp import conversations
from tests.building import capture, conversation, cut_up


def payload_rows(lengths, can_id=0x123):
    return [(0.01 * at, can_id, bytes([at % 256] * length)) for at, length in enumerate(lengths)]


def only(frames):
    (stream,) = streams(frames)
    return stream


def test_streams_come_by_bus_and_identifier():
    rows = [
        (0.0, 0x200, b"\x01", 1),
        (0.1, 0x18FF0017, b"\x02", 0),
        (0.2, 0x100, b"\x03", 1),
        (0.3, 0x100, b"\x04", 0),
        (0.4, 0x100, b"\x05", 1),
    ]
    found = streams(capture(rows, ("can0", "can1")))
    assert [(one.bus, one.can_id, one.extended) for one in found] == [
        ("can0", 0x100, False),
        ("can0", 0x18FF0017, True),
        ("can1", 0x100, False),
        ("can1", 0x200, False),
    ]
    assert found[2].data.tolist() == [[3], [5]]
    assert found[2].row.tolist() == [2, 4]
    assert found[2].time_ns.tolist() == [200_000_000, 400_000_000]
    assert all(one.carrier is None for one in found)


def test_a_few_short_payloads_are_left_out():
    stream = only(capture(payload_rows([8] * 40 + [3] + [8] * 40)))
    assert stream.data.shape == (80, 8)
    assert 40 not in stream.row


def test_a_few_long_payloads_are_cut_to_the_usual_length():
    stream = only(capture(payload_rows([4] * 40 + [8, 8] + [4] * 40)))
    assert stream.data.shape == (82, 4)


@settings(max_examples=40)
@given(st.lists(st.integers(0, 8), min_size=1, max_size=60))
def test_only_bytes_that_were_sent_are_carved(lengths):
    frames = capture(payload_rows(lengths))
    for stream in streams(frames):
        width = stream.data.shape[1]
        assert width > 0
        assert (frames.length[stream.row] >= width).all()
        assert len(stream.row) >= 0.5 * len(lengths)
        for row, data in zip(stream.row.tolist(), stream.data, strict=True):
            assert frames.data[row, :width].tolist() == data.tolist()


@pytest.mark.parametrize("rows", [[], payload_rows([0] * 20)])
def test_where_there_is_no_payload_there_is_no_stream(rows):
    assert streams(capture(rows)) == []


@pytest.mark.parametrize("flag", [REMOTE, ERROR])
def test_remote_and_error_frames_carry_nothing(flag):
    assert streams(capture([(0.1 * at, 0x123, b"", 0, flag) for at in range(9)])) == []
    mixed = [(0.1 * at, 0x123, b"\x07", 0, 0 if at % 2 else flag) for at in range(10)]
    assert all(one.row.tolist() == [1, 3, 5, 7, 9] for one in streams(capture(mixed)))


def test_all_bytes_of_can_fd_are_carved():
    assert only(capture(payload_rows([64] * 5))).data.shape == (5, 64)


def asked(count, tail=30):
    """Questions for one block with long answers, of which one byte counts."""
    answers = [bytes([0x62, 0x01, 0x01, at]) + bytes(range(tail)) for at in range(count)]
    return [(1.0 + 0.5 * at, b"\x22\x01\x01", answer) for at, answer in enumerate(answers)]


def test_answers_are_carved_as_messages_and_their_frames_are_not():
    rows = conversation(asked(12)) + payload_rows([8] * 30)
    frames = capture(sorted(rows))
    found = {one.can_id: one for one in streams(frames)}
    answers = found[0x6EA]
    assert answers.carrier.kind == "iso-tp"
    assert answers.carrier.prefix == b"\x62\x01\x01"
    assert answers.carrier.pgn is None
    assert answers.data.shape == (12, 34)
    assert answers.data[:, :3].tolist() == [[0x62, 1, 1]] * 12
    assert answers.data[:, 3].tolist() == list(range(12))
    assert (frames.can_id[answers.row] == 0x6EA).all()
    assert np.array_equal(frames.time_ns[answers.row], answers.time_ns)
    assert found[0x123].carrier is None
    assert all(one.carrier is not None for one in found.values() if one.can_id in {0x6E2, 0x6EA})


def test_each_block_is_a_stream_of_its_own():
    talk = []
    for at in range(10):
        block = 1 + at % 2
        answer = bytes([0x62, 0x01, block, at]) + bytes(12 + block)
        talk.append((1 + 0.5 * at, bytes([0x22, 0x01, block]), answer))
    found = [one for one in streams(capture(conversation(talk))) if one.can_id == 0x6EA]
    assert [(one.carrier.prefix, one.data.shape) for one in found] == [
        (b"\x62\x01\x01", (5, 17)),
        (b"\x62\x01\x02", (5, 18)),
    ]


def test_known_transfers_are_taken_as_given():
    frames = capture(sorted(conversation(asked(6)) + payload_rows([8] * 30)))
    known = streams(frames, conversations(frames).transfers)
    found = streams(frames)
    assert [(one.can_id, one.carrier) for one in known] == [(one.can_id, one.carrier) for one in found]
    assert all(np.array_equal(one.data, other.data) for one, other in zip(known, found, strict=True))


def test_a_message_that_lost_a_frame_is_left_out():
    rows = conversation(asked(10))
    broken = [at for at, row in enumerate(rows) if row[1] == 0x6EA][8]
    del rows[broken]
    answers = next(one for one in streams(capture(rows)) if one.can_id == 0x6EA)
    assert len(answers.data) == 9


def announced(pgn, source, payload):
    """Frames of SAE J1939-21 that broadcast a long group: the announcement, then seven bytes each."""
    packets = -(-len(payload) // 7)
    opening = bytes([0x20, *len(payload).to_bytes(2, "little"), packets, 0xFF, *pgn.to_bytes(3, "little")])
    yield 0x1CECFF00 | source, opening
    for number in range(packets):
        yield 0x1CEBFF00 | source, bytes([number + 1]) + payload[7 * number : 7 * number + 7].ljust(7, b"\xff")


def test_long_groups_are_carved_by_their_number():
    rows = []
    for at in range(8):
        group = 0xFF10 if at % 2 else 0xFF11
        payload = bytes([at]) * (20 if at % 2 else 23)
        frames = announced(group, 0x9C, payload)
        rows += [(0.5 * at + 0.06 * number, can_id, data) for number, (can_id, data) in enumerate(frames)]
    found = streams(capture(rows))
    assert [(one.carrier.kind, one.carrier.pgn, one.data.shape) for one in found] == [
        ("j1939-tp", 0xFF10, (4, 20)),
        ("j1939-tp", 0xFF11, (4, 23)),
    ]
    assert found[0].data[:, 0].tolist() == [1, 3, 5, 7]
    assert all(one.carrier.prefix == b"" for one in found)


def test_single_frames_are_messages_too_where_there_is_talk():
    talk = [(1 + 0.5 * at, b"\x22\x01\x07", bytes([0x62, 0x01, 0x07, at])) for at in range(20)]
    talk += [(20 + 0.5 * at, question, answer) for at, (_, question, answer) in enumerate(asked(6))]
    found = [one for one in streams(capture(conversation(talk))) if one.can_id == 0x6EA]
    assert [(one.carrier.prefix.hex(), one.data.shape) for one in found] == [("620101", (6, 34)), ("620107", (20, 4))]
    assert len(cut_up(talk[0][2])) == 1
