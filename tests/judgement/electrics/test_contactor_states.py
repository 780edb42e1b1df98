"""What contactors are said to be: words before raw values, unknown where nothing says, charging contactors left out."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoder.bits import Field
from decoder.channels import decode
from decoder.judgement.electrics.contactor_states import CLOSED, OPEN, UNKNOWN, Contact, Stretches, contactor_states
from decoder.judgement.electrics.contactors import contactor_findings
from decoder.judgement.electrics.insulation import insulation_findings
from decoder.judgement.electrics.interlock import interlock_findings
from decoder.judgement.electrics.keep_alive import keep_alive_findings
from decoder.judgement.electrics.lasting import runs
from decoder.judgement.electrics.link_voltage import link_voltage, pack_voltage
from decoder.judgement.electrics.precharge import precharge_findings
from decoder.judgement.electrics.state_words import CONTACTOR_WORDS, INTERLOCK_WORDS, said_by
from decoder.maps.pack_sheet import PackSheet
from decoder.maps.signal_map import Message, Signal, SignalMap
from tests.building import capture, one_message
from tests.judgement.electric_pack import ElectricPack, sound_drive


def states(names, values, labels=None, cycle=0.1, skip=()):
    """Contactors of one byte each, in one frame; `values`: a row of raw values for each sample."""
    signals = [Signal(name, Field(8 * n, 8), labels=labels or {}) for n, name in enumerate(names)]
    rows = [(i * cycle, 0x123, bytes(row)) for i, row in enumerate(values) if i not in skip]
    return contactor_states(decode(capture(rows), one_message(signals)))


@pytest.mark.parametrize(
    ("label", "state"),
    [
        ("open", OPEN),
        ("Closed", CLOSED),
        ("CLOSE", CLOSED),
        ("not closed", OPEN),
        ("Contactor_is_open", OPEN),
        ("ON", CLOSED),
        ("off", OPEN),
        ("geschlossen", CLOSED),
        ("offen", OPEN),
        ("de-energised", OPEN),
        ("closed, welded", UNKNOWN),
        ("closing", UNKNOWN),
        ("open/closed", UNKNOWN),
        ("fault", UNKNOWN),
        ("not available", UNKNOWN),
        ("state 3", UNKNOWN),
        ("", UNKNOWN),
    ],
)
def test_words_of_a_contactor(label, state):
    assert said_by(label, CONTACTOR_WORDS) == state


@pytest.mark.parametrize(("label", "state"), [("ok", CLOSED), ("NOT OK", OPEN), ("interrupted", OPEN), ("on", UNKNOWN)])
def test_words_of_an_interlock(label, state):
    assert said_by(label, INTERLOCK_WORDS) == state


def test_without_labels_0_is_open_and_1_is_closed_and_others_say_nothing():
    found = states(["MainContactor_Plus", "MainContactor_Minus"], [(0, 1), (1, 1), (2, 1), (1, 255)])
    assert found.main.tolist() == [[0, 1, -1, 1], [1, 1, 1, -1]]
    assert found.closed.tolist() == [False, True, False, False]


def test_labels_rule_over_raw_values():
    found = states(["MainContactor_Plus"], [(0,), (1,), (2,)], {0: "closed", 1: "open", 2: "not available"})
    assert found.main.tolist() == [[1, 0, -1]]


def test_the_label_of_one_value_makes_the_other_the_opposite():
    assert states(["MainContactor_Plus"], [(0,), (1,)], {0: "closed"}).main.tolist() == [[1, 0]]


def test_a_channel_that_is_named_for_being_open_counts_the_other_way():
    assert states(["MainContactorOpen_Plus"], [(0,), (1,)]).main.tolist() == [[1, 0]]
    assert states(["MainPlusClosed"], [(0,), (1,)]).main.tolist() == [[0, 1]]


def test_labels_that_say_neither_are_not_guessed():
    assert "open and closed" in states(["MainContactor_Plus"], [(0,), (1,)], {0: "state A", 1: "state B"})


def test_contactors_of_the_charging_inlet_are_not_those_of_the_link():
    names = ["FastChargeContactor_Plus", "FastChargeContactor_Minus"]
    assert "no channel for a main contactor" in states(names, [(1, 1)])
    found = states([*names, "MainContactor_Minus"], [(1, 1, 0), (1, 1, 1)])
    assert [contact.side for contact in found.mains] == ["negative"]


def test_a_single_main_contactor_has_no_pole():
    found = states(["MainContactor", "PrechargeRelay"], [(0, 1), (1, 1)])
    assert [contact.side for contact in found.mains] == ["main"]
    assert found.precharge.state.tolist() == [1, 1]


def test_of_several_contactors_without_a_pole_none_is_taken():
    assert isinstance(states(["ContactorA", "ContactorB"], [(0, 1)]), str)


def test_nothing_is_closed_without_frames():
    nothing = decode(capture([(0, 0x7, b"\1")]), one_message([Signal("MainContactor", Field(0, 8))]))
    assert "no channel for a main contactor" in contactor_states(nothing)


def test_command_and_feedback_that_disagree_say_nothing():
    signals = [Signal("MainContactor_Plus", Field(0, 8))]
    other = [Signal("MainContactor_Plus_Aux", Field(0, 8))]
    two = SignalMap(
        tuple(
            Message(name, can_id, extended=False, length=1, signals=tuple(those))
            for name, can_id, those in (("A", 1, signals), ("B", 2, other))
        )
    )
    rows = [(i * 0.1 + n * 0.01, 1 + n, bytes([i >= at])) for i in range(10) for n, at in enumerate((3, 5))]
    (contact,) = contactor_states(decode(capture(sorted(rows)), two)).mains
    assert set(contact.names) == {"MainContactor_Plus", "MainContactor_Plus_Aux"}
    assert contact.state[contact.time_ns == 100_000_000].tolist() == [OPEN]
    assert contact.state[contact.time_ns == 400_000_000].tolist() == [UNKNOWN]
    assert contact.state[contact.time_ns == 700_000_000].tolist() == [CLOSED]


def test_a_state_holds_for_five_cycles_or_a_second():
    at = np.array([0, 10**9], np.int64)
    contact = Contact("positive", (), at, np.array([0, 1], np.int8), 1.0)
    when = np.array([-1, 0, 999_999_999, 10**9, 6 * 10**9, 6 * 10**9 + 1], np.int64)
    assert contact.at(when).tolist() == [UNKNOWN, OPEN, OPEN, CLOSED, CLOSED, UNKNOWN]


def test_broken_needs_the_way_around_to_be_open_too():
    names = ["MainContactor_Plus", "MainContactor_Minus", "PrechargeRelay"]
    found = states(names, [(0, 0, 0), (0, 0, 1), (0, 1, 0), (0, 1, 1), (1, 0, 0), (1, 1, 0), (9, 0, 0), (9, 9, 0)])
    assert found.broken.tolist() == [True, True, True, False, True, False, True, False]
    only_one = states(["MainContactor_Minus", "PrechargeRelay"], [(0, 0), (0, 1), (1, 0)])
    assert only_one.broken.tolist() == [True, False, False]


def test_stretches_say_whether_their_ends_were_seen():
    found = states(["MainContactor_Plus"], [(1,), (1,), (0,), (1,), (1,), (7,), (1,)])
    closed = found.stretches(found.closed)
    # The last sample by itself lasts for no time.
    assert (closed.from_ns.tolist(), closed.to_ns.tolist()) == ([0, 300_000_000], [100_000_000, 400_000_000])
    assert closed.begun.tolist() == [False, True]
    assert closed.ended.tolist() == [True, False]


def test_stretches_are_shortened_at_seen_ends_only():
    whole = Stretches(
        np.array([0, 10**10]), np.array([5 * 10**9, 11 * 10**9]), np.array([False, True]), np.array([True, True])
    )
    less = whole.shortened(1)
    assert (less.from_ns.tolist(), less.to_ns.tolist()) == ([0], [4 * 10**9])
    assert less.hold(np.array([-1, 0, 4 * 10**9, 4 * 10**9 + 1])).tolist() == [False, True, True, False]
    assert not whole.longer_than(6).hold(np.array([1])).any()


def test_a_clock_that_jumps_back_stops_nothing():
    rows = [(t, 0x123, b"\1\1") for t in (0.0, 1.0, 0.5, 2.0)]
    signals = [Signal("MainContactor_Plus", Field(0, 8)), Signal("MainContactor_Minus", Field(8, 8))]
    found = contactor_states(decode(capture(rows), one_message(signals)))
    assert (np.diff(found.time_ns) >= 0).all()
    assert found.closed.all()


def cells_map(count):
    signals = [Signal(f"Cell_1_{n + 1}_V", Field(16 * n, 16), 0.001, unit="V") for n in range(count)]
    signals.append(Signal("Link_V", Field(16 * count, 16), 0.1, unit="V"))
    return one_message(signals, length=2 * count + 2)


def cells_capture(millivolts, link_v, count=20):
    data = b"".join(int(v).to_bytes(2, "little") for v in (*millivolts, link_v * 10))
    return capture([(i * 0.1, 0x123, data) for i in range(count)])


def test_the_sum_of_all_cells_stands_in_for_the_pack_voltage():
    frames = cells_capture((4000, 4100, 3900), 11.5)
    known = decode(frames, cells_map(3), PackSheet(cells_in_series=3))
    link = link_voltage(known)
    assert link.pack_v == pytest.approx([12.0] * 20)
    assert link.volt == pytest.approx([11.5] * 20)
    unknown = decode(frames, cells_map(3))
    assert "sum of all cells" in link_voltage(unknown)
    assert pack_voltage(unknown, whole=False).largest_v == pytest.approx(12.0)


def test_a_pack_voltage_that_falls_with_the_link_is_none():
    pack = sound_drive()
    rows = [(t, can_id, data) for t, can_id, data in pack.rows() if can_id != 0x122]
    rows += [(t + 0.0001, 0x122, data) for t, can_id, data in rows if can_id == 0x121]
    link = link_voltage(decode(capture(sorted(rows)), pack.signal_map()))
    assert link.pack_v.min() >= 200


def test_a_damaged_sample_is_not_the_largest_voltage():
    pack = ElectricPack(seconds=30)
    rows = pack.rows()
    place = next(i for i, row in enumerate(rows) if row[1] == 0x122)
    rows[place] = (rows[place][0], 0x122, b"\xfe\xff")
    assert pack_voltage(decode(capture(rows), pack.signal_map())).largest_v == pytest.approx(400)


def test_without_link_or_pack_the_reason_is_told():
    assert "link voltage" in link_voltage(ElectricPack(seconds=1, without=("link",)).channels())
    assert "pack voltage" in link_voltage(ElectricPack(seconds=1, without=("pack",)).channels())


ROOMS = (contactor_findings, precharge_findings, interlock_findings, insulation_findings, keep_alive_findings)


@settings(max_examples=80, deadline=None)
@given(st.data())
def test_whatever_a_capture_holds_no_room_stops(data):
    """Few samples or none, a clock that jumps, any values, any channel missing, with and without words and sheet."""
    signal_map = sound_drive(
        labels=data.draw(st.sampled_from([{}, {0: "open", 1: "closed"}, {1: "welded"}]))
    ).signal_map()
    can_ids = [message.can_id for message in signal_map.messages]
    rows = data.draw(
        st.lists(
            st.tuples(
                st.one_of(st.floats(0, 30), st.sampled_from([0.0, 5.0, 9e8])),
                st.sampled_from(can_ids),
                st.sampled_from([b"", b"\0", b"\5\0", b"\xff\xff", b"\xa0\x0f", b"\1\1", b"\0\0\0"]),
            ),
            max_size=60,
        )
    )
    repeated = [(t + i * 0.1, can_id, payload) for i in range(20) for t, can_id, payload in rows[:10]]
    sheet = data.draw(st.sampled_from([None, PackSheet(), PackSheet(cells_in_series=3)]))
    channels = decode(capture(rows + repeated), signal_map, sheet)
    for room in ROOMS:
        not_judged = {}
        for finding in room(channels, not_judged):
            assert finding.from_ns <= finding.to_ns
            assert finding.explanation
            assert finding.advice
        assert all(isinstance(reason, str) and reason for reason in not_judged.values())


def test_stretches_do_not_go_on_over_a_silence():
    found = states(["MainContactor_Plus"], [(1,)] * 60, skip=range(20, 40))
    closed = found.stretches(found.closed)
    assert closed.from_ns.tolist() == [0, 4_000_000_000]
    assert closed.to_ns.tolist() == [1_900_000_000, 5_900_000_000]
    assert not closed.begun.any()
    assert not closed.ended.any()


@given(st.lists(st.booleans(), max_size=30), st.data())
def test_runs_are_what_a_loop_would_find(holds, data):
    cut = data.draw(st.lists(st.booleans(), min_size=len(holds), max_size=len(holds)))
    expected, open_run = [], None
    for index, (now, apart) in enumerate(zip(holds, cut, strict=True)):
        if open_run is not None and (apart or not now):
            expected.append((open_run, index - 1))
            open_run = None
        if now and open_run is None:
            open_run = index
    if open_run is not None:
        expected.append((open_run, len(holds) - 1))
    first, last = runs(np.array(holds, bool), cut=np.array(cut, bool))
    assert list(zip(first.tolist(), last.tolist(), strict=True)) == expected
