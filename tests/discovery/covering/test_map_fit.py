"""What a map says held against captures: ranges, counters, carved borders, checks."""

import numpy as np
import pytest

from decoder.bits import Field
from decoder.channels import decode
from decoder.discovery.covering.map_fit import misfits
from decoder.discovery.field_at import Sampled
from decoder.discovery.proposal import Carving, Proposal
from decoder.discovery.streams import streams
from decoder.maps.sheet_file import parse_sheet
from tests.building import capture, conversation
from tests.discovery.map_texts import VOLTS, dbc, frames_of


def told(frames, signal_map, proposals=None, sheet=None):
    found = streams(frames)
    carvings = [Carving(one, tuple(proposals), np.empty(0, np.intp)) for one in found] if proposals is not None else []
    return misfits(decode(frames, signal_map, sheet), Sampled(found), carvings)


def test_a_range_that_is_left_at_once_is_told():
    (one,) = told(frames_of([2500 + at for at in range(20)]), dbc(VOLTS))
    assert (one.kind, one.channel, one.share) == ("range", "Pack_V", 1.0)
    assert one.text == "leaves its range 300 to 400 V from the first value on: 250 V, 100% of its values"


def test_a_range_that_is_left_now_and_then_is_told_and_one_that_is_kept_is_not():
    values = [3500 + at for at in range(100)]
    assert not told(frames_of(values), dbc(VOLTS))
    values[50] = 4200
    (one,) = told(frames_of(values), dbc(VOLTS))
    assert "at times: 420 V, 1% of its values" in one.text
    assert one.time_ns == 5_000_000_000
    assert not told(frames_of([*values, *[3500] * 200]), dbc(VOLTS))


def test_what_is_not_available_leaves_no_range():
    assert not told(frames_of([0xFFFF] * 5 + [3500] * 20), dbc(VOLTS))


def test_a_counter_that_does_not_count_is_told():
    alive = dbc('Msg_Alive : 7|8@0+ (1,0) [0|255] ""')
    assert not told(frames_of([at % 256 for at in range(300)], "u8p56"), alive)
    assert not told(frames_of([at % 15 for at in range(300)], "u8p56"), alive)
    rng = np.random.default_rng(1)
    (one,) = told(frames_of(rng.integers(0, 256, 300).tolist(), "u8p56"), alive)
    assert (one.kind, one.channel) == ("counter", "Msg_Alive")
    (one,) = told(frames_of([7] * 30, "u8p56"), alive)
    assert one.text == "does not count: it stands still"
    sheet = parse_sheet('[[channels]]\nmatch = "Msg_Alive"\nquantity = "alive counter"\nmodulus = 16\n')
    assert told(frames_of([at % 15 for at in range(60)], "u8p56"), alive, sheet=sheet) == ()


NUMBER = Proposal(Field(7, 16, "big"), "number", 0.9)


@pytest.mark.parametrize(
    ("signal", "text"),
    [
        ("7|8@0+", "7|8@0+ cuts through the carved number 7|16@0+ (90%)"),
        ("0|16@1+", "0|16@1+ is carved as big-endian (90%)"),
        ("7|32@0+", "7|32@0+ joins the carved numbers 7|16@0+ and 23|16@0+"),
        ("7|16@0+", None),
        ("7|16@0-", None),
    ],
)
def test_fields_that_cross_a_carved_border_are_told(signal, text):
    proposals = [NUMBER, Proposal(Field(23, 16, "big"), "number", 0.85), Proposal(Field(39, 8, "big"), "number", 0.7)]
    found = told(frames_of(range(20)), dbc(f'S : {signal} (1,0) [0|0] ""'), proposals)
    assert [one.text for one in found] == ([text] if text else [])


