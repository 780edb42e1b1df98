"""Meanings become channels: cantools and our reader find them, they decode, and the sheet says what they are."""

import difflib

import cantools
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from decoder.bits import Field
from decoder.channels import decode
from decoder.discovery.drafting import draft
from decoder.discovery.field_at import FieldAt, StreamKey, key_of
from decoder.discovery.meaning import Meaning
from decoder.discovery.proposal import Carrier, Selector
from decoder.discovery.streams import streams
from decoder.errors import MapError, OutputError, SheetError
from decoder.maps import load_map, load_sheet
from decoder.maps.pack_sheet import Place
from decoder.maps.quantities import QUANTITIES
from decoder.maps.sheet_add import PackFacts
from tests.building import capture, conversation
from tests.channels.test_streams import broadcast
from tests.strategies import fields

PLAIN = StreamKey("can0", 0x310, False)
PAGED = StreamKey("can0", 0x330, False)
ANSWER = StreamKey("can0", 0x6EA, False, Carrier("iso-tp", bytes.fromhex("620104")))
OTHER_ANSWER = StreamKey("can0", 0x6EA, False, Carrier("iso-tp", bytes.fromhex("6101")))
GROUP = StreamKey("can0", 0x18EBFF17, True, Carrier("j1939-tp", b"", 0xFECA))
INDEX = Field(7, 8, "big")


def cell(at, place, **more):
    return Meaning(at, quantity="cell voltage", unit="V", scale=0.001, place=place, **more)


MEANINGS = (
    cell(FieldAt(PLAIN, Field(7, 16, "big")), Place(1, 1), comment="one of 4 fields"),
    cell(FieldAt(PAGED, Field(15, 13, "big"), Selector(INDEX, 3)), Place(1, 2)),
    Meaning(FieldAt(PAGED, Field(55, 4, "big"), Selector(INDEX, None)), quantity="alive counter", low=0, high=14),
    cell(FieldAt(ANSWER, Field(31, 16, "big")), Place(None, 17)),
    Meaning(
        FieldAt(OTHER_ANSWER, Field(31, 8, "big")), quantity="module temperature", offset=-40, unit="degC",
        place=Place(2, None, 1),
    ),
    Meaning(FieldAt(GROUP, Field(80, 8)), name="what was seen", labels={0: "off", 1: 'on "fully"'}),
)  # fmt: skip


@pytest.fixture
def paths(tmp_path):
    return tmp_path / "new.dbc", tmp_path / "new.toml"


def names(drafted):
    return [(one.message, one.channel) for one in drafted.added]


def test_meanings_become_messages_named_by_identifier_and_channels_by_quantity_and_place(paths):
    drafted = draft(MEANINGS, *paths, "/some/where/bench\x1b.log")
    assert names(drafted) == [
        ("M_310", "Cell_1_01_V"),
        ("M_330", "M_330_Index"),
        ("M_330", "Cell_1_02_V"),
        ("M_330", "M_330_Alive"),
        ("M_6EA", "M_6EA_Topic"),
        ("M_6EA", "Cell_017_V"),
        ("M_6EA", "Temp_2_1_degC"),
        ("M_18FECA17", "what_was_seen"),
    ]
    assert not drafted.skipped
    ours = load_map(paths[0], strict=True)
    theirs = cantools.database.load_file(paths[0], strict=True)
    assert [m.name for m in ours.messages] == [m.name for m in theirs.messages]
    assert theirs.get_message_by_name("M_310").senders == []
    cell_signal = theirs.get_message_by_name("M_310").get_signal_by_name("Cell_1_01_V")
    assert (cell_signal.scale, cell_signal.minimum, cell_signal.maximum, cell_signal.unit) == (0.001, 0, 5, "V")
    assert cell_signal.comment == r"one of 4 fields; from bench\x1b.log"
    assert theirs.get_message_by_name("M_330").signal_tree == [
        {"M_330_Index": {3: ["Cell_1_02_V"]}},
        "M_330_Alive",
    ]
    seen = theirs.get_message_by_name("M_18FECA17").get_signal_by_name("what_was_seen")
    assert {value: str(word) for value, word in seen.choices.items()} == {0: "off", 1: 'on "fully"'}
    by_name = {m.name: m for m in ours.messages}
    assert by_name["M_6EA"].is_reassembled
    assert by_name["M_18FECA17"].is_j1939


