"""Fields of a stream side by side: the user's, the map's, the carved ones."""

import numpy as np

from decoder.bits import Field
from decoder.discovery.field_at import FieldAt, StreamKey
from decoder.discovery.meaning import Meaning
from decoder.discovery.proposal import Carrier, Carving, Proposal, Selector, Stream
from decoder.discovery.workbench import edits
from decoder.discovery.workbench.fields import as_proposals, fields_of
from decoder.discovery.workbench.in_map import meanings_in_map
from decoder.discovery.workbench.work import Work
from decoder.maps.signal_map import Message, Page, Signal, SignalMap

KEY = StreamKey("can0", 0x310, extended=False)
PAGE_1, PAGE_2 = Selector(Field(0, 4), 1), Selector(Field(0, 4), 2)


def carving(*proposals):
    data = np.zeros((1, 8), np.uint8)
    return Carving(Stream("can0", 0x310, False, None, np.zeros(1, np.int64), data, np.zeros(1, np.intp)), proposals, [])


def listed(work=None, in_map=(), carved=None):
    return [(one.whose, one.at.field.start) for one in fields_of(KEY, work or Work(), in_map, carved)]


def mine(*meanings):
    work = Work()
    for one in meanings:
        work = edits.taken(work, one)
    return work


def test_constants_are_left_out_and_the_rest_stands_by_place():
    carved = carving(
        Proposal(Field(55, 16, "big"), "number", 0.8),
        Proposal(Field(8, 8), "constant", 0.1),
        Proposal(Field(16, 4), "counter", 0.9),
        Proposal(Field(7, 8, "big"), "multiplexor", 0.9),
    )
    assert listed(carved=carved) == [("carved", 7), ("carved", 16), ("carved", 55)]
    first, counter, _ = fields_of(KEY, Work(), (), carved, "boat.log")
    assert first.meaning.multiplexor
    assert counter.meaning.quantity == "alive counter"
    assert counter.meaning.comment == "carved as counter, 90 %, from boat.log"


def test_a_proposal_goes_where_others_have_half_of_its_bits_in_the_same_payloads():
    carved = carving(Proposal(Field(16, 8), "number", 0.8, PAGE_1), Proposal(Field(16, 8), "number", 0.8, PAGE_2))
    assert listed(mine(Meaning(FieldAt(KEY, Field(12, 8), PAGE_1))), carved=carved) == [("mine", 12), ("carved", 16)]
    assert listed(mine(Meaning(FieldAt(KEY, Field(12, 7), PAGE_1))), carved=carved) == [
        ("mine", 12),
        ("carved", 16),
        ("carved", 16),
    ]
    # What all payloads have is in those under each value too.
    assert listed(mine(Meaning(FieldAt(KEY, Field(12, 16)))), carved=carved) == [("mine", 12)]
    assert listed(in_map=[Meaning(FieldAt(KEY, Field(16, 8)))], carved=carved) == [("map", 16)]


def test_the_users_own_comes_before_the_same_field_of_the_map_and_of_other_streams_nothing():
    other = Meaning(FieldAt(StreamKey("can1", 0x310, extended=False), Field(0, 8)))
    own = Meaning(FieldAt(KEY, Field(0, 8)), name="Own")
    assert listed(mine(own, other), [Meaning(FieldAt(KEY, Field(0, 8)), name="Map")]) == [("mine", 0)]


def test_raw_values_that_carving_takes_as_not_available_go_with_the_field_whoever_has_it():
    one = Proposal(Field(7, 16, "big"), "number", 0.8, detail={"not_available": [65535]})
    assert fields_of(KEY, Work(), (), carving(one))[0].absent == (65535,)
    work = mine(Meaning(FieldAt(KEY, Field(7, 16, "big"))))
    assert fields_of(KEY, work, (), carving(one))[0].absent == (65535,)


def test_every_field_can_be_drawn():
    work = mine(Meaning(FieldAt(KEY, Field(0, 1))), Meaning(FieldAt(KEY, Field(8, 4)), multiplexor=True))
    drawn = as_proposals(fields_of(KEY, work, (), carving(Proposal(Field(16, 8), "state", 0.4))))
    assert [(one.field.start, one.kind) for one in drawn] == [(0, "flag"), (8, "multiplexor"), (16, "state")]


# What the map says


def signal(name, start, length, order="big", **more):
    return Signal(name, Field(start, length, order), **more)


def test_signals_of_the_map_with_the_pages_they_stand_on():
    message = Message(
        "Pages",
        0x310,
        False,
        8,
        (
            signal("Index", 7, 8, is_multiplexor=True),
            signal("Cell_1_V", 15, 16, scale=0.001, unit="V", page=Page("Index", ((1, 1),))),
            signal("Sub", 23, 8, is_multiplexor=True, page=Page("Index", ((2, 2),))),
            signal("Deep", 31, 8, page=Page("Sub", ((5, 7),))),
            signal("Lost", 31, 8, page=Page("Nobody", ((5, 7),))),
        ),
    )
    found = {one.name: one for one in meanings_in_map(KEY, SignalMap((message,)))}
    assert list(found) == ["Index", "Cell_1_V", "Sub", "Deep"]
    assert found["Index"].multiplexor
    assert found["Cell_1_V"].at.multiplexor == Selector(Field(7, 8, "big"), 1)
    assert (found["Cell_1_V"].scale, found["Cell_1_V"].unit) == (0.001, "V")
    within = Selector(Field(7, 8, "big"), 2)
    assert found["Deep"].at.multiplexor == Selector(Field(23, 8, "big"), 5, within)
    assert meanings_in_map(StreamKey("can0", 0x311, extended=False), SignalMap((message,))) == ()


def test_of_whole_answers_the_signals_whose_page_is_what_they_begin_with():
    message = Message(
        "Answers",
        0x6EA,
        False,
        59,
        (
            signal("Topic", 7, 24, is_multiplexor=True),
            signal("Cell_V", 31, 16, page=Page("Topic", ((0x620104, 0x620104),))),
            signal("Other", 31, 16, page=Page("Topic", ((0x620110, 0x620110),))),
        ),
        is_reassembled=True,
    )
    answers = StreamKey("can0", 0x6EA, extended=False, carrier=Carrier("iso-tp", b"\x62\x01\x04"))
    found = meanings_in_map(answers, SignalMap((message,)))
    assert [(one.name, one.at.multiplexor) for one in found] == [("Topic", None), ("Cell_V", None)]
    frames = StreamKey("can0", 0x6EA, extended=False)
    assert meanings_in_map(frames, SignalMap((message,))) == ()


def test_long_parameter_groups_are_found_by_their_number():
    message = Message("Group", 0x18FF505A, True, 20, (signal("A", 7, 8),), is_j1939=True)
    key = StreamKey("can0", 0x1CEBFF21, extended=True, carrier=Carrier("j1939-tp", b"", 0xFF50))
    assert [one.name for one in meanings_in_map(key, SignalMap((message,)))] == ["A"]
    other = StreamKey("can0", 0x1CEBFF21, extended=True, carrier=Carrier("j1939-tp", b"", 0xFF51))
    assert meanings_in_map(other, SignalMap((message,))) == ()
