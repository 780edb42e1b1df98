"""Faults of ISO 15765-2 receptions (clauses 9.6.4, 9.7, 9.8), each made by hand, and captures that are nonsense."""

import tracemalloc

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoder.frames import ERROR, FD, REMOTE, Frames
from decoder.transport.exchanges import exchanges
from decoder.transport.iso_tp import conversations
from decoder.transport.transfers import Fault
from tests.building import capture, conversation
from tests.transport.test_iso_tp import check_shape

QUESTION, ANSWER = 0x7E0, 0x7E8
PAYLOAD = bytes.fromhex("625000") + bytes(range(1, 38))  # 40 bytes: a first frame and five more
GO_ON = (QUESTION, bytes.fromhex("300000AAAAAAAAAA"))


def parts(payload=PAYLOAD, can_id=ANSWER):
    frames = [(can_id, (0x1000 | len(payload)).to_bytes(2, "big") + payload[:6])]
    for number, at in enumerate(range(6, len(payload), 7), start=1):
        body = payload[at : at + 7].ljust(7, b"\xaa")
        frames.append((can_id, bytes([0x20 | number % 16]) + body))
    return frames


def ask(hex_payload):
    payload = bytes.fromhex(hex_payload)
    return QUESTION, bytes([len(payload)]) + payload.ljust(7, b"\xaa")


def told(frames, start=1.0):
    """Rows of a capture, 5 ms from frame to frame; a number in the list is a pause in seconds."""
    rows, clock = [], start
    for one in frames:
        if isinstance(one, tuple):
            clock += 0.005
            rows.append((clock, *one))
        else:
            clock += one
    return rows


def read(frames, before=(), after=()):
    """What became of the answers: (fault, length, received); a whole exchange in front leaves no doubt."""
    first = parts(bytes.fromhex("62F190") + bytes(20))
    known = [ask("22F190"), first[0], GO_ON, *first[1:]]
    rows = told([*before, *known, 0.1, ask("225000"), *frames, *after])
    got = conversations(capture(rows))
    check_shape(capture(rows), got)
    transfers = got.transfers
    answers = [n for n in range(len(transfers)) if transfers.paths[transfers.path[n]].key.can_id == ANSWER]
    assert transfers.payload(answers[0]) == bytes.fromhex("62F190") + bytes(20)
    return [(Fault(transfers.fault[n]), int(transfers.length[n]), transfers.payload(n)) for n in answers[1:]]


first, *others = parts()


def test_without_a_fault_all_arrives():
    assert read([first, GO_ON, *others]) == [(Fault.NONE, 40, PAYLOAD)]


def test_a_wrong_number_ends_the_message():
    wrong = (ANSWER, b"\x25" + others[1][1][1:])
    assert read([first, GO_ON, others[0], wrong, *others[2:]]) == [(Fault.SEQUENCE, 40, PAYLOAD[:13])]


def test_two_frames_exchanged_end_the_message():
    swapped = [others[0], others[2], others[1], *others[3:]]
    assert read([first, GO_ON, *swapped]) == [(Fault.SEQUENCE, 40, PAYLOAD[:13])]


def test_a_frame_that_comes_twice_counts_once():
    twice = [one for frame in [first, *others] for one in (frame, frame)]
    assert read([*twice[:2], GO_ON, *twice[2:]]) == [(Fault.NONE, 40, PAYLOAD)]


@pytest.mark.parametrize(("place", "size"), [(1, 7), (1, 2), (4, 6), (4, 2)])
def test_a_frame_with_too_little_in_it_ends_the_message(place, size):
    """Only the last one may be shorter, and not shorter than what is left: six bytes here."""
    short = [*others[:place], (ANSWER, others[place][1][:size]), *others[place + 1 :]]
    assert read([first, GO_ON, *short]) == [(Fault.SEQUENCE, 40, PAYLOAD[: 6 + 7 * place])]


def test_the_last_frame_may_be_as_short_as_what_is_left():
    assert read([first, GO_ON, *others[:4], (ANSWER, others[4][1][:7])]) == [(Fault.NONE, 40, PAYLOAD)]


