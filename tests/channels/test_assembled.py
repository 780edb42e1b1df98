"""Messages of a map that describe whole payloads: answers of ISO 15765-2."""

import tracemalloc
from dataclasses import replace
from itertools import pairwise

import cantools
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoder.bits import Field
from decoder.channels import State, decode
from decoder.channels.assembled import Sender, assembled
from decoder.channels.blocks import decoded_blocks, learn
from decoder.channels.decoding import with_sheet
from decoder.channels.states import state_at
from decoder.channels.table import long_table, wide_table
from decoder.judgement import judge
from decoder.maps import load_map, load_sheet
from decoder.maps.signal_map import Message, Page, Signal, SignalMap
from tests.building import capture, conversation, cut_up

TOPIC = Signal("Topic", Field(7, 24, "big"), is_multiplexor=True)


def cells(identifier, count, first=1):
    """Signals of 16 bits, one behind the other, on the page of one identifier."""
    page = Page("Topic", ((0x620000 | identifier, 0x620000 | identifier),))
    return tuple(
        Signal(f"Cell_1_{first + n:02}_V", Field(24 + 16 * n + 7, 16, "big"), 0.001, unit="V", page=page)
        for n in range(count)
    )


def answers_map(*signals, **more):
    return SignalMap((Message("Answers", 0x6EA, False, 103, (TOPIC, *signals), is_reassembled=True, **more),))


MAP = answers_map(*cells(0x0101, 50), *cells(0x0102, 3, first=51))


def block(identifier, millivolts):
    return b"\x62" + identifier.to_bytes(2) + b"".join(v.to_bytes(2) for v in millivolts)


def polls(count, every_s=1.0, answered=lambda _: True):
    """A conversation that reads block 0101 `count` times."""
    return conversation(
        [
            (
                1 + n * every_s,
                bytes.fromhex("220101"),
                block(0x0101, range(3600 + n, 3650 + n)) if answered(n) else None,
            )
            for n in range(count)
        ]
    )


def test_an_answer_of_sixteen_frames_gives_its_cells():
    channels = decode(capture(polls(3)), MAP)
    assert channels["Cell_1_01_V"].value == pytest.approx([3.600, 3.601, 3.602])
    assert channels["Cell_1_50_V"].value == pytest.approx([3.649, 3.650, 3.651])
    assert len(channels["Cell_1_51_V"]) == 0


def test_a_sample_has_row_and_time_of_the_frame_that_completes_it():
    frames = capture(polls(2))
    series = decode(frames, MAP)["Cell_1_01_V"]
    last_of_answer = [row for row in range(len(frames)) if frames.can_id[row] == 0x6EA][14::15]
    assert series.rows.tolist() == last_of_answer
    assert series.time_ns.tolist() == frames.time_ns[last_of_answer].tolist()


def test_the_payload_of_a_sample_is_the_whole_answer():
    channels = decode(capture(polls(2)), MAP)
    assert channels.payload_of(channels["Cell_1_01_V"], 1) == block(0x0101, range(3601, 3651))


def test_a_short_answer_gives_the_cells_that_it_has():
    talk = [(n, bytes.fromhex("220101"), block(0x0101, [3700, 3701, 3702])) for n in range(1, 4)]
    channels = decode(capture(conversation(talk)), MAP)
    assert [len(channels[f"Cell_1_0{n}_V"]) for n in (1, 2, 3, 4)] == [3, 3, 3, 0]


def test_a_signal_past_the_length_that_the_map_states_is_decoded_where_an_answer_has_it():
    stated_short = SignalMap((Message("Answers", 0x6EA, False, 9, (TOPIC, *cells(0x0101, 50)), is_reassembled=True),))
    assert len(decode(capture(polls(3)), stated_short)["Cell_1_50_V"]) == 3


def test_refused_and_broken_answers_give_no_samples_and_are_counted():
    talk = [(1, bytes.fromhex("220101"), block(0x0101, range(3600, 3650))), (2, b"\x22\x01\x02", b"\x7f\x22\x31")]
    rows = conversation([*talk, (3, bytes.fromhex("220101"), block(0x0101, range(3600, 3650)))])
    lost = [row for row in rows if row[1] == 0x6EA][-3]
    channels = decode(capture([row for row in rows if row is not lost]), MAP)
    assert len(channels["Cell_1_01_V"]) == 1
    assert channels.account.broken_payloads == {"Answers": 1}
    assert channels.account.refused_answers == {"Answers": 1}
    assert channels.account.unknown_pages == {}


