"""What is on the wire in words, without a terminal."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from decoder.bits import Field
from decoder.channels import decode
from decoder.discovery.field_at import FieldAt
from decoder.discovery.meaning import Meaning
from decoder.discovery.survey import survey
from decoder.discovery.workbench.edits import taken
from decoder.frames import ERROR, FD, REMOTE, Frames
from decoder.judgement import judge
from decoder.maps.signal_map import Message, Signal, SignalMap
from decoder.screens.session import Session
from decoder.screens.survey_rows import (
    SORTS,
    UNEXPLAINED,
    IdentifierList,
    change_marks,
    first_channel,
    full_lines,
    identifier_words,
    load_parts,
    period_words,
    rate_per_s,
    row_of,
    unexplained_of,
)
from tests.building import capture
from tests.screens.small_pack import open_session
from tests.screens.small_talk import talk_rows


def only(rows):
    (one,) = survey(capture(rows)).identifiers
    return one


def session(rows, signal_map=None, buses=("can0",)):
    frames = capture(sorted(rows, key=lambda row: row[0]), buses)
    channels = decode(frames, signal_map or SignalMap())
    return Session(channels, judge(channels))


def in_full(opened, number=0, width=71):
    wire, channels = opened.wire, opened.channels
    lines = full_lines(number, wire, channels.first_ns, width, has_map=bool(channels.signal_map.messages))
    return [(word, text) for word, text in lines if word]


def regular(can_id=0x123, period_s=0.02, count=50, bus=0, start_s=0.0):
    return [(start_s + n * period_s, can_id, bytes([n % 256, 7]), bus) for n in range(count)]


# One identifier


def test_identifiers_have_three_digits_or_eight():
    assert identifier_words(only([(0, 0x0A4, b"")])) == "0A4"
    assert identifier_words(only([(0, 0x00FF5A21, b"")])) == "00FF5A21"


@pytest.mark.parametrize(
    ("times", "words"),
    [
        ([n * 0.02 for n in range(50)], "   20.0 ± 0.0"),
        ([n * 200.0 for n in range(50)], " 200000 ± 0.0"),
        ([1], "  one frame only"),
        ([1, 2], "  two frames only"),
        ([3, 2, 1], "      —"),  # the clock ran backward
    ],
)
def test_period_and_jitter_or_why_there_is_none(times, words):
    assert period_words(only([(t, 0x123, b"") for t in times])) == words


@given(st.lists(st.binary(min_size=8, max_size=8), min_size=1, max_size=20))
def test_each_byte_has_a_mark_for_how_many_of_its_bits_change(payloads):
    marks = change_marks(only([(n, 0x123, payload) for n, payload in enumerate(payloads)]))
    assert len(marks) == 8
    for at, mark in enumerate(marks):
        differing = 0
        for payload in payloads:
            differing |= payload[at] ^ payloads[0][at]
        assert "·▁▂▃▄▅▆▇█".index(mark) == differing.bit_count()


def test_a_byte_that_not_all_frames_have_is_not_judged():
    assert change_marks(only([(0, 0x123, b"\x01\x02\x03\x04"), (1, 0x123, b"\x00\x02")])) == "▁·??"


def test_a_row_says_how_often_how_long_and_what_describes_it():
    rows = [(0.1 * n + 0.001 * k, 0x123, bytes(4 + n % 3)) for n in range(30) for k in range(3)]
    row = row_of(
        only(rows), (Message("A", 0x123, False, 8, ()), Message("B\x1b", 0x123, False, 8, ())), 12.25, has_load=True
    )
    assert (row.frames, row.burst, row.length, row.bits, row.message) == ("90", "3", "4-6", "0", "A B\\x1b")
    assert row.period.split() == ["100.0", "±", "0.0"]
    # Classic frames of 4, 5 and 6 bytes have 79, 87 and 95 bits and at most 16, 18 and 20 more (see bus_load.py).
    assert float(row.load) == pytest.approx(30 * (95 + 105 + 115) * 100 / (2.902 * 500_000), abs=0.005)


def test_no_load_is_shown_where_there_is_none():
    one = only([(n, 0x123, bytes(64), 0, FD) for n in range(3)])
    assert row_of(one, (), 0.0, has_load=True).load == "—"
    assert row_of(replace(one, load_percent=1.0), (), 0.0, has_load=False).load == "—"


def test_one_in_full_says_when_it_was_heard_how_often_and_the_gaps():
    opened = session([*regular(start_s=1), (5.0, 0x123, b"\x00\x07"), (0.0, 0x100, b"")])
    lines = dict(in_full(opened, 1))
    assert lines["what"].startswith("123 on can0 · 11-bit · 51 frames · at most ")
    assert lines["what"].endswith(" % of 500 kbit/s")
    assert lines["heard"] == "from 1.000 s to 5.000 s · every 20.0 ± 0.0 ms"
    assert lines["gaps"] == "20.000 to 3,020.000 ms from frame to frame, the longest at 1.980 s"
    assert lines["bytes"] == "2 in every frame · 6 bits change"
    assert lines["always"].split() == ["··", "07"]
    assert lines["change"] == "··██████ ········"
    assert lines["map"] == "no signal map is open"


def test_one_in_full_of_a_single_frame_claims_no_period_and_no_load():
    lines = dict(in_full(session([(1, 0x18FF5A21, b"\x01")])))
    assert lines["what"] == "18FF5A21 on can0 · 29-bit · 1 frame"
    assert lines["heard"] == "at 0.000 s · one frame only"
    assert lines["gaps"] == "none: one frame only"
    assert lines["bytes"] == "1 in every frame · no bit changes"


def test_one_in_full_counts_its_lengths_and_says_which_bytes_are_looked_at():
    rows = [(0, 0x123, b"\x01\x02\x03"), (1, 0x123, b"\x05\x02"), (2, 0x123, b"\x01\x02\xff")]
    assert (
        dict(in_full(session(rows)))["bytes"]
        == "2 in 1 frame, 3 in 2 frames · 1 bit changes in the 2 that all frames have"
    )
    assert dict(in_full(session([(0, 0x123, b"")])))["bytes"] == "none: the frames are empty"


def test_the_picture_of_long_payloads_is_broken_between_bytes():
    opened = session([(n, 0x123, bytes([n] * 20), 0, FD) for n in range(4)])
    pictures = [text for word, text in in_full(opened) if word == "change"]
    assert [len(text) for text in pictures] == [71, 71, 35]
    assert " ".join(pictures).split() == ["······██"] * 20


def test_one_in_full_names_message_signals_and_transport():
    answers = Message("Answers", 0x6EA, False, 59, (Signal("Poll_1_V", Field(24, 16)),), is_reassembled=True)
    flow = Message("Flow\x07", 0x6EA, False, 8, ())
    opened = session(talk_rows(), SignalMap((answers, flow)))
    asks, says = in_full(opened, 0), in_full(opened, 1)
    assert ("map", "no message of the map describes it") in asks
    assert ("map", "Answers, 1 signal of whole answers") in says
    assert ("map", "Flow\\x07, 0 signals") in says
    assert ("names", "Poll_1_V") in says
    assert dict(says)["holds"].startswith("iso-tp · normal addressing")
    carried = session([(n, 0x1CECFF00, bytes(8)) for n in range(3)])
    assert dict(in_full(carried))["holds"] == "j1939-tp"


def test_the_first_channel_of_an_identifier_is_on_its_bus_and_from_its_source():
    volt = Signal("Pack_V", Field(0, 16), unit="V")
    signal_map = SignalMap(
        (Message("State", 0x18FF50FE, True, 8, (volt,), is_j1939=True), Message("Own", 0x123, False, 8, (volt,)))
    )
    rows = [
        (n, can_id, bytes(8), bus) for n in range(3) for can_id in (0x18FF50E5, 0x0CFF50E6, 0x123, 7) for bus in (0, 1)
    ]
    opened = session(rows, signal_map, ("can0", "can1"))
    found = {
        (one.bus, one.can_id): first_channel(one, messages, opened.channels)
        for one, messages in zip(opened.wire.survey.identifiers, opened.wire.messages, strict=True)
    }
    for (bus, can_id), name in found.items():
        if can_id == 7:
            assert name is None
            continue
        channel = opened.channels[name].channel
        assert (channel.bus, channel.can_id) == (bus, can_id)


# All of them


def test_the_load_line_counts_what_is_odd_and_names_the_bit_rate():
    rows = regular(count=101)
    rows += [(0.5, 0x200, b"", 1, REMOTE), (0.6, 4, bytes(8), 1, ERROR), (0.7, 0x55, bytes(64), 1, FD)]
    found = session(rows, buses=("can0", "[red]\x1b")).wire.survey
    first, second = load_parts(found)
    # 34 + 16 + 13 bits a frame, and at most 12 stuff bits, in 2 s.
    assert first == ["can0", "1 id", "101 frames", f"load {101 * 63 / 1e4:.1f} to {101 * 75 / 1e4:.1f} % of 500 kbit/s"]
    assert second[:3] == ["[red]\\x1b", "1 id", "3 frames (1 remote, 1 error, 1 CAN FD)"]


def test_where_no_time_passes_the_load_is_not_known():
    (only_bus,) = load_parts(session([(1.0, 0x123, b""), (1.0, 0x124, b"")]).wire.survey)
    assert only_bus[1] == "2 ids"
    assert "not known" in only_bus[-1]
    assert "%" not in only_bus[-1]


# The list


@pytest.fixture
def listed():
    rows = [*regular(0x300, 0.02), *regular(0x100, 0.1, 15), *regular(0x18FF0001, 0.05, 30), (0.5, 0x200, b"")]
    return IdentifierList(session(rows))


def ids(listed):
    return [listed.session.wire.survey.identifiers[number].can_id for number in listed.shown()]


@pytest.mark.parametrize(
    ("sort", "upwards"),
    [
        ("identifier", [0x100, 0x200, 0x300, 0x18FF0001]),
        ("frames", [0x200, 0x100, 0x18FF0001, 0x300]),
        ("period", [0x300, 0x18FF0001, 0x100, 0x200]),
        ("changing bits", [0x200, 0x100, 0x18FF0001, 0x300]),
        ("load", [0x200, 0x100, 0x18FF0001, 0x300]),
    ],
)
def test_sorting_both_ways_with_what_has_no_value_last(listed, sort, upwards):
    listed.sort = sort
    assert ids(listed) == upwards
    listed.downwards = True
    downwards = upwards[::-1]
    if sort == "period":
        downwards = [*upwards[:-1][::-1], upwards[-1]]
    assert ids(listed) == downwards


def test_sorted_by_what_is_unexplained_the_most_stands_first_and_the_work_on_the_bench_explains():
    busy = [(0.01 * n, 0x300, bytes([n % 256, n % 256])) for n in range(200)]
    calm = [(0.01 * n + 0.001, 0x200, bytes([n // 50, 0])) for n in range(200)]
    opened = session([*busy, *calm])
    listed = IdentifierList(opened, sort=UNEXPLAINED)
    assert listed.shown() == [1, 0]
    assert listed.falling
    data = np.array([[n % 256, n % 256] for n in range(200)], np.uint8)
    flips = int(np.unpackbits(data[1:] ^ data[:-1]).sum())
    assert unexplained_of(opened, 1) == pytest.approx(flips / opened.wire.survey.length_s)
    bench = opened.bench
    bench.step(taken(bench.work, Meaning(FieldAt(bench.keys[1], Field(0, 16)))))
    assert listed.shown() == [0, 1]
    assert unexplained_of(opened, 1) == 0
    listed.downwards = True
    assert listed.shown() == [1, 0]


def test_rates_are_written_short():
    assert [rate_per_s(rate) for rate in (0, 0.04, 2.26, 99.96, 1234.5)] == ["", "0.0", "2.3", "100.0", "1,234"]


def test_next_sort_goes_through_all_columns(listed):
    seen = []
    for _ in SORTS:
        listed.next_sort()
        seen.append(listed.sort)
    assert (
        seen
        == [*SORTS[1:], SORTS[0]]
        == ["frames", "period", "changing bits", "load", "unexplained movement", "identifier"]
    )


def test_the_chosen_one_stays_chosen_while_order_and_search_change(listed):
    assert listed.number == 0
    listed.move(2)
    assert ids(listed)[listed.row()] == 0x300
    listed.sort = "period"
    assert (listed.row(), ids(listed)[0]) == (0, 0x300)
    listed.find = "100"
    assert ids(listed) == [0x100]
    assert listed.row() == 0
    listed.widen()
    assert not listed.narrowed
    assert ids(listed)[listed.row()] == 0x300
    listed.move(-10)
    listed.move(10**9)
    assert listed.row() == 3
    listed.find = "nothing of the kind"
    listed.move(1)
    assert listed.number is None


def test_the_chosen_one_stays_chosen_when_more_is_recorded(listed):
    listed.move(1)
    newer = session([*regular(0x100), *regular(0x150), *regular(0x200)])
    listed.session.replace(newer.channels, newer.judgement)
    assert ids(listed)[listed.row()] == 0x200
    newer = session(regular(0x100))
    listed.session.replace(newer.channels, newer.judgement)
    assert listed.row() == 0


@pytest.mark.parametrize(
    ("sought", "found"),
    [
        ("311", [0x311]),
        ("6ea", [0x6EA]),
        ("ISO-TP", [0x6E2, 0x6EA]),
        ("cells_2", [0x312]),
        ("Cell_1_03", [0x311]),
        ("can0", [0x120, 0x311, 0x312, 0x6E2, 0x6EA]),
        ("nothing of the kind", []),
    ],
)
def test_the_list_finds_numbers_buses_transports_messages_and_signals(tmp_path, sought, found):
    assert ids(IdentifierList(open_session(tmp_path, talk=True), find=sought)) == found


def test_an_empty_capture_has_an_empty_list():
    channels = decode(Frames.empty(("can0",)), SignalMap())
    listed = IdentifierList(Session(channels, judge(channels)))
    listed.move(1)
    assert (listed.shown(), listed.number, listed.row()) == ([], None, 0)