@pytest.mark.parametrize("gone", range(4))
def test_a_missing_frame_is_missing(gone):
    rest = others[:gone] + others[gone + 1 :]
    assert read([first, GO_ON, *rest, 0.1, ask("3E00"), (ANSWER, bytes.fromhex("027E00AAAAAAAAAA"))]) == [
        (Fault.MISSING, 40, PAYLOAD[: 6 + 7 * gone]),
        (Fault.NONE, 2, b"\x7e\x00"),
    ]


def test_a_missing_last_frame_is_missing_where_something_follows():
    assert read([first, GO_ON, *others[:-1], ask("3E00"), (ANSWER, bytes.fromhex("027E00AAAAAAAAAA"))])[0] == (
        Fault.MISSING,
        40,
        PAYLOAD[:34],
    )


def test_a_missing_first_frame_leaves_a_message_without_length():
    got = read([GO_ON, *others], after=[ask("3E00"), (ANSWER, bytes.fromhex("027E00AAAAAAAAAA"))])
    assert got == [(Fault.MISSING, -1, b""), (Fault.NONE, 2, b"\x7e\x00")]


def test_a_new_first_frame_ends_the_message_before_it():
    assert read([first, GO_ON, *others[:2], first, GO_ON, *others]) == [
        (Fault.MISSING, 40, PAYLOAD[:20]),
        (Fault.NONE, 40, PAYLOAD),
    ]


@pytest.mark.parametrize("before", range(5))
def test_a_pause_of_1200_ms_is_a_time_out(before):
    frames = [first, GO_ON, *others[:before], 1.2, *others[before:]]
    assert read(frames) == [(Fault.TIME_OUT, 40, PAYLOAD[: 6 + 7 * before])]


@pytest.mark.parametrize("before", range(5))
def test_a_pause_of_900_ms_is_none(before):
    assert read([first, GO_ON, *others[:before], 0.9, *others[before:]]) == [(Fault.NONE, 40, PAYLOAD)]


def test_a_receiver_that_asks_to_wait_keeps_the_message_alive():
    wait = (QUESTION, bytes.fromhex("310000AAAAAAAAAA"))
    frames = [first, wait, 0.9, wait, 0.9, wait, 0.9, GO_ON, 0.9, *others]
    assert read(frames) == [(Fault.NONE, 40, PAYLOAD)]


def test_a_receiver_that_asks_to_wait_and_falls_silent_does_not():
    wait = (QUESTION, bytes.fromhex("310000AAAAAAAAAA"))
    assert read([first, wait, 0.9, wait, 1.2, *others]) == [(Fault.TIME_OUT, 40, PAYLOAD[:6])]


def test_frames_that_never_come_are_a_time_out_once_a_second_has_passed():
    assert read([first, GO_ON, others[0]], after=[1.2, (0x123, b"\xff")]) == [(Fault.TIME_OUT, 40, PAYLOAD[:13])]


def test_a_receiver_that_has_no_room_ends_the_message():
    assert read([first, (QUESTION, bytes.fromhex("320000AAAAAAAAAA"))]) == [(Fault.OVERFLOW, 40, PAYLOAD[:6])]


def test_the_end_of_the_capture_cuts_off():
    assert read([first, GO_ON, others[0]]) == [(Fault.CUT_OFF, 40, PAYLOAD[:13])]


def test_the_begin_of_the_capture_cuts_off():
    rows = told([*others, ask("225000"), first, GO_ON, *others])
    transfers = conversations(capture(rows)).transfers
    assert [(Fault(fault), int(length)) for fault, length in zip(transfers.fault, transfers.length, strict=True)] == [
        (Fault.CUT_OFF, -1),
        (Fault.NONE, 3),
        (Fault.NONE, 40),
    ]


def test_a_length_of_32_bits():
    payload = bytes.fromhex("625000") + bytes(number % 251 for number in range(4997))
    frames = [(ANSWER, b"\x10\x00" + (5000).to_bytes(4, "big") + payload[:2])]
    for number, at in enumerate(range(2, 5000, 7), start=1):
        frames.append((ANSWER, bytes([0x20 | number % 16]) + payload[at : at + 7]))
    assert read([frames[0], GO_ON, *frames[1:]]) == [(Fault.NONE, 5000, payload)]