def test_the_maps_word_is_enough_where_one_short_answer_is_all_there_is():
    rows = [(1.0, 0x6EA, frame) for frame in cut_up(block(0x0101, [3700, 3701]))]
    assert decode(capture(rows), MAP)["Cell_1_02_V"].value == pytest.approx([3.701])


@pytest.mark.parametrize("marked", [True, False])
def test_a_message_longer_than_a_frame_describes_answers_without_the_attribute_too(marked):
    message = Message("Answers", 0x6EA, False, 103, (TOPIC, *cells(0x0101, 50)), is_reassembled=marked)
    assert len(decode(capture(polls(3)), SignalMap((message,)))["Cell_1_50_V"]) == 3


def test_a_long_message_on_plain_frames_still_describes_the_frames():
    plain = SignalMap((Message("Wide", 0x123, False, 12, (Signal("A", Field(0, 8)), Signal("B", Field(80, 8)))),))
    channels = decode(capture([(n, 0x123, bytes([n] * 8)) for n in range(20)]), plain)
    assert channels["A"].value.tolist() == list(range(20))
    assert len(channels["B"]) == 0
    assert channels.account.short_frames == {"Wide": 20}


def test_extended_addressing_is_found_and_the_address_is_no_payload():
    rows = []
    for n in range(3):
        rows.append((n + 1.0, 0x6F1, b"\x07" + cut_up(bytes.fromhex("220101"), size=7)[0]))
        answer = cut_up(block(0x0101, range(3600, 3610)), address=0xF1)
        rows += [(n + 1.01 + 0.002 * at, 0x6EA, frame) for at, frame in enumerate(answer)]
    assert decode(capture(rows), MAP)["Cell_1_10_V"].value == pytest.approx([3.609] * 3)


def written_map(attribute):
    """The text of a DBC file with one message, and what is said about it."""
    return (
        'VERSION ""\nBU_: A\nBO_ 1770 Answers: 13 A\n SG_ Topic M : 7|24@0+ (1,0) [0|0] "" A\n'
        ' SG_ Cell m6422785 : 31|16@0+ (0.001,0) [0|0] "V" A\n' + attribute
    )


@pytest.mark.parametrize(
    "attribute",
    [
        'BA_DEF_ BO_ "CellgleanPayload" ENUM "frame","reassembled";\nBA_ "CellgleanPayload" BO_ 1770 1;\n',
        'BA_DEF_ BO_ "CellgleanPayload" ENUM "frame","reassembled";\nBA_ "CellgleanPayload" BO_ 1770 "reassembled";\n',
        'BA_DEF_ BO_ "CellgleanPayload" ENUM "frame","reassembled";\nBA_DEF_DEF_ "CellgleanPayload" "reassembled";\n',
    ],
)
def test_the_attribute_may_be_a_number_a_word_or_the_default(tmp_path, attribute):
    path = tmp_path / "a.dbc"
    path.write_text(written_map(attribute))
    signal_map = load_map(path, strict=True)
    assert signal_map.messages[0].is_reassembled
    rows = [(1.0, 0x6EA, frame) for frame in cut_up(block(0x0101, [3700]))]
    assert decode(capture(rows), signal_map)["Cell"].value == pytest.approx([3.7])


def test_without_the_attribute_a_short_message_describes_frames(tmp_path):
    path = tmp_path / "a.dbc"
    defined = 'BA_DEF_ BO_ "CellgleanPayload" ENUM "frame","reassembled";\nBA_DEF_DEF_ "CellgleanPayload" "frame";\n'
    path.write_text(written_map(defined).replace(": 13 A", ": 8 A"))
    assert not load_map(path, strict=True).messages[0].is_reassembled


# Exactness: random layouts over answers of up to 120 bytes, against cantools.


@st.composite
def layouts_and_answers(draw):
    length = draw(st.integers(8, 120))
    signals = []
    for number in range(draw(st.integers(1, 8))):
        bits = draw(st.integers(1, 64))
        first = draw(st.integers(24, max(24, length * 8 - bits)))
        order = draw(st.sampled_from(["little", "big"]))
        start = first if order == "little" else first // 8 * 8 + 7 - first % 8
        identifier = draw(st.sampled_from([0x0101, 0x0102]))
        factor = draw(st.sampled_from([1, 0.5, 0.001]))
        signals.append((f"S{number}", start, bits, order, draw(st.booleans()), identifier, factor))
    answers = draw(
        st.lists(
            st.tuples(st.sampled_from([0x0101, 0x0102]), st.binary(min_size=1, max_size=length - 3)),
            min_size=1,
            max_size=5,
        )
    )
    return length, signals, answers