def test_the_sheet_says_what_was_drafted(paths):
    draft(MEANINGS, *paths, facts=PackFacts(84, 6, 14))
    sheet = load_sheet(paths[1])
    assert (sheet.cells_in_series, sheet.modules, sheet.cells_per_module) == (84, 6, (14,) * 6)
    channels = decode(capture([(0, 0x310, bytes(8)), (1, 0x330, b"\x03" + bytes(7))]), load_map(paths[0]), sheet)
    found = {name: (one.channel.quantity, one.channel.place) for name, one in channels.items()}
    assert found["Cell_1_01_V"] == ("cell voltage", Place(1, 1))
    assert found["Cell_1_02_V"] == ("cell voltage", Place(1, 2))
    assert found["M_330_Alive"][0] == "alive counter"
    assert all("sheet's" in one.channel.role.rule for name, one in channels.items() if name != "M_330_Index")


def test_drafted_channels_decode(paths):
    answer = bytes.fromhex("620104") + bytes([0x0E, 0x10, 0x0E, 0x11, 0x0E, 0x12])
    rows = [(0.0, 0x310, bytes([0x0F, 0x00] + [0] * 6)), (0.1, 0x330, bytes([3, 0x70, 0x80, 0, 0, 0, 0x05, 0]))]
    rows += conversation([(1.0, bytes.fromhex("220104"), answer), (2.0, bytes.fromhex("220104"), answer)])
    draft(MEANINGS, paths[0])
    channels = decode(capture(rows), load_map(paths[0]))
    assert channels["Cell_1_01_V"].value.tolist() == [3.84]
    assert channels["Cell_1_02_V"].raw.tolist() == [0x7080 >> 3]
    assert channels["M_330_Alive"].raw.tolist() == [0]
    assert np.allclose(channels["Cell_017_V"].value, [3.6, 3.6])


def test_a_drafted_parameter_group_decodes(paths):
    rows = [row for at in range(5) for row in broadcast(at, bytes([at, 0x10 + at, *range(2, 12)]), pgn=0xFECA)]
    frames = capture(rows)
    (stream,) = streams(frames)
    draft([Meaning(FieldAt(key_of(stream), Field(7, 16, "big")), name="Group_value")], paths[0])
    channels = decode(frames, load_map(paths[0], strict=True))
    assert channels["Group_value"].raw.tolist() == [at << 8 | 0x10 + at for at in range(5)]


def test_drafting_again_adds_nothing_and_keeps_no_copy(paths):
    draft(MEANINGS, *paths)
    before = [path.read_bytes() for path in paths]
    again = draft(MEANINGS, *paths)
    assert not again.added
    assert len(again.skipped) == len(MEANINGS)
    assert all(one.is_there for one in again.skipped)
    assert [path.read_bytes() for path in paths] == before
    assert sorted(one.name for one in paths[0].parent.iterdir()) == ["new.dbc", "new.toml"]


def test_further_meanings_are_added_and_the_old_files_are_kept(paths):
    draft(MEANINGS[:1], *paths)
    before = [path.read_bytes() for path in paths]
    drafted = draft(MEANINGS, *paths)
    assert (drafted.map_backup, drafted.sheet_backup) == tuple(path.with_name(path.name + ".bak") for path in paths)
    assert [drafted.map_backup.read_bytes(), drafted.sheet_backup.read_bytes()] == before
    for path, old in zip(paths, before, strict=True):
        matcher = difflib.SequenceMatcher(None, old.splitlines(), path.read_bytes().splitlines(), autojunk=False)
        assert {code for code, *_ in matcher.get_opcodes()} == {"equal", "insert"}


