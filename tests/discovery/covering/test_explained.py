"""Changing and explained bits are counted as by hand, page by page, for frames and for whole answers."""

from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoder.discovery.covering.explained import explained
from decoder.discovery.streams import streams
from tests.building import capture, conversation
from tests.channels.test_streams import broadcast
from tests.discovery.map_texts import PAGES, dbc
from tests.strategies import fields


def of(frames, signal_map):
    return explained(frames, streams(frames), signal_map)


def flips_by_hand(payloads):
    """Which bits of payloads (bytes of one length) change, by DBC number, and how often: one bit at a time."""
    count = {}
    for before, after in pairwise(payloads):
        for byte, (old, new) in enumerate(zip(before, after, strict=True)):
            for bit in range(8):
                if (old ^ new) >> bit & 1:
                    count[byte * 8 + bit] = count.get(byte * 8 + bit, 0) + 1
    return count


@settings(max_examples=60, deadline=None)
@given(st.lists(st.binary(min_size=8, max_size=8), min_size=2, max_size=8), st.lists(fields(8), max_size=4))
def test_bits_are_counted_as_by_hand(payloads, covered):
    rows = [(0.1 * at, 0x123, payload) for at, payload in enumerate(payloads)]
    texts = [
        f'S{at} : {f.start}|{f.length}@{"1" if f.byte_order == "little" else "0"}+ (1,0) [0|0] ""'
        for at, f in enumerate(covered)
    ]
    found = of(capture(rows), dbc(*texts))
    changing = flips_by_hand(payloads)
    mapped = {bit for one in covered for bit in one.bit_numbers()}
    (one,) = found.streams
    (part,) = one.parts
    assert found.changing_bits == one.changing_bits == len(changing)
    assert found.explained_bits == len(mapped & set(changing))
    assert set(part.left) == set(changing) - mapped
    expected = sum(count for bit, count in changing.items() if bit not in mapped) / (len(payloads) - 1)
    assert part.moves == pytest.approx(expected)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.integers(1, 3), st.binary(min_size=7, max_size=7)), min_size=2, max_size=10))
def test_under_a_multiplexor_bits_count_for_each_value(pages):
    payloads = [bytes([page]) + rest for page, rest in pages]
    found = of(capture([(0.1 * at, 0x123, one) for at, one in enumerate(payloads)]), dbc(*PAGES))
    everywhere = {bit for bit in flips_by_hand(payloads) if bit < 8 or bit >= 56}
    (one,) = found.streams
    parts = {part.page: part for part in one.parts}
    assert parts[()].changing_bits == parts[()].explained_bits == len(everywhere)
    total = len(everywhere)
    for page in {page for page, _ in pages}:
        own = [payload for number, payload in zip([p for p, _ in pages], payloads, strict=True) if number == page]
        changing = {bit for bit in flips_by_hand(own) if 8 <= bit < 56}
        mapped = {1: set(range(8, 16)), 2: set(range(16, 24)), 3: set()}[page]
        part = parts[("Page", page),]
        assert set(part.left) == changing - mapped
        assert part.explained_bits == len(changing & mapped)
        total += len(changing)
    assert found.changing_bits == total


def test_a_multiplexor_under_a_multiplexor():
    signals = (
        'Out M : 0|8@1+ (1,0) [0|0] ""',
        'In m1M : 8|8@1+ (1,0) [0|0] ""',
        'A m2 : 16|8@1+ (1,0) [0|0] ""',
        'B m0 : 8|16@1+ (1,0) [0|0] ""',
    )
    more = "SG_MUL_VAL_ 291 In Out 1-1;\nSG_MUL_VAL_ 291 A In 2-2;\nSG_MUL_VAL_ 291 B Out 0-0;\n"
    payloads = [b"\x01\x02\x00\x00", b"\x01\x02\x0f\x00", b"\x01\x03\x00\x00", b"\x01\x03\x0f\x00", b"\x00\x01\x02\x00"]
    payloads += [b"\x00\x02\x02\x00"]
    found = of(capture([(at, 0x123, one) for at, one in enumerate(payloads)]), dbc(*signals, length=4, more=more))
    parts = {part.page: (part.changing_bits, part.explained_bits) for part in found.streams[0].parts}
    assert parts == {
        (): (1, 1),
        (("Out", 0),): (2, 2),
        (("Out", 1),): (1, 1),
        (("Out", 1), ("In", 2)): (4, 4),
        (("Out", 1), ("In", 3)): (4, 0),
    }


def test_what_moves_most_comes_first():
    rows = []
    for at in range(20):
        rows += [(at, 0x100, bytes([at % 2])), (at, 0x200, bytes([0xFF * (at % 2)])), (at, 0x300, bytes([1]))]
    found = of(capture(rows), dbc(length=1, can_id=0x300))
    assert [(one.key.can_id, one.moves) for one in found.streams] == [(0x200, 8), (0x100, 1), (0x300, 0)]
    assert (found.changing_bits, found.explained_bits) == (9, 0)


def test_answers_count_as_whole_messages_and_questions_not_at_all():
    ask, reply = bytes.fromhex("220104"), bytes.fromhex("620104")
    talk = [(at, ask, reply + bytes([at, 0x10, 0x20, at & 1, 5, 6, 7, 8])) for at in range(8)]
    frames = capture(conversation(talk))
    plain = of(frames, dbc(can_id=1))
    assert [(one.key.can_id, one.key.carrier.prefix) for one in plain.streams] == [(0x6EA, reply)]
    assert (plain.changing_bits, plain.explained_bits) == (4, 0)
    topic = 'Topic M : 7|24@0+ (1,0) [0|0] ""'
    mapped = dbc(topic, 'A m6422788 : 31|8@0+ (1,0) [0|0] ""', can_id=0x6EA, length=11)
    assert of(frames, mapped).explained_bits == 3


def test_long_parameter_groups_count_as_whole_messages():
    rows = []
    for at in range(6):
        rows += broadcast(at, bytes([at, 0x11, 0x22, at & 1, 5, 6, 7, 8, 9, 10]), pgn=0xFF50, source=0xE5)
    frames = capture(rows)
    (one,) = of(frames, dbc(can_id=1)).streams
    assert (one.key.carrier.pgn, one.key.can_id & 0xFF, one.changing_bits, one.explained_bits) == (0xFF50, 0xE5, 4, 0)
    definition = 'BA_DEF_ BO_ "VFrameFormat" ENUM "StandardCAN","ExtendedCAN","reserved","J1939PG";\n'
    number = 0x98FF50E5
    more = f'{definition}BA_DEF_DEF_ "VFrameFormat" "StandardCAN";\nBA_ "VFrameFormat" BO_ {number} 3;\n'
    mapped = dbc('A : 0|8@1+ (1,0) [0|0] ""', can_id=number, length=10, more=more)
    (one,) = of(frames, mapped).streams
    assert (one.messages, one.explained_bits) == (("Msg",), 3)
    other = dbc(
        'A : 0|8@1+ (1,0) [0|0] ""', can_id=number + 1, length=10, more=more.replace(str(number), str(number + 1))
    )
    assert of(frames, other).explained_bits == 0
