"""Numbered series of fields, and the texts that say where they go."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from decoder.bits import Field
from decoder.discovery.field_at import FieldAt, StreamKey
from decoder.discovery.meaning import Meaning
from decoder.discovery.proposal import Carrier, Proposal, Selector
from decoder.discovery.streams import streams
from decoder.discovery.workbench.bench import Bench
from decoder.discovery.workbench.borders import fits
from decoder.discovery.workbench.fields import ListedField
from decoder.discovery.workbench.series import MOST_MEMBERS, Repeat, repeated, room_for
from decoder.discovery.workbench.series_text import (
    key_text,
    keys_from_text,
    streams_like,
    values_from_text,
    values_seen,
    values_text,
)
from decoder.errors import UsageError
from decoder.maps.pack_sheet import Place
from decoder.maps.signal_map import SignalMap
from tests.building import capture
from tests.strategies import fields

KEYS = tuple(StreamKey("can0", 0x310 + n, extended=False) for n in range(4))
WIDTHS = dict.fromkeys(KEYS, 8) | {KEYS[3]: 4}
INDEX = Selector(Field(0, 4), 0)


def cell(field, place=None, selector=None, **more):
    return Meaning(FieldAt(KEYS[0], field, selector), place=place or Place(), quantity="cell voltage", **more)


def test_cells_along_payloads_and_identifiers_number_through_modules():
    members = repeated(cell(Field(7, 16, "big"), Place(1, 1)), Repeat(16, 4, KEYS, module_size=6), WIDTHS)
    assert len(members) == 14
    assert [one.at.field.start for one in members[:4]] == [7, 23, 39, 55]
    assert [one.at.stream.can_id for one in members] == [0x310] * 4 + [0x311] * 4 + [0x312] * 4 + [0x313] * 2
    assert [one.place for one in members[4:8]] == [Place(1, 5), Place(1, 6), Place(2, 1), Place(2, 2)]
    assert members[-1].place == Place(3, 2)


def test_pages_of_a_multiplexor_where_each_module_begins_anew():
    first = cell(Field(15, 13, "big"), Place(4, 1), INDEX)
    how = Repeat(13, 3, KEYS[:1], tuple(range(10)), module_size=14, module_begins_anew=True)
    members = repeated(first, how, WIDTHS)
    assert [one.at.field.start for one in members[:3]] == [15, 18, 37]
    assert [(one.at.multiplexor.value, one.place.module, one.place.cell) for one in members[12:15]] == [
        (4, 4, 13),
        (4, 4, 14),
        (5, 5, 1),
    ]
    assert len(members) == 28


def test_a_series_begins_where_its_first_one_is_and_stops_at_the_number_asked_for():
    members = repeated(cell(Field(0, 12), Place(2, 5)), Repeat(12, 5, KEYS[:2], module_size=8, most=7), WIDTHS)
    assert [one.at.field.start for one in members] == [0, 12, 24, 36, 48, 0, 12]
    assert [one.place for one in members][2:5] == [Place(2, 7), Place(2, 8), Place(3, 1)]


def test_without_modules_cells_count_on():
    members = repeated(cell(Field(0, 16)), Repeat(16, 4, KEYS[:2]), WIDTHS)
    assert [one.place for one in members] == [Place(None, number) for number in range(1, 9)]
    assert all(one.name == "" for one in members)


def test_what_is_counted_by_quantity():
    def places(quantity, place, **more):
        first = Meaning(FieldAt(KEYS[0], Field(0, 8)), quantity=quantity, place=place)
        return [one.place for one in repeated(first, Repeat(8, 4, KEYS[:1], **more), WIDTHS)]

    assert places("module temperature", Place(1, None, 1), module_size=2) == [
        Place(1, None, 1),
        Place(1, None, 2),
        Place(2, None, 1),
        Place(2, None, 2),
    ]
    assert places("swelling pressure", Place(3)) == [Place(number) for number in (3, 4, 5, 6)]
    assert places("coolant temperature", Place()) == [Place(None, None, number) for number in (1, 2, 3, 4)]


def test_names_get_numbers_and_so_do_fields_without_quantity():
    named = repeated(cell(Field(0, 16), Place(1, 1), name="Hull"), Repeat(16, 3, KEYS[:1], module_size=2), WIDTHS)
    assert [one.name for one in named] == ["Hull_1_01", "Hull_1_02", "Hull_2_01"]
    bare = repeated(Meaning(FieldAt(KEYS[0], Field(0, 16))), Repeat(16, 2, KEYS[:1]), WIDTHS)
    assert [one.name for one in bare] == ["Field_1", "Field_2"]
    assert [one.place for one in bare] == [Place(), Place()]


@given(fields(8), st.integers(1, 70), st.integers(1, 9), st.integers(1, 20), st.booleans())
def test_no_member_leaves_its_payload_and_no_two_are_the_same(field, every, count, size, anew):
    how = Repeat(every, count, KEYS, module_size=size, module_begins_anew=anew)
    try:
        members = repeated(cell(field), how, WIDTHS)
    except UsageError:
        assert not fits(field, 8)
        return
    assert all(fits(one.at.field, WIDTHS[one.at.stream]) for one in members)
    assert len({one.at for one in members}) == len(members)
    assert len({one.place for one in members}) == len(members)
    assert members[0].at.field == field
    assert [one.at.field.length for one in members] == [field.length] * len(members)


def test_a_series_without_members_or_without_end_is_refused():
    with pytest.raises(UsageError, match="no member"):
        repeated(cell(Field(7, 16, "big")), Repeat(16, 4, ()), WIDTHS)
    with pytest.raises(UsageError, match=f"more than {MOST_MEMBERS}"):
        repeated(cell(Field(8, 8), None, INDEX), Repeat(8, 7, KEYS[:1], tuple(range(1000))), WIDTHS)


def test_room_ends_before_what_counts_checks_or_selects():
    key = KEYS[0]
    counter = ListedField("carved", Meaning(FieldAt(key, Field(51, 4, "big")), quantity="alive counter"))
    number = ListedField("carved", Meaning(FieldAt(key, Field(18, 13, "big"))), Proposal(Field(18, 13), "number", 1.0))
    first = cell(Field(15, 13, "big"))
    assert room_for(first, 13, 8) == 4
    assert room_for(first, 13, 8, [counter, number]) == 3
    assert room_for(cell(Field(56, 8)), 8, 8, []) == 1


# Texts


def test_identifiers_as_typed():
    assert keys_from_text("", KEYS[1], KEYS) == (KEYS[1],)
    assert keys_from_text("310-312", KEYS[0], KEYS) == KEYS[:3]
    assert keys_from_text("313, 310", KEYS[0], KEYS) == (KEYS[3], KEYS[0])
    assert keys_from_text("0x300-0x7FF", KEYS[0], KEYS) == KEYS
    for text in ("400", "31Z", "-", "310-311-312", ",", "313-310"):
        with pytest.raises(UsageError, match="names no identifier"):
            keys_from_text(text, KEYS[0], KEYS)


def test_a_series_stays_on_its_bus_and_in_its_kind_of_answer():
    answers = tuple(
        StreamKey("can0", 0x6EA, extended=False, carrier=Carrier("iso-tp", prefix))
        for prefix in (b"\x62\x01\x04", b"\x62\x01\x05", b"\x62\x01\x06", b"\x7f")
    )
    others = (StreamKey("can1", 0x310, extended=False), StreamKey("can0", 0x310, extended=True), *KEYS, *answers)
    assert keys_from_text("300-7FF", KEYS[0], others) == KEYS
    assert key_text(answers[0]) == "620104"
    assert keys_from_text("620104-620105", answers[0], others) == answers[:2]


def test_values_as_typed():
    assert values_from_text("0-3, 7", INDEX) == (0, 1, 2, 3, 7)
    assert values_from_text("", INDEX) == (0,)
    assert values_from_text("", Selector(Field(0, 4), None)) == ()
    assert values_from_text("", None) == ()
    for text in ("16", "3-1", "x", "0-", "-1", "1;2"):
        with pytest.raises(UsageError, match="no value of the multiplexor"):
            values_from_text(text, INDEX)
    with pytest.raises(UsageError, match="under no multiplexor"):
        values_from_text("1", None)


@given(st.lists(st.integers(0, 15), unique=True).map(sorted))
def test_values_written_are_read_back(values):
    text = values_text(values)
    if values:
        assert list(values_from_text(text, INDEX)) == values
    else:
        assert text == ""


def test_streams_like_one_run_on_until_one_is_shorter_or_comes_less_often():
    rows = []
    for n in range(100):
        rows += [(n / 10, 0x310 + at, bytes([n, at] * (4 if at < 3 else 2))) for at in range(5)]
        rows += [(n / 10, 0x317, bytes([n] * 8))]
        if n % 2:
            rows.append((n / 10, 0x311 + 0x100, bytes([n] * 8)))
    bench = Bench(streams(capture(sorted(rows, key=lambda row: row[0]))), SignalMap())
    names = [key_text(key) for key in streams_like(bench.keys[0], bench.by_key)]
    assert names == ["310", "311", "312", "313"]
    assert [key_text(key) for key in streams_like(bench.keys[3], bench.by_key)] == ["313", "314"]


def test_values_that_were_seen():
    rows = [(n / 10, 0x330, bytes([n % 5, n])) for n in range(50)]
    (stream,) = streams(capture(rows))
    assert values_seen(stream, INDEX) == (0, 1, 2, 3, 4)
    assert values_seen(stream, None) == ()
    assert values_seen(stream, Selector(Field(60, 8), 0)) == ()