def test_a_length_that_never_comes_takes_no_room():
    huge = (ANSWER, bytes.fromhex("1000FFFFFFFF6250"))
    tracemalloc.start()
    got = read([huge, GO_ON, *others] * 50)
    assert tracemalloc.get_traced_memory()[1] < 20e6
    tracemalloc.stop()
    assert {one[:2] for one in got} == {(Fault.MISSING, 2**32 - 1), (Fault.CUT_OFF, 2**32 - 1)}


def test_a_clock_set_back_inside_a_message_ends_it():
    before = told([ask("225000"), first, GO_ON, *others, 0.1, ask("225000"), first, GO_ON, *others[:2]], start=5000.0)
    after = told([*others[2:], ask("225000"), first, GO_ON, *others], start=20.0)
    transfers = conversations(capture(before + after)).transfers
    assert Fault(transfers.fault[3]) == Fault.CUT_OFF
    assert transfers.payload(3) == PAYLOAD[:20]
    assert Fault(transfers.fault[-1]) == Fault.NONE


def test_equal_time_stamps_do_no_harm():
    rows = [(7.0, *frame) for frame in [ask("225000"), first, GO_ON, *others]]
    transfers = conversations(capture(rows)).transfers
    assert [transfers.payload(n) for n in range(2)] == [bytes.fromhex("225000"), PAYLOAD]


# Nonsense.


def survives(frames):
    got = conversations(frames)
    check_shape(frames, got)
    exchanges(frames, got)
    named = frozenset((int(can_id), bool(flags & 1)) for can_id, flags in zip(frames.can_id, frames.flags, strict=True))
    named_too = conversations(frames, named=named)
    check_shape(frames, named_too)
    exchanges(frames, named_too)
    return got


_FIRST = (0, 1, 2, 3, 7, 8, 0x10, 0x1F, 0x20, 0x21, 0x22, 0x2F, 0x30, 0x31, 0x32)
_WHOLE = ("0322F19000000000", "101462F190010203", "2101020304050607", "2201020304050607", "037F2278", "300000")
_WORDS = st.one_of(
    st.binary(max_size=8),
    st.binary(min_size=64, max_size=64),
    st.builds(lambda first, rest: bytes([first]) + rest, st.sampled_from(_FIRST), st.binary(max_size=7)),
    st.sampled_from(_WHOLE).map(bytes.fromhex),
)
_IDS = st.sampled_from([0x7DF, 0x7E0, 0x7E8, 0x7E9, 0x123, 0, 0x18DA10F1, 0x18DAF110, 0x18DB33F1])
_FLAGS = st.sampled_from([0, 0, 0, 0, FD, REMOTE, ERROR])
_TIMES = st.one_of(st.floats(0, 8), st.sampled_from([-1e9, -5.0, 0.0, 1.0, 1.5, 1e9]))
_BUSES = st.integers(0, 1)


@given(st.lists(st.tuples(_TIMES, _IDS, _WORDS, _BUSES, _FLAGS), max_size=60), st.booleans())
@settings(max_examples=200)
def test_no_capture_raises(rows, sorted_by_time):
    rows = sorted(rows, key=lambda row: row[0]) if sorted_by_time else rows
    survives(capture(rows, ("can0", "can1")) if rows else Frames.empty(("can0", "can1")))


@given(st.lists(_WORDS.map(lambda word: bytes([0xF1]) + word[:7]), min_size=1, max_size=60))
def test_no_capture_with_address_bytes_raises(words):
    survives(capture([(at / 100, 0x6F1 + at % 2, word) for at, word in enumerate(words)]))


