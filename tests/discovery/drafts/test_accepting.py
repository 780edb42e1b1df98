"""What is likely enough becomes a meaning, whatever found it; the rest is told with its reason."""

import numpy as np

from decoder.bits import Field
from decoder.discovery.drafts.accepting import Found, accepted, shown
from decoder.discovery.field_at import FieldAt, Sampled, StreamKey
from decoder.discovery.inference import ArrayClaim, ChannelClaim, Evidence, Inference, Member
from decoder.discovery.pinned import Match, Pinned
from decoder.discovery.proposal import Carrier, Proposal, Selector, Stream
from decoder.discovery.spots import is_one
from decoder.maps.pack_sheet import Place

KEY = StreamKey("can0", 0x310, False)
BIG = Field(7, 16, "big")


def at(start, length=16, key=KEY, selector=None):
    return FieldAt(key, Field(start, length, "big"), selector)


def array(likelihood=0.95, key=KEY, selector=None, quantity="cell voltage"):
    members = tuple(Member(at(7 + 16 * k, key=key, selector=selector), k + 1) for k in range(3))
    return ArrayClaim(quantity, "V", 0.001, 0, members, likelihood, (Evidence("sum", text="the sum fits"),))


def channel(quantity, where, likelihood=0.95):
    return ChannelClaim(where, quantity, "V", 0.1, 0, Place(), likelihood)


def pinned(label, *matches, unit="V", used=3):
    return Pinned(label, unit, used, 0, None, tuple(matches), tied=len(matches))


def match(where, likelihood, same=()):
    return Match(where, 0.001, 0, 0.001, likelihood, tuple(same))


def carved(kind, where, confidence=0.95, **detail):
    return where.stream, Proposal(where.field, kind, confidence, where.multiplexor, detail)


def summary(found, **more):
    return [(one.at.field.start, one.quantity, one.place) for one in accepted(found, **more).meanings]


def test_claims_become_meanings_with_their_evidence():
    found = Found(Inference((array(),), (channel("pack voltage", at(55)),)))
    chosen = accepted(found, cells_per_module=3)
    assert [one.place for one in chosen.meanings] == [Place(1, 1), Place(1, 2), Place(1, 3), Place()]
    assert chosen.meanings[0].comment == "one of 3 fields as cell voltage, likelihood 0.95: the sum fits"
    assert chosen.meanings[3].comment == "pack voltage by physics alone, likelihood 0.95"


def test_what_is_not_likely_enough_is_left_out_and_told():
    found = Found(
        Inference((array(0.8),), (channel("pack voltage", at(55), 0.7),)),
        (pinned("pack voltage", match(at(7), 0.4), match(at(23), 0.4)), pinned("nothing")),
        (carved("counter", at(51, 4), 0.5),),
    )
    chosen = accepted(found)
    assert not chosen.meanings
    told = [f"{one.what}: {one.why}" for one in chosen.left_out]
    assert told == [
        "3 fields as cell voltage, from 310 7|16@0+ on: likelihood 0.80, below 0.9",
        "'nothing': no field carries it",
        "310 55|16@0+ as pack voltage: likelihood 0.70, below 0.9",
        "'pack voltage', the likeliest 310 7|16@0+: likelihood 0.40, below 0.9; 2 fields fit equally",
        "310 51|4@0+ as counter: likelihood 0.50, below 0.9",
    ]
    assert len(accepted(found, at_least=0.4).meanings) == 5


def test_a_reading_names_what_physics_found_and_comes_first():
    found = Found(
        Inference((array(),), (channel("link voltage", at(55)),)),
        (pinned("pack voltage", match(at(55), 0.95)), pinned("cell 2", match(at(23), 0.92))),
    )
    chosen = accepted(found)
    assert [one.quantity for one in chosen.meanings] == ["cell voltage"] * 3 + ["pack voltage"]
    assert chosen.meanings[1].comment.endswith("; matches 3 readings of 'cell 2', likelihood 0.92")


def test_a_label_without_a_known_quantity_keeps_its_words():
    (one,) = accepted(Found(pinned=(pinned("left lamp", match(at(7), 0.95), unit="lx"),))).meanings
    assert (one.name, one.quantity, one.unit) == ("left lamp", None, "lx")


def test_an_unlikely_reading_that_fits_its_place_is_not_left_out():
    found = Found(Inference((array(),)), (pinned("module 1 cell 2", match(at(7), 0.5), match(at(23), 0.4)),))
    chosen = accepted(found, cells_per_module=3)
    assert not chosen.left_out
    assert "fits the readings of 'module 1 cell 2' too" in chosen.meanings[1].comment


def test_counters_checks_and_states_come_without_a_name_numbers_only_where_they_were_chosen():
    all_kinds = tuple(
        carved(kind, at(7 + 8 * number, 8), modulus=15, lowest=0)
        for number, kind in enumerate(["counter", "check", "state", "flag", "multiplexor", "number", "unknown"])
    )
    found = Found(carved=all_kinds)
    meanings = accepted(found).meanings
    assert [one.quantity for one in meanings] == ["alive counter", "check", None, None, None]
    assert [one.multiplexor for one in meanings] == [False] * 4 + [True]
    assert (meanings[0].low, meanings[0].high) == (0, 14)
    assert len(accepted(Found(carved=all_kinds, chosen=True)).meanings) == 6