def one_signal_by_cantools(length, row):
    """The same message in cantools; one signal at a time, for it does not decode all that overlap."""
    name, start, bits, order, signed, identifier, factor = row
    sign, at = "-" if signed else "+", "1" if order == "little" else "0"
    text = (
        f'VERSION ""\nBU_: A\nBO_ 1770 Answers: {length} A\n SG_ Topic M : 7|24@0+ (1,0) [0|0] "" A\n'
        f' SG_ {name} m{0x620000 | identifier} : {start}|{bits}@{at}{sign} ({factor},0) [0|0] "" A\n'
    )
    return cantools.database.load_string(text, strict=False).messages[0]


@settings(max_examples=200)
@given(layouts_and_answers())
def test_every_value_equals_that_of_cantools(made):
    length, signals, answers = made
    mapped = tuple(
        Signal(n, Field(s, b, o, g), f, page=Page("Topic", ((0x620000 | i, 0x620000 | i),)))
        for n, s, b, o, g, i, f in signals
    )
    ours = SignalMap((Message("Answers", 0x6EA, False, length, (TOPIC, *mapped), is_reassembled=True),))
    payloads = [b"\x62" + identifier.to_bytes(2) + rest for identifier, rest in answers]
    talk = [(n + 1.0, payload[:3].replace(b"\x62", b"\x22", 1), payload) for n, payload in enumerate(payloads)]
    channels = decode(capture(conversation(talk)), ours)
    for signal, row in zip(mapped, signals, strict=True):
        theirs = one_signal_by_cantools(length, row)
        fitting = [p for p in payloads if int.from_bytes(p[1:3]) == row[5] and signal.field.last_byte < len(p)]
        want = [theirs.decode(p.ljust(length, b"\x00"), decode_choices=False)[signal.name] for p in fitting]
        assert channels[signal.name].value.tolist() == want


# Stale follows the polling.


def states(channels, name="Cell_1_01_V"):
    return [State(s).word for s in channels[name].state]


def test_nothing_is_stale_while_nobody_asks():
    rows = [*polls(10), (200.0, 256, b"\x00")]
    channels = decode(capture(rows), MAP)
    assert set(states(channels)) == {"ok"}
    assert state_at(channels["Cell_1_01_V"], channels.last_ns) is State.OK
    assert not [f for f in judge(channels).findings if f.code == "channel-stale"]


def test_a_pause_between_two_rounds_of_polling_is_not_stale():
    first, second = polls(5), [(time_s + 100, *rest) for time_s, *rest in polls(5)]
    assert set(states(decode(capture(first + second), MAP))) == {"ok"}


@pytest.mark.parametrize(("in_vain", "word"), [(4, "ok"), (5, "stale")])
def test_five_questions_in_vain_make_the_last_answer_stale(in_vain, word):
    rows = [*polls(10 + in_vain, answered=lambda n: n < 10), (60.0, 256, b"\x00")]
    channels = decode(capture(rows), MAP)
    assert states(channels)[-1] == word
    assert state_at(channels["Cell_1_01_V"], channels.last_ns).word == word
    stale = [f for f in judge(channels).findings if f.code == "channel-stale"]
    assert bool(stale) == (word == "stale")
    assert all("5 times in vain" in finding.explanation for finding in stale)


def test_questions_in_vain_about_something_else_do_not_count():
    talk = [(20.0 + n, bytes.fromhex("220999"), None) for n in range(10)]
    assert set(states(decode(capture(polls(10) + conversation(talk)), MAP))) == {"ok"}


def test_answers_without_their_questions_are_never_stale():
    rows = [row for row in polls(10) if row[1] == 0x6EA] + [(300.0, 0x100, b"\x00")]
    assert set(states(decode(capture(rows), MAP))) == {"ok"}


def test_a_wide_table_is_empty_where_the_answer_is_stale():
    rows = [*polls(20, answered=lambda n: n < 10), (30.0, 256, b"\x00")]
    table = wide_table(decode(capture(rows), MAP), 1.0)
    column = table["Cell_1_01_V [V]"]
    assert not np.isnan(column[12])
    assert np.isnan(column[18])