def test_a_sheet_that_comes_later_gets_its_rules_too(paths):
    draft(MEANINGS, paths[0])
    later = draft(MEANINGS, *paths)
    assert (later.map_lines, later.map_backup) == ((), None)
    both = draft(MEANINGS, paths[0].with_name("b.dbc"), paths[1].with_name("b.toml"))
    assert later.sheet_lines == both.sheet_lines


def test_a_channel_that_the_sheet_knows_better_keeps_its_place(paths):
    draft(MEANINGS[:1], paths[0])
    text = '[[channels]]\nmatch = "Cell_*"\nquantity = "cell voltage"\nmodule = 4\ncell = 2\n'
    paths[1].write_text(text)
    assert draft(MEANINGS[:1], *paths).notes == ()
    assert paths[1].read_text() == text


def test_without_writing_the_lines_are_told_all_the_same(paths):
    shown = draft(MEANINGS, *paths, write=False)
    assert not list(paths[0].parent.iterdir())
    written = draft(MEANINGS, *paths)
    assert (shown.map_lines, shown.sheet_lines) == (written.map_lines, written.sheet_lines)
    assert paths[0].read_text().splitlines() == list(shown.map_lines)


def test_names_as_wished_and_names_that_are_taken(paths):
    wished = [
        Meaning(FieldAt(PLAIN, Field(0, 8)), name="Oil Pressure"),
        Meaning(FieldAt(PLAIN, Field(8, 8)), name="Oil_Pressure"),
        Meaning(FieldAt(PLAIN, Field(16, 8))),
    ]
    drafted = draft(wished, paths[0])
    assert [one.channel for one in drafted.added] == ["Oil_Pressure", "Oil_Pressure_2", "M_310_Bit16"]
    assert drafted.added[0].note == "called so in place of 'Oil Pressure'"


def test_fields_that_share_bits_are_not_both_added(paths):
    drafted = draft([*MEANINGS[:1], Meaning(FieldAt(PLAIN, Field(0, 8)))], paths[0])
    assert len(drafted.added) == 1
    assert "share bits with 'Cell_1_01_V'" in drafted.skipped[0].reason


def test_one_identifier_on_two_buses_goes_in_once(paths):
    other = StreamKey("can1", 0x310, False)
    two = [cell(FieldAt(other, Field(8 * at, 8)), Place(1, at + 1)) for at in range(2)]
    drafted = draft([*MEANINGS[:1], *two], paths[0])
    assert [one.meaning.at.stream.bus for one in drafted.added] == ["can1", "can1"]
    assert [one.meaning.at.stream.bus for one in drafted.skipped] == ["can0"]
    assert "bus can1" in drafted.skipped[0].reason


def test_answers_whose_first_bytes_differ_in_number_share_one_multiplexor(paths):
    draft(MEANINGS, paths[0])
    topic = {s.name: s for m in load_map(paths[0]).messages for s in m.signals}
    assert topic["Cell_017_V"].page.values == ((0x620104, 0x620104),)
    assert topic["Temp_2_1_degC"].page.values == ((0x610100, 0x6101FF),)
    # a map whose multiplexor is shorter cannot tell the longer ones apart
    paths[1].with_name("old.dbc").write_text(
        'BO_ 1770 A: 20 X\n SG_ T M : 7|8@0+ (1,0) [0|0] "" X\n'
        'BA_DEF_ BO_ "CellgleanPayload" ENUM "frame","reassembled";\nBA_ "CellgleanPayload" BO_ 1770 1;\n'
    )
    drafted = draft(MEANINGS[3:5], paths[1].with_name("old.dbc"))
    assert not drafted.added
    assert all("has 8 bits" in one.reason for one in drafted.skipped)


def test_a_message_is_as_long_as_its_payloads(paths):
    draft(MEANINGS[:1], paths[0], lengths={PLAIN: 6})
    assert load_map(paths[0]).messages[0].length == 6