def test_questions_and_refusals_are_no_channels():
    for prefix, count in (("22", 0), ("7F2231", 0), ("620104", 1)):
        key = StreamKey("can0", 0x6E2, False, Carrier("iso-tp", bytes.fromhex(prefix)))
        assert len(accepted(Found(carved=(carved("state", at(31, 8, key)),))).meanings) == count


def test_a_field_that_two_searches_saw_of_different_length_is_one():
    assert is_one(at(7), at(4, 13))
    assert is_one(at(7, 8), FieldAt(KEY, Field(0, 8)))
    assert not is_one(at(7), at(23))
    found = Found(
        Inference((array(),)), (pinned("cell 2", match(at(20, 13), 0.95)),), (carved("number", at(4, 13)),), True
    )
    assert len(accepted(found).meanings) == 3


def test_one_multiplexor_is_named_alike_by_all():
    whole, half = Selector(Field(7, 8, "big"), 3), Selector(Field(0, 4), 3)
    found = Found(
        Inference((array(selector=whole),)),
        (),
        (carved("multiplexor", FieldAt(KEY, Field(0, 4))), carved("counter", at(59, 4, selector=half))),
    )
    meanings = accepted(found).meanings
    assert meanings[3].multiplexor
    assert meanings[3].at.field == whole.field
    assert meanings[4].at.multiplexor == whole


def test_arrays_of_one_quantity_have_names_of_their_own():
    other = StreamKey("can0", 0x320, False)
    temperatures = (array(quantity="module temperature"), array(key=other, quantity="module temperature"))
    names = [one.name for one in accepted(Found(Inference(temperatures))).meanings]
    assert names == ["", "", "", "TempB_4_degC", "TempB_5_degC", "TempB_6_degC"]


def test_not_available_goes_into_the_value_table_where_it_could_be_a_measurement():
    raw = np.array([0xFF] * 3 + [120, 121, 122] * 20, np.uint8)
    data = np.stack([raw, np.where(raw == 0xFF, 0xFF, 0x0E), raw], axis=1)
    times = np.arange(len(raw), dtype=np.int64) * 10**8
    sampled = Sampled([Stream("can0", 0x310, False, None, times, data, np.arange(len(raw)))])
    found = Found(
        Inference(
            channels=(
                ChannelClaim(at(7, 8), "module temperature", "degC", 0.5, -40, Place(1), 0.95),
                ChannelClaim(at(15, 16), "cell voltage", "V", 0.001, 0, Place(1, 1), 0.95),
            )
        )
    )
    chosen = accepted(found, sampled=sampled)
    assert [one.labels for one in chosen.meanings] == [{255: "not available"}, {}]


def test_a_field_in_words():
    group = StreamKey("can0", 0x18EBFF17, True, Carrier("j1939-tp", b"", 65226))
    assert shown(at(7, selector=Selector(Field(0, 8), 3))) == "310 page 3 7|16@0+"
    assert shown(FieldAt(group, Field(8, 8, "little", signed=True))) == "18EBFF17 group 65226 8|8@1-"


def test_what_the_capture_does_not_have_is_left_out():
    data = np.zeros((3, 4), np.uint8)
    sampled = Sampled([Stream("can0", 0x310, False, None, np.arange(3, dtype=np.int64), data, np.arange(3))])
    other = StreamKey("can0", 0x311, False)
    channels = tuple(channel("supply voltage", where) for where in (at(7), at(39), at(7, key=other)))
    chosen = accepted(Found(Inference((), channels)), sampled=sampled)
    assert [one.at for one in chosen.meanings] == [at(7)]
    assert [one.why.split()[-2:] for one in chosen.left_out] == [["4", "bytes"], ["carried", "so"]]


def test_an_unsure_reading_that_fits_a_channel_is_not_left_out():
    readings = (pinned("pack voltage", match(at(7), 0.5), match(at(55), 0.45)),)
    chosen = accepted(Found(Inference((), (channel("pack voltage", at(55)),)), readings))
    assert not chosen.left_out
    assert "fits the readings of 'pack voltage' too, likelihood 0.45" in chosen.meanings[0].comment
    chosen = accepted(Found(Inference((), (channel("link voltage", at(55)),)), readings))
    assert chosen.left_out[0].why == "likelihood 0.50, below 0.9; 2 fields fit equally"


def test_readings_that_contradict_an_array_are_told():
    readings = (
        pinned("module 1 cell 3", match(at(7), 0.95)),
        pinned("pack voltage", match(at(23), 0.95)),
        pinned("module 1 cell 3", match(at(39), 0.95)),
    )
    chosen = accepted(Found(Inference((array(),)), readings), cells_per_module=3)
    assert [one.why for one in chosen.left_out] == [
        "its readings match 310 7|16@0+, which is placed at module 1 cell 1",
        "its readings match 310 23|16@0+, which is taken for cell voltage",
    ]
    assert len(chosen.meanings) == 3


def test_a_pack_has_one_voltage():
    channels = (channel("pack voltage", at(7), 0.95), channel("pack voltage", at(23), 0.92))
    chosen = accepted(Found(Inference((), channels)))
    assert [one.at for one in chosen.meanings] == [at(7)]
    assert "a pack has one" in chosen.left_out[0].why