def test_another_sheet_changes_no_sample_and_no_staleness():
    channels = decode(capture(polls(15, answered=lambda n: n < 10)), MAP)
    again = with_sheet(channels, None)
    assert long_table(channels).equals(long_table(again))


# In blocks.


@settings(max_examples=60, deadline=None)
@given(st.lists(st.booleans(), min_size=1, max_size=12), st.sets(st.integers(0, 200), max_size=6), st.data())
def test_blocks_equal_the_whole_wherever_an_answer_is_cut(answered, cuts, data):
    rows = polls(len(answered), answered=lambda n: answered[n])
    rows += [(0.5 + 0.1 * n, 0x100, bytes([n % 256] * 8)) for n in range(30)]
    rows.sort(key=lambda row: row[0])
    dropped = data.draw(st.sets(st.integers(0, len(rows) - 1), max_size=3))
    frames = capture([row for at, row in enumerate(rows) if at not in dropped])
    ends = [0, *sorted(cut for cut in cuts if cut < len(frames)), len(frames)]
    blocks = [frames.take(slice(a, b)) for a, b in pairwise(ends)]
    whole = decode(frames, MAP)
    learned = learn(lambda: blocks, MAP, None)
    assert list(learned.channels) == list(whole)
    parts = list(decoded_blocks(blocks, MAP, None, learned))
    for name, series in whole.items():
        mine = [part[name] for part in parts if name in part]
        assert [v for one in mine for v in one.value.tolist()] == series.value.tolist()
        assert [t for one in mine for t in one.time_ns.tolist()] == series.time_ns.tolist()
        assert [s for one in mine for s in one.state.tolist()] == series.state.tolist()


def test_of_other_frames_than_those_of_the_conversation_nothing_is_kept():
    rows = polls(3) + [(1.0 + 0.001 * n, 0x100, bytes([0xFF] * 8)) for n in range(2000)]
    frames = capture(sorted(rows, key=lambda row: row[0]))
    learned = learn(lambda: [frames], MAP, None)
    assert {sender.can_id: len(one.rows) for sender, one in learned.assembled.items()} == {0x6E2: 3, 0x6EA: 3}


def test_an_answer_that_asks_for_time_is_neither_a_sample_nor_a_refusal():
    rows = conversation([(1, bytes.fromhex("220101"), b"\x7f\x22\x78")])
    rows += [(1.5, 0x6EA, frame) for frame in cut_up(block(0x0101, [3700]))]
    channels = decode(capture(rows), MAP)
    assert len(channels["Cell_1_01_V"]) == 1
    assert channels.account.refused_answers == {}


def test_questions_in_vain_at_one_time_count_alike_in_blocks_and_in_the_whole():
    in_vain = [(9.0, 0x6E2, cut_up(b"\x22\1\1")[0])] * 6
    frames = capture([*polls(4), *in_vain, *[(time_s + 15, *rest) for time_s, *rest in polls(4)]])
    learned = learn(lambda: [frames], MAP, None)
    part = next(decoded_blocks([frames], MAP, None, learned))
    assert states(part) == states(decode(frames, MAP)) == ["ok"] * 3 + ["stale"] + ["ok"] * 4


@pytest.mark.parametrize("apart", ["buses", "messages"])
def test_what_gave_no_samples_is_counted_over_all_buses_and_messages_of_a_name(apart):
    talk = [
        (1, b"\x22\1\1", block(0x0101, range(3600, 3650))),
        (3, b"\x22\1\2", b"\x7f\x22\x31"),
        (5, b"\x22\1\2", b""),
    ]
    first = conversation(talk)
    del first[8]
    second = conversation(talk[:2], bus=apart == "buses", answerer=0x6EA if apart == "buses" else 0x6EC, asker=0x6E4)
    del second[8]
    other = Message("Answers", 0x6EC, False, 103, MAP.messages[0].signals, is_reassembled=True)
    account = decode(capture(first + second, ("can0", "can1")), SignalMap((*MAP.messages, other))).account
    assert account.broken_payloads == {"Answers": 2}
    assert account.refused_answers == {"Answers": 2}