def test_a_sheet_that_says_otherwise_is_told_and_stays(paths):
    text = '[[channels]]\nmatch = "Cell_*"\nquantity = "other"\n'
    paths[1].write_text(text)
    drafted = draft(MEANINGS[:1], *paths)
    assert paths[1].read_text().startswith(text)
    assert "but the pack sheet makes it none of the known quantities" in drafted.notes[0]


def test_a_pattern_takes_no_channel_that_was_there(paths):
    paths[0].write_text('BO_ 1 Old: 8 X\n SG_ Door_Check : 0|2@1+ (1,0) [0|0] "" X\n')
    drafted = draft([Meaning(FieldAt(PLAIN, Field(0, 8)), quantity="check")], *paths)
    assert 'match = "M_310_Check"' in drafted.sheet_lines
    roles = decode(capture([(0, 1, bytes(8))]), load_map(paths[0]), load_sheet(paths[1]))
    assert roles["Door_Check"].channel.quantity is None


@pytest.mark.parametrize("text", ["", "\n\n"])
def test_an_empty_file_becomes_a_map(paths, text):
    paths[0].write_text(text)
    draft(MEANINGS, paths[0])
    assert load_map(paths[0], strict=True)


def test_files_that_cannot_be_used_are_left(paths, tmp_path):
    paths[0].write_text("(1.0) can0 123#00\n")
    with pytest.raises(MapError, match="no message"):
        draft(MEANINGS, paths[0])
    paths[1].write_text("[packs]\n")
    with pytest.raises(SheetError):
        draft(MEANINGS, tmp_path / "other.dbc", paths[1])
    assert not (tmp_path / "other.dbc").exists()
    with pytest.raises(OutputError):
        draft(MEANINGS, tmp_path / "none" / "other.dbc")
    assert draft([], tmp_path / "other.dbc").added == ()
    assert not (tmp_path / "other.dbc").exists()


KEYS = st.sampled_from([PLAIN, PAGED, ANSWER, OTHER_ANSWER, GROUP, StreamKey("can1", 0x310, False)])
PAGES = [None, Selector(INDEX, 3), Selector(INDEX, None), Selector(INDEX, 4), Selector(Field(0, 4), 3)]
INNER = st.builds(Selector, fields(8), st.integers(0, 1), st.sampled_from([None, Selector(INDEX, 3)]))
TEXT = st.text(st.characters(exclude_categories=["Cs"]), max_size=40)
ANY_MEANING = st.builds(
    Meaning,
    st.builds(FieldAt, KEYS, fields(8), st.sampled_from(PAGES) | INNER),
    name=st.just("") | TEXT,
    quantity=st.none() | st.sampled_from([row.name for row in QUANTITIES]),
    unit=st.sampled_from(["", "V", "°C", "km/h"]),
    scale=st.sampled_from([1, 0.001, -2.5, 100 / 255]),
    offset=st.sampled_from([0, -40, 0.5]),
    place=st.builds(Place, st.none() | st.integers(1, 99), st.none() | st.integers(1, 999), st.none() | TEXT),
    labels=st.dictionaries(st.integers(0, 3), TEXT, max_size=2),
    multiplexor=st.booleans(),
    comment=TEXT,
)


@settings(max_examples=150, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(ANY_MEANING, min_size=1, max_size=8), st.lists(ANY_MEANING, max_size=8))
def test_any_meanings_become_a_map_that_cantools_reads_strictly(tmp_path_factory, meanings, more):
    folder = tmp_path_factory.mktemp("any")
    paths = folder / "a.dbc", folder / "a.toml"
    for wanted in (meanings, meanings + more):
        drafted = draft(wanted, *paths, "a.log")
        told = [one.meaning for one in (*drafted.added, *drafted.skipped) if one.meaning is not None]
        assert sorted(map(id, told)) == sorted(map(id, wanted))
    if paths[0].exists():
        ours = load_map(paths[0], strict=True)
        theirs = cantools.database.load_file(paths[0], strict=True)
        assert sorted(s.name for m in ours.messages for s in m.signals) == sorted(
            s.name for m in theirs.messages for s in m.signals
        )
    if paths[1].exists():
        assert load_sheet(paths[1])