def test_bits_that_never_changed_are_no_border():
    certain = {"certain": {"start": 3, "length": 12}}
    proposals = [Proposal(Field(7, 16, "big"), "number", 0.9, None, certain)]
    assert not told(frames_of(range(20)), dbc('S : 3|12@0+ (1,0) [0|0] ""'), proposals)
    assert told(frames_of(range(20)), dbc('S : 2|11@0+ (1,0) [0|0] ""'), proposals)


def test_a_check_that_no_form_holds_for_and_one_that_fails_are_told():
    check = dbc('Msg_Check : 7|8@0+ (1,0) [0|0] ""')
    frames = frames_of(range(20), "u8p56")
    (one,) = told(frames, check, [])
    assert (one.kind, one.text) == ("check", "no checksum or CRC that is known holds there")
    detail = {"form": "CRC-8/SAE-J1850", "holds": 18, "frames": 20}
    (one,) = told(frames, check, [Proposal(Field(0, 8), "check", 0.99, None, detail)])
    assert one.text == "fails in 2 of 20 payloads: CRC-8/SAE-J1850"
    assert one.share == 0.1
    assert not told(frames, check, [Proposal(Field(0, 8), "check", 0.99, None, {**detail, "holds": 20})])


def test_a_check_or_a_counter_that_the_map_takes_for_something_else_is_told():
    frames = frames_of(range(20), "u8p56")
    proposals = [Proposal(Field(0, 8), "check", 0.99, None, {"form": "CRC-8/SAE-J1850", "holds": 20, "frames": 20})]
    (one,) = told(frames, dbc('Pack_V : 7|8@0+ (1,0) [0|0] "V"'), proposals)
    assert one.text == "is pack voltage by the map, and is carved as a check"
    assert not told(frames, dbc('Some : 7|8@0+ (1,0) [0|0] ""'), proposals)
    (one,) = told(frames, dbc('Some : 7|8@0+ (1,0) [0|0] "km"'), [Proposal(Field(0, 8), "counter", 0.95)])
    assert one.text == "is something in km by the map, and is carved as a counter"


def test_a_signal_that_takes_in_a_check_is_told():
    proposals = [Proposal(Field(7, 8, "big"), "number", 0.9), Proposal(Field(15, 8, "big"), "check", 0.95)]
    (one,) = told(frames_of(range(20)), dbc('S : 7|16@0+ (1,0) [0|0] ""'), proposals)
    assert one.text == "7|16@0+ takes in the carved check 15|8@0+ (95%)"


def answers(count=30):
    ask, reply = bytes.fromhex("220104"), bytes.fromhex("620104")
    other = bytes.fromhex("220105"), bytes.fromhex("620105")
    talk = [(at, ask, reply + bytes([at, at % 7, 1, 2, 3, 4, 5, 6, 7])) for at in range(count)]
    talk += [(at + 0.5, other[0], other[1] + bytes([200 + at, 1, 1, 2, 3, 4, 5, 6, 7])) for at in range(count)]
    return capture(sorted(conversation(talk), key=lambda row: row[0]))


def answer_map(signal, topic="7|24@0+", page=0x620104):
    text = dbc(f'Topic M : {topic} (1,0) [0|0] ""', f"S m{page} : {signal}", can_id=0x6EA, length=12)
    assert text.messages[0].exceeds_a_frame
    return text


@pytest.mark.parametrize(("topic", "page"), [("7|24@0+", 0x620104), ("7|16@0+", 0x6201), ("7|8@0+", 0x62)])
def test_a_kind_of_answer_is_held_against_what_it_carries_alone(topic, page):
    frames = answers()
    (one,) = told(frames, answer_map('31|8@0+ (1,0) [0|10] ""', topic, page))
    assert one.kind == "range"
    assert one.key.carrier.prefix == bytes.fromhex("620104")
    proposals = [Proposal(Field(31, 16, "big"), "number", 0.9)]
    (one,) = told(frames, answer_map('31|8@0+ (1,0) [0|0] ""', topic, page), proposals)
    assert one.text == "31|8@0+ cuts through the carved number 31|16@0+ (90%)"