def test_one_long_answer_among_many_short_ones_does_not_blow_up_the_memory():
    talk = [(1 + n / 100, b"\x22\1\2", block(0x0102, [3700])) for n in range(4000)]
    talk.append((50, b"\x22\1\1", block(0x0101, [3600] * 2000)))
    far = SignalMap((replace(MAP.messages[0], signals=(TOPIC, *cells(0x0101, 2000), *cells(0x0102, 1))),))
    one = assembled(capture(conversation(talk)), far)[Sender(0, 0x6EA)]
    width = int(one.length.max())
    tracemalloc.start()
    matrix = one.matrix(width)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert matrix[-1].tobytes() == block(0x0101, [3600] * 2000)
    assert matrix[0, :5].tobytes() == block(0x0102, [3700])
    assert not matrix[0, 5:].any()
    assert peak < 2 * matrix.nbytes


@pytest.mark.parametrize("written", ['"Reassembled"', '"whole"', "2", "-1"])
@pytest.mark.parametrize("statement", ['BA_DEF_DEF_ "CellgleanPayload" {};\n', 'BA_ "CellgleanPayload" BO_ 1770 {};\n'])
def test_a_wrong_word_for_what_a_message_describes_is_reported(tmp_path, written, statement):
    path = tmp_path / "a.dbc"
    defined = 'BA_DEF_ BO_ "CellgleanPayload" ENUM "frame","reassembled";\n'
    path.write_text(written_map(defined + statement.format(written)))
    signal_map = load_map(path)
    assert not signal_map.messages[0].is_reassembled
    assert [fault for fault in signal_map.faults if "CellgleanPayload" in str(fault)]


def test_questions_in_vain_after_the_clock_jumped_back_are_not_held_against_earlier_answers():
    again = [(9 + n / 2, 0x6E2, cut_up(b"\x22\1\1")[0]) for n in range(8)]
    assert set(states(decode(capture(polls(5, every_s=7.0) + again), MAP))) == {"ok"}


def test_questions_to_all_that_nobody_answers_any_more_make_the_last_answer_stale():
    rows = []
    for n in range(20):
        rows.append((1.0 + n, 0x7DF, cut_up(b"\x22\1\1")[0]))
        answer = cut_up(block(0x0101, [3700, 3701])) if n < 10 else []
        rows += [(1.01 + n + 0.002 * at, 0x7E8, frame) for at, frame in enumerate(answer)]
    at_7e8 = SignalMap((replace(MAP.messages[0], can_id=0x7E8),))
    assert states(decode(capture(rows), at_7e8)) == ["ok"] * 9 + ["stale"]


def broadcast(millivolts, can_id=0x200):
    """A message with cell 1 of module 1, and its frames while the polls of twenty seconds run."""
    message = Message("Sent", can_id, can_id > 0x7FF, 2, (Signal("SentCell_1_01_V", Field(0, 16), 0.001, unit="V"),))
    return message, [(1 + n / 10, can_id, millivolts.to_bytes(2, "little")) for n in range(200)]


def test_of_a_cell_broadcast_as_not_available_and_asked_for_the_answers_count():
    message, rows = broadcast(0xFFFF)
    channels = decode(capture(sorted([*polls(20), *rows], key=lambda row: row[0])), SignalMap((*MAP.messages, message)))
    assert channels.one_a_place("cell voltage")[0].channel.name == "Cell_1_01_V"


def test_a_cell_in_a_parameter_group_and_in_answers_is_one_cell():
    message, rows = broadcast(3000, can_id=0x18FF50F4)
    signal_map = SignalMap((*MAP.messages, replace(message, is_j1939=True)))
    channels = decode(capture(sorted([*polls(20), *rows], key=lambda row: row[0])), signal_map)
    names = [series.channel.name for series in channels.one_a_place("cell voltage")]
    assert names[:2] == ["SentCell_1_01_V", "Cell_1_02_V"]


def test_cells_of_two_source_addresses_are_not_one_cell():
    message, rows = broadcast(3000, can_id=0x18FF50F4)
    rows += [(time_s + 0.05, 0x18FF50F5, data) for time_s, _, data in rows]
    channels = decode(capture(sorted(rows)), SignalMap((replace(message, is_j1939=True),)))
    assert len(channels.one_a_place("cell voltage")) == 2


def test_a_pack_sheet_that_gives_a_cycle_time_makes_answers_stale_by_time(tmp_path):
    path = tmp_path / "p.toml"
    path.write_text('[[channels]]\nmatch = "Cell_{module}_{cell}_V"\nquantity = "cell voltage"\ncycle_s = 1.0\n')
    frames = capture([*polls(5), (60.0, 0x100, b"\x00")])
    channels = decode(frames, MAP, load_sheet(path))
    assert states(channels)[-1] == "stale"
    assert states(with_sheet(channels, None))[-1] == "ok"
