"""Transfers of SAE J1939-21 found among frames."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoder.account import Account
from decoder.frames import ERROR, REMOTE, Frames, Key, concatenate
from decoder.transport.j1939 import j1939_transfers
from decoder.transport.transfers import Fault
from tests.building import capture

PGN = 0x0FF50
SIZE = 20
PAYLOAD = bytes(range(0x41, 0x41 + SIZE))


def identifier(pdu_format, sender, to, priority=7):
    return priority << 26 | pdu_format << 16 | to << 8 | sender


def control(word, pgn, second=0xFF, third=0xFF, packets=0xFF, limit=0xFF):
    return bytes([word, second, third, packets, limit]) + pgn.to_bytes(3, "little")


def announcement(payload, pgn, to):
    packets = -(-len(payload) // 7)
    return control(0x20 if to == 255 else 0x10, pgn, len(payload) & 0xFF, len(payload) >> 8, packets)


def packet(payload, number):
    return bytes([number]) + payload[number * 7 - 7 : number * 7].ljust(7, b"\xff")


def sent(payload=PAYLOAD, sender=0xE5, to=0xFF, start=1.0, gap_s=0.05, pgn=PGN, bus=0):
    """Rows of one undisturbed transfer, the announcement first."""
    rows = [(start, identifier(0xEC, sender, to), announcement(payload, pgn, to), bus)]
    numbers = range(1, -(-len(payload) // 7) + 1)
    return rows + [(start + gap_s * n, identifier(0xEB, sender, to), packet(payload, n), bus) for n in numbers]


def answer(time_s, word, pgn=PGN, second=0xFF, sender=0x21, to=0xE5):
    """One row from the receiver."""
    return (time_s, identifier(0xEC, sender, to), control(word, pgn, second))


def quiet(until_s):
    """A row of other traffic, so that the capture goes on."""
    return (until_s, 0x18FEF100, bytes(8))


def found(rows, bus_names=("can0", "can1", "can2")):
    rows = sorted(rows, key=lambda row: row[0])
    return j1939_transfers(capture(rows, bus_names))


def faults(transfers):
    return [Fault(fault).name for fault in transfers.fault]


def test_a_broadcast_of_20_bytes_comes_back_whole():
    rows = [
        (0.00, 0x1CECFFE5, bytes.fromhex("20140003FF50FF00")),
        (0.05, 0x1CEBFFE5, bytes.fromhex("0141424344454647")),
        (0.10, 0x1CEBFFE5, bytes.fromhex("0248494A4B4C4D4E")),
        (0.15, 0x1CEBFFE5, bytes.fromhex("034F5051525354FF")),
    ]
    transfers = found(rows)
    assert faults(transfers) == ["NONE"]
    assert transfers.payload(0) == b"ABCDEFGHIJKLMNOPQRST"
    assert transfers.length.tolist() == [20]
    assert transfers.frames_of(0).tolist() == [0, 1, 2, 3]
    (path,) = transfers.paths
    assert (path.kind, path.key, path.address, path.pgn) == ("j1939-tp", Key(0, 0x1CECFFE5, True), 0xE5, 0xFF50)
    assert path.reason == "broadcast announcement"


def test_a_requested_transfer_with_its_answers_comes_back_whole_without_the_answers_among_its_rows():
    request, one, two, three = sent(to=0x21)
    rows = [request, answer(1.01, 0x11, second=2), one, two, answer(1.11, 0x11, second=1), three, answer(1.2, 0x13)]
    transfers = found(rows)
    assert faults(transfers) == ["NONE"]
    assert transfers.payload(0) == PAYLOAD
    assert transfers.frames_of(0).tolist() == [0, 2, 3, 5]
    assert transfers.paths[0].reason == "request to send"


def test_two_directions_between_the_same_two_do_not_mix():
    other = bytes(range(100, 130))
    rows = sent(to=0x21) + sent(other, sender=0x21, to=0xE5, start=1.02, pgn=0x0EF00)
    transfers = found([*rows, answer(1.005, 0x11, second=3), answer(1.03, 0x11, 0xEF00, 5, sender=0xE5, to=0x21)])
    got = {transfers.paths[path].address: transfers.payload(n) for n, path in enumerate(transfers.path)}
    assert got == {0xE5: PAYLOAD, 0x21: other}
    assert faults(transfers) == ["NONE", "NONE"]


def test_one_source_may_broadcast_and_send_to_one_at_the_same_time():
    other = bytes(20)
    transfers = found(sent() + sent(other, to=0x21, start=1.001))
    assert [transfers.payload(n) for n in range(2)] == [PAYLOAD, other]


def test_where_priorities_differ_the_first_announcement_names_the_path():
    first, second = sent(), sent(start=3.0)
    second[0] = (3.0, identifier(0xEC, 0xE5, 0xFF, priority=6), second[0][2])
    transfers = found(first + second)
    assert faults(transfers) == ["NONE", "NONE"]
    assert [path.key.can_id for path in transfers.paths] == [0x1CECFFE5]


def test_packets_are_put_in_place_by_number_and_a_repeated_one_is_no_fault():
    request, one, two, three = sent(to=0x21)
    rows = [request, (1.05, *two[1:]), (1.10, *one[1:]), (1.15, *two[1:]), (1.20, *three[1:]), (1.25, *three[1:])]
    transfers = found(rows)
    assert faults(transfers) == ["NONE"]
    assert transfers.payload(0) == PAYLOAD
    assert len(transfers.frames_of(0)) == 6


def test_what_fills_the_last_packet_does_not_matter():
    rows = sent()
    again = (1.2, rows[3][1], rows[3][2][:7] + b"\x00")
    short = (1.0 + 0.15, rows[3][1], rows[3][2][:7])
    assert faults(found([*rows, again])) == ["NONE"]
    assert found([*rows[:3], short]).payload(0) == PAYLOAD


def test_one_number_with_two_contents_is_out_of_sequence_and_its_bytes_are_left_out():
    rows = sent()
    rows.insert(3, (1.11, rows[2][1], packet(PAYLOAD[::-1], 2)))
    transfers = found(rows)
    assert faults(transfers) == ["SEQUENCE"]
    assert transfers.payload(0) == PAYLOAD[:7]
    assert len(transfers.frames_of(0)) == 5


@pytest.mark.parametrize("number", [0, 4, 255])
def test_a_number_that_was_not_announced_is_out_of_sequence(number):
    rows = sent()
    rows.insert(2, (1.06, rows[1][1], bytes([number]) + bytes(7)))
    transfers = found(rows)
    assert faults(transfers) == ["SEQUENCE"]
    assert transfers.payload(0) == PAYLOAD


def test_other_packets_after_the_last_one_leave_the_transfer_whole_and_are_reported_apart():
    rows = [*sent(), *[(t + 0.3, i, d) for t, i, d, _ in sent(PAYLOAD[::-1])[1:]]]
    transfers = found(rows)
    assert faults(transfers) == ["NONE", "MISSING"]
    assert transfers.length.tolist() == [20, -1]
    assert transfers.payload(0) == PAYLOAD
    assert transfers.paths[transfers.path[1]].pgn is None


def test_a_hole_is_missing_once_the_last_packet_came_and_data_end_before_it():
    rows = sent()
    del rows[2]
    for ending in ([], [quiet(9.0)], sent(start=1.5)):
        transfers = found([*rows, *ending])
        assert faults(transfers)[0] == "MISSING"
        assert transfers.payload(0) == PAYLOAD[:7]


@pytest.mark.parametrize(
    ("to", "gap_s", "fault"),
    [(0xFF, 0.75, "NONE"), (0xFF, 0.76, "TIME_OUT"), (0x21, 0.75, "NONE"), (0x21, 0.76, "TIME_OUT")],
)
def test_750_ms_may_pass_between_packets(to, gap_s, fault):
    first, one, two, three = sent(to=to)
    rows = [first, one, (one[0] + gap_s, *two[1:]), (one[0] + gap_s + 0.05, *three[1:])]
    assert faults(found(rows))[0] == fault


@pytest.mark.parametrize(
    ("second", "gap_s", "fault"), [(3, 1.25, "NONE"), (3, 1.26, "TIME_OUT"), (0, 1.05, "NONE"), (0, 1.06, "TIME_OUT")]
)
def test_1250_ms_may_pass_after_clear_to_send_and_1050_after_a_hold(second, gap_s, fault):
    request, *packets = sent(to=0x21)
    late = [(time_s + gap_s, *rest) for time_s, *rest in packets]
    rows = [request, answer(1.05, 0x11, second=second), *late]
    assert faults(found(rows))[0] == fault


def test_a_receiver_may_hold_the_sender_as_long_as_it_says_so():
    request, *packets = sent(to=0x21)
    holds = [answer(2.0 + second, 0x11, second=0) for second in range(8)]
    rows = [request, *holds, *[(time_s + 8.9, *rest) for time_s, *rest in packets]]
    assert faults(found(rows)) == ["NONE"]
    del rows[4]
    assert faults(found(rows))[0] == "TIME_OUT"


def test_a_hold_about_another_group_does_not_help():
    request, *packets = sent(to=0x21)
    rows = [request, answer(2.0, 0x11, pgn=0xEF00, second=0), *[(time_s + 1.9, *rest) for time_s, *rest in packets]]
    assert faults(found(rows))[0] == "TIME_OUT"


def test_a_request_without_answer_is_reported():
    transfers = found([sent(to=0x21)[0], quiet(9.0)])
    assert faults(transfers) == ["TIME_OUT"]
    assert transfers.length.tolist() == [20]
    assert transfers.payload(0) == b""


@pytest.mark.parametrize("by_receiver", [True, False])
@pytest.mark.parametrize(("reason", "fault"), [(1, "MISSING"), (2, "OVERFLOW"), (3, "MISSING"), (250, "MISSING")])
def test_an_abort_of_either_side_ends_the_transfer(by_receiver, reason, fault):
    sender, to = (0x21, 0xE5) if by_receiver else (0xE5, 0x21)
    rows = [*sent(to=0x21)[:3], answer(1.12, 0xFF, second=reason, sender=sender, to=to), quiet(9.0)]
    transfers = found(rows)
    assert faults(transfers) == [fault]
    assert transfers.payload(0) == PAYLOAD[:14]


def test_an_abort_of_another_group_or_after_the_last_packet_changes_nothing():
    rows = sent(to=0x21)
    assert faults(found([*rows, answer(1.06, 0xFF, pgn=0xEF00, second=2)])) == ["NONE"]
    assert faults(found([*rows, answer(1.5, 0xFF, second=2)])) == ["NONE"]


def test_end_of_message_from_the_receiver_says_that_a_packet_was_not_heard():
    transfers = found([*sent(to=0x21)[:3], answer(1.2, 0x13)])
    assert faults(transfers) == ["MISSING"]


def test_a_new_announcement_of_the_same_two_ends_the_one_before():
    transfers = found([*sent()[:3], *sent(PAYLOAD[::-1], start=1.3)])
    assert faults(transfers) == ["MISSING", "NONE"]
    assert [transfers.payload(n) for n in range(2)] == [PAYLOAD[:14], PAYLOAD[::-1]]


@pytest.mark.parametrize(
    ("to", "end_s", "fault"),
    [(0xFF, 1.85, "CUT_OFF"), (0xFF, 1.86, "TIME_OUT"), (0x21, 2.35, "CUT_OFF"), (0x21, 2.36, "TIME_OUT")],
)
def test_the_end_of_the_capture_cuts_off_what_still_had_time(to, end_s, fault):
    assert faults(found([*sent(to=to)[:3], quiet(end_s)])) == [fault]


def test_packets_at_the_begin_are_cut_off_and_have_no_length():
    transfers = found([quiet(0.9), *sent()[2:], *sent(start=2.0)])
    assert faults(transfers) == ["CUT_OFF", "NONE"]
    assert transfers.length.tolist() == [-1, 20]
    assert transfers.payload(0) == b""
    assert transfers.frames_of(0).tolist() == [1, 2]
    path = transfers.paths[transfers.path[0]]
    assert (path.pgn, path.address, path.key.can_id) == (None, 0xE5, 0x1CECFFE5)


def test_packets_later_without_announcement_are_missing_theirs():
    transfers = found([quiet(0.0), *sent(start=5.0)[1:], quiet(9.0)])
    assert faults(transfers) == ["MISSING"]
    assert transfers.paths[0].key == Key(0, 0x1CEBFFE5, True)
    assert transfers.paths[0].reason == "packets without announcement"


def test_two_lone_packets_where_nothing_was_ever_announced_are_not_reported():
    assert len(found(sent()[1:3])) == 0


def test_late_packets_are_a_transfer_of_their_own():
    first, one, two, three = sent()
    transfers = found([first, one, (2.5, *two[1:]), (2.6, *three[1:]), quiet(9.0)])
    assert faults(transfers) == ["TIME_OUT", "MISSING"]
    assert [transfers.frames_of(n).tolist() for n in range(2)] == [[0, 1], [2, 3]]


def test_time_that_jumps_back_cuts_a_transfer_off():
    rows = [*sent(start=10.0)[:3], *sent(start=1.0)[3:], *sent(start=2.0)]
    transfers = j1939_transfers(capture(rows))
    assert faults(transfers) == ["CUT_OFF", "CUT_OFF", "NONE"]
    assert transfers.length.tolist() == [20, -1, 20]


def test_a_small_step_back_of_time_does_no_harm():
    rows = sent()
    rows[2] = (0.5, *rows[2][1:])
    assert faults(j1939_transfers(capture(rows))) == ["NONE"]


@pytest.mark.parametrize(
    "spoiled",
    [
        control(0x20, PGN, 20, 0, 4),
        control(0x20, PGN, 8, 0, 2),
        control(0x20, PGN, 0xFA, 6, 255),
        control(0x10, PGN, 20, 0, 3),
        control(0x20, 0x40000, 20, 0, 3),
        control(0x20, PGN, 20, 0, 3)[:7],
    ],
    ids=["packets", "too small", "too large", "request to all", "number of 19 bits", "seven bytes"],
)
def test_an_announcement_that_contradicts_itself_announces_nothing(spoiled):
    rows = sent()
    transfers = found([(1.0, rows[0][1], spoiled), *rows[1:]])
    assert transfers.length.tolist() == [-1]


def test_a_broadcast_to_one_address_announces_nothing():
    assert len(found([(1.0, identifier(0xEC, 0xE5, 0x21), control(0x20, PGN, 20, 0, 3))])) == 0


@pytest.mark.parametrize("flag", [ERROR, REMOTE])
def test_remote_and_error_frames_are_no_part_of_it(flag):
    assert len(found([(*row, flag) for row in sent()])) == 0


@pytest.mark.parametrize("page", [0x01000000, 0x02000000])
def test_the_other_data_pages_are_other_groups(page):
    assert len(found([(row[0], row[1] | page, row[2]) for row in sent()])) == 0


def test_no_frames_give_no_transfers():
    assert len(j1939_transfers(Frames.empty())) == 0
    assert len(found([quiet(1.0), (2.0, 0x123, bytes(8)), (3.0, 0x18EC21E5, bytes(8))])) == 0


# Many at once.


@st.composite
def traffic(draw, *, spoil=False):
    """Transfers of several pairs on three buses, interleaved: rows in order of time, and what was sent.

    What was sent: (bus, source, destination, pgn, payload, whether every packet is among the rows). With `spoil`,
    packets are left out or doubled.
    """
    pairs = st.tuples(st.integers(0, 2), st.integers(0, 3), st.sampled_from([255, 255, 0x21, 0x22]))
    rows, transfers = [], []
    for bus, sender, to in draw(st.sets(pairs, min_size=1, max_size=6)):
        clock = draw(st.integers(0, 2000))
        for _ in range(draw(st.integers(1, 3))):
            size = draw(st.one_of(st.integers(9, 60), st.sampled_from([14, 15, 1778, 1779, 1785])))
            seed, pgn = draw(st.integers(0, 99)), draw(st.sampled_from([0xFF50, 0xFECA, 0xEF00, 0x1FF0A]))
            payload = np.random.default_rng(seed).bytes(size)
            lost = draw(st.sets(st.integers(1, -(-size // 7)), max_size=2)) if spoil else set()
            doubled = draw(st.sets(st.integers(1, -(-size // 7)), max_size=2)) if spoil else set()
            spoken, clock = _spoken(draw, sender, to, pgn, payload, clock, lost, doubled)
            rows += [(time_ms / 1000, can_id, data, bus) for time_ms, can_id, data in spoken]
            transfers.append((bus, sender, to, pgn, payload, not lost))
            clock += draw(st.integers(1, 1500))
    return sorted(rows, key=lambda row: row[0]), transfers


def _spoken(draw, sender, to, pgn, payload, clock, lost, doubled):
    """One transfer as (time in ms, identifier, payload), with the receiver's answers, and the time after it."""
    rows = [(clock, identifier(0xEC, sender, to), announcement(payload, pgn, to))]
    step = draw(st.integers(1, 200))
    block = draw(st.integers(1, 255)) if to != 255 else 256
    back = identifier(0xEC, to, sender)
    for number in range(1, -(-len(payload) // 7) + 1):
        if (number - 1) % block == 0 and to != 255:
            clock += 1
            rows.append((clock, back, control(0x11, pgn, block, number)))
        clock += step
        copies = [] if number in lost else [clock, clock + 0.5][: 1 + (number in doubled)]
        rows += [(time_ms, identifier(0xEB, sender, to), packet(payload, number)) for time_ms in copies]
    if to != 255:
        clock += 1
        rows.append((clock, back, control(0x13, pgn, len(payload) & 0xFF, len(payload) >> 8)))
    return rows, clock + 1


def _got(transfers):
    """What was found whole, as the generator says it."""
    got = []
    for number in np.flatnonzero(transfers.whole).tolist():
        path = transfers.paths[transfers.path[number]]
        got.append((path.key.bus, path.address, path.key.can_id >> 8 & 0xFF, path.pgn, transfers.payload(number)))
    return got


@settings(deadline=None, max_examples=60)
@given(traffic())
def test_interleaved_transfers_come_back_exactly(case):
    rows, expected = case
    transfers = j1939_transfers(capture(rows, ("a", "b", "c")))
    assert sorted(_got(transfers)) == sorted(row[:5] for row in expected)
    assert transfers.whole.all()
    assert transfers.length.tolist() == transfers.received.tolist()
    assert np.all(np.diff(transfers.last_row) > 0)


@settings(deadline=None, max_examples=60)
@given(traffic(spoil=True))
def test_lost_packets_cost_only_their_own_transfer_and_none_is_invented(case):
    rows, expected = case
    transfers = j1939_transfers(capture(rows, ("a", "b", "c")))
    assert sorted(_got(transfers)) == sorted(row[:5] for row in expected if row[5])
    assert np.all(np.diff(transfers.last_row) > 0)
    assert len(np.unique(transfers.rows)) == len(transfers.rows)
    data_and_openings = [n for n, row in enumerate(rows) if row[1] >> 16 & 0xFF == 0xEB or row[2][0] in (0x10, 0x20)]
    assert sorted(transfers.rows.tolist()) == data_and_openings
    for number in np.flatnonzero(~transfers.whole).tolist():
        assert transfers.received[number] < max(int(transfers.length[number]), 1)


@settings(deadline=None, max_examples=40)
@given(
    st.lists(
        st.tuples(
            st.integers(0, 900),
            st.sampled_from([0xEB, 0xEC]),
            st.sampled_from([0, 1, 255]),
            st.sampled_from([0, 1]),
            st.sampled_from([0x10, 0x20, 0x11, 0x13, 0xFF, 0, 1, 2]),
            st.integers(0, 3),
            st.integers(0, 8),
        ),
        max_size=60,
    )
)
def test_any_order_of_such_frames_gives_sound_columns(told):
    rows, clock = [], 0
    for gap_ms, pdu_format, to, sender, word, second, length in told:
        clock += gap_ms
        data = bytes([word, *([14, 0, 2, 255] if second else [2, 0, 0, 0]), 0x50, 0xFF, 0])
        rows.append((clock / 1000, identifier(pdu_format, sender, to), data[: 8 if length > 2 else length]))
    transfers = j1939_transfers(capture(rows))
    assert len(transfers.row_start) == len(transfers.byte_start) == len(transfers) + 1
    assert len(np.unique(transfers.rows)) == len(transfers.rows) == transfers.row_start[-1]
    assert np.all(np.diff(transfers.row_start) > 0)
    assert transfers.byte_start[-1] == len(transfers.data)
    for number in range(len(transfers)):
        assert np.all(np.diff(transfers.frames_of(number)) > 0)
        if transfers.whole[number]:
            assert transfers.received[number] == transfers.length[number]


def noise(count, can_id, seed):
    """Frames with random payloads, 0.5 ms apart."""
    random = np.random.default_rng(seed)
    return Frames(
        time_ns=np.arange(count, dtype=np.int64) * 500_000,
        bus=np.zeros(count, np.uint8),
        can_id=can_id.astype(np.uint32),
        flags=np.ones(count, np.uint16),
        length=np.full(count, 8, np.uint8),
        data=random.integers(0, 256, (count, 8), np.uint8),
        line=np.arange(count, dtype=np.uint32),
        source=np.zeros(count, np.uint8),
        bus_names=("a",),
    )


def test_random_frames_hold_no_transfer():
    random = np.random.default_rng(1)
    assert len(j1939_transfers(noise(200_000, random.integers(0, 1 << 29, 200_000), 2))) == 0


def test_random_payloads_under_the_two_groups_themselves_hold_no_whole_transfer_and_next_to_no_broken_one():
    ids = np.array([identifier(f, s, t) for f in (0xEB, 0xEC) for s in range(5) for t in (255, 1, 2, 3, 4)])
    frames = noise(200_000, np.random.default_rng(3).choice(ids, 200_000), 4)
    transfers = j1939_transfers(frames)
    assert not transfers.whole.any()
    assert len(transfers) < 10


def test_a_transfer_is_found_within_noise():
    random = np.random.default_rng(5)
    before = noise(20_000, random.integers(0, 1 << 29, 20_000), 6)
    joined = concatenate([before, capture(sent(start=10.0), ("a",))], Account())
    transfers = j1939_transfers(joined)
    assert [transfers.payload(n) for n in np.flatnonzero(transfers.whole)] == [PAYLOAD]