@pytest.mark.parametrize(
    "rows",
    [
        [(0.0, 0x7E0, b"")],
        [(0.0, 0x7E0, b"\x02\x3e\x00")],
        [(at / 100, 0x7E0 + at % 9, b"") for at in range(50)],
        [(at / 100, 0x7E0, bytes.fromhex("300000"), 0, 0) for at in range(50)],
        [(at / 100, 0x7E0, bytes.fromhex("0322F190"), 0, ERROR) for at in range(50)],
        [(at / 100, 0x7E0, bytes.fromhex("0322F190"), 0, REMOTE) for at in range(50)],
        [(at / 100, 0x7E0, bytes([at]) + bytes.fromhex("0322F190")) for at in range(256)],
        [(at / 100, 0x7E8, bytes(range(64)), 0, FD) for at in range(50)],
        [(-at / 100, 0x7E0 + 8 * (at % 2), bytes([0x10, 0x14]) + bytes(6)) for at in range(50)],
        [(at / 100, 0x7E8, bytes.fromhex("1000FFFFFFFF6250")) for at in range(50)],
        [(at / 100, 0x7E8, bytes([0x20 | at % 16]) + bytes(7)) for at in range(50)],
    ],
)
def test_odd_captures_do_no_harm(rows):
    survives(capture(rows))


def test_flow_control_alone_says_nothing():
    rows = [(at / 100, 0x7E0 + 8 * (at % 2), bytes.fromhex("300000")) for at in range(50)]
    assert len(conversations(capture(rows)).transfers) == 0


def test_error_and_remote_frames_say_nothing():
    flags = [ERROR, REMOTE]
    rows = [(at / 100, 0x7E0 + 8 * (at % 2), b"\x02\x3e\x00", 0, flags[at % 2]) for at in range(50)]
    assert len(conversations(capture(rows)).transfers) == 0


def test_an_asker_with_all_256_addresses_has_256_paths():
    rows = []
    for address in range(256):
        words = ["0322F190AAAAAA", "100A62F1900102", "300000AAAAAAAA", "2103040506070A"]
        for at, word in enumerate(words):
            rows.append((address / 10 + at / 100, (0x6F0, 0x700)[at % 2], bytes([address]) + bytes.fromhex(word)))
    transfers = conversations(capture(rows)).transfers
    assert sorted(path.address for path in transfers.paths if path.key.can_id == 0x6F0) == list(range(256))
    assert np.count_nonzero(transfers.whole) == 512


def _read(time_s, identifier, first):
    """A question for 10 bytes and its answer: question, first frame, flow control, consecutive frame."""
    return conversation([(time_s, bytes([0x22, *identifier]), bytes([0x62, *identifier, *range(first, first + 10)]))])


def test_the_end_of_one_answer_and_the_beginning_of_the_next_make_no_answer_of_the_two():
    good = [row for n in range(3) for row in _read(n, (0x01, n), 10 * n)]
    first, second = _read(5, (0x01, 0x08), 0x80), _read(6, (0x01, 0x09), 0x90)
    # The last frame of the one and the first of the other are lost; the sequence number fits.
    frames = capture(good + first[:3] + second[:1] + second[2:])
    found = conversations(frames).transfers
    payloads = {found.payload(number) for number in np.flatnonzero(found.whole)}
    assert bytes([0x62, 0x01, 0x08, *range(0x80, 0x8A)]) not in payloads
    assert not any(payload[:3] == b"\x62\x01\x08" for payload in payloads)
    broken = next(number for number in range(len(found)) if found.payload(number)[:3] == b"\x62\x01\x08")
    assert Fault(found.fault[broken]) is Fault.MISSING
    assert found.payload(broken) == bytes([0x62, 0x01, 0x08, 0x80, 0x81, 0x82])


def test_a_question_that_the_recorder_put_before_the_end_of_the_last_answer_breaks_nothing():
    good = [row for n in range(3) for row in _read(n, (0x01, n), 10 * n)]
    first, second = _read(5, (0x01, 0x08), 0x80), _read(6, (0x01, 0x09), 0x90)
    moved = (5.005, *second[0][1:])
    found = conversations(capture([*good, *first[:3], moved, *first[3:], *second[1:]])).transfers
    payloads = {found.payload(number) for number in np.flatnonzero(found.whole)}
    assert {bytes([0x62, 0x01, 0x08, *range(0x80, 0x8A)]), bytes([0x62, 0x01, 0x09, *range(0x90, 0x9A)])} <= payloads
