"""Adding to a DBC file puts lines between its lines and changes none; cantools and our reader find what was added."""

import difflib
import logging
import re
from itertools import pairwise
from pathlib import Path

import cantools
import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from decoder.bits import Field
from decoder.errors import MapError, OutputError
from decoder.maps import dbc_add
from decoder.maps.dbc_add import add_to_file, extended_map
from decoder.maps.dbc_additions import NewMessage, NewPage, NewSignal
from decoder.maps.dbc_file import load_map, parse_map
from decoder.maps.dbc_text import decode_text
from tests.maps.dbc_oracle import assert_equals_cantools
from tests.maps.test_dbc_file import changed_lines, databases
from tests.strategies import fields

logging.getLogger("cantools").setLevel(logging.ERROR)

SHUTTLE = (Path(__file__).parents[2] / "signal_maps" / "harbour_shuttle.dbc").read_bytes()
PACK = b'VERSION ""\n\nBU_: X\n\nBO_ 288 Pack: 8 X\n SG_ Pack_V : 0|16@1+ (0.1,0) [0|500] "V" X\n'
PAGED = PACK + b' SG_ Page M : 16|8@1+ (1,0) [0|9] "" X\n SG_ A m3 : 24|8@1+ (1,0) [0|0] "" X\n'
PAGE = NewSignal("Page", Field(16, 8), is_multiplexor=True)


def message(*signals, can_id=0x120, length=8, **more):
    return NewMessage(can_id, can_id > 0x7FF, f"M_{can_id:X}", length, tuple(signals), **more)


def opcodes(old, new):
    return {code for code, *_ in difflib.SequenceMatcher(None, old, new, autojunk=False).get_opcodes()}


def assert_only_inserted(old, new):
    """The old bytes are there, in order, in whole lines; what is new are whole lines."""
    assert opcodes(old.splitlines(), new.splitlines()) <= {"equal", "insert"}
    rest = new
    for line in old.splitlines(keepends=True):
        at = rest.find(line)
        assert at >= 0
        rest = rest[at + len(line) :]


def signal_of(raw, name):
    (found,) = [s for m in parse_map(decode_text(raw).text).messages for s in m.signals if s.name == name]
    return found


def kinds(extended):
    return [(one.kind, one.name) for one in extended.outcomes]


TEXTS = st.text(st.characters(codec="utf-8", exclude_categories=["Cs"]), max_size=12)
NUMBERS = st.one_of(st.sampled_from([1, 0.1, 0.001, -1, 1e-7, 5 / 65536]), st.integers(1, 1000), st.floats(0.001, 1e6))


@st.composite
def new_signals(draw, payload_bytes):
    """A signal anywhere in a payload, plain or under one or two multiplexors."""
    page = None
    for at in range(draw(st.integers(0, 2))):
        ranges = draw(st.sampled_from([((1, 1),), ((0, 0), (3, 5)), ((2, 9),)]))
        page = NewPage(NewSignal(f"Selector{at}", Field(8 * at, 8), is_multiplexor=True, page=page), ranges)
    return NewSignal(
        draw(TEXTS),
        draw(fields(payload_bytes)),
        draw(NUMBERS),
        draw(st.one_of(st.just(0), NUMBERS)),
        *sorted([draw(NUMBERS), draw(NUMBERS)]),
        draw(TEXTS),
        draw(st.dictionaries(st.integers(0, 3), TEXTS, max_size=2)),
        draw(TEXTS),
        page=page,
    )


@st.composite
def additions(draw, keys=()):
    """Messages, some of identifiers that a map may have."""
    wanted = []
    for _ in range(draw(st.integers(1, 3))):
        can_id, extended = draw(st.one_of(st.sampled_from(keys), st.just((0x123, False)), st.just((0x1ABCDEF, True))))
        carriage = draw(st.sampled_from(["frame", "frame", "frame", "reassembled"]))
        made = tuple(draw(st.lists(new_signals(8), min_size=1, max_size=4)))
        wanted.append(NewMessage(can_id, extended, draw(TEXTS), 8, made, carriage, draw(TEXTS)))
    return wanted


def assert_added(old, extended):
    """Nothing is lost, and both readers find all that was added, and nothing else."""
    new = extended.raw
    assert_only_inserted(old, new)
    text = decode_text(new).text
    ours = assert_equals_cantools(text)
    before = parse_map(decode_text(old).text)
    assert len(ours.faults) <= len(before.faults)
    names_before = [s.name for m in before.messages for s in m.signals]
    added = [one for one in extended.outcomes if one.kind == "added"]
    names = [s.name for m in ours.messages for s in m.signals]
    assert sorted(names) == sorted(names_before + [one.name for one in added])
    for one in added:
        assert len(one.name) <= 32
        assert one.name.isascii()
        assert one.name.isidentifier()
        found, meant = signal_of(new, one.name), one.signal
        assert found.field == meant.field
        assert (found.scale, found.offset) == (meant.scale, meant.offset)
        assert set(found.labels) == set(meant.labels)
        assert found.unit.isascii()
        assert (found.page is None) == (meant.page is None)
        if meant.page is not None:
            covered = {v for low, high in found.page.values for v in range(low, high + 1)}
            assert covered == {v for low, high in meant.page.values for v in range(low, high + 1)}


@settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])
@given(databases(), st.data(), st.sampled_from(["\n", "\r\n"]), st.sampled_from(["utf-8", "cp1252", "utf-8-sig"]))
def test_nothing_of_a_map_is_lost_and_what_is_added_is_found(database, data, ending, encoding):
    text = database.as_dbc_string(sort_signals=None).replace("\r\n", "\n").replace("\n", ending)
    try:
        old = text.encode(encoding)
    except UnicodeEncodeError:
        assume(False)
    keys = [(one.frame_id, one.is_extended_frame) for one in database.messages]
    try:
        extended = extended_map(old, data.draw(additions(keys)))
    except MapError as error:
        assert error.advice
        assume(False)
    assert_added(old, extended)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(additions([(288, False), (816, False), (1770, False)]))
def test_nothing_of_the_demo_map_is_lost(wanted):
    extended = extended_map(SHUTTLE, wanted)
    assert_added(SHUTTLE, extended)
    cantools.database.load_string(extended.raw.decode(), "dbc", strict=True)


@settings(max_examples=60, deadline=None)
@given(additions([(0x120, False)]))
def test_a_new_map_is_one_that_cantools_reads_strictly(wanted):
    extended = extended_map(b"", wanted)
    assume(extended.lines)
    assert_added(b"", extended)
    assert extended.raw.isascii()
    assert not parse_map(extended.raw.decode()).faults
    assert cantools.database.load_string(extended.raw.decode(), "dbc", strict=True).messages


@settings(max_examples=40, deadline=None)
@given(additions([(0x120, False)]))
def test_adding_the_same_again_adds_nothing(wanted):
    once = extended_map(PAGED, wanted)
    again = extended_map(once.raw, wanted)
    assert again.raw == once.raw
    assert not again.lines
    assert all(one.kind != "added" for one in again.outcomes)


FURTHER = [
    message(NewSignal("Added_one", Field(40, 8), labels={1: "on"}, comment="why"), can_id=0x121, length=3),
    message(NewSignal("Added_two", Field(0, 8), comment="why"), can_id=0x7E0),
    message(NewSignal("Added_three", Field(56, 4)), can_id=0x140, length=6),
    message(NewSignal("Added_four", Field(55, 2, "big")), can_id=0x310),
    message(NewSignal("Added_five", Field(37, 3, "big"), page=NewPage(NewSignal("I", Field(7, 8, "big")), ((14, 14),))),
            can_id=0x330),
]  # fmt: skip


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(changed_lines((b"",)))
def test_a_damaged_map_loses_nothing_either(changed):
    old = b"\n".join(changed[1])
    try:
        extended = extended_map(old, FURTHER)
    except MapError as error:
        assert error.advice
        return
    assert_only_inserted(old, extended.raw)
    before, after = parse_map(decode_text(old).text), parse_map(decode_text(extended.raw).text)
    assert len(after.faults) == len(before.faults)
    added = {one.name for one in extended.outcomes if one.kind == "added"}
    assert "Added_two" in added
    names = [[s.name for m in one.messages for s in m.signals] for one in (before, after)]
    assert [name for name in names[1] if name not in added] == names[0]


def test_new_lines_stand_where_they_belong():
    wanted = [
        message(NewSignal("B", Field(24, 8), labels={1: "on"}, comment="why", page=NewPage(PAGE, ((4, 4),)))),
        message(NewSignal("C", Field(7, 16, "big", signed=True), 0.5, -40, -40, 80, "°C"), can_id=0x18FF50E5),
    ]
    old = PAGED + b'\nCM_ "all";\nVAL_ 288 A 0 "off";\n'
    extended = extended_map(old, wanted)
    new = b"".join(
        [
            PAGED,
            b' SG_ B m4 : 24|8@1+ (1,0) [0|0] "" Vector__XXX\n',
            b"\nBO_ 2566869221 M_18FF50E5: 8 Vector__XXX\n",
            b' SG_ C : 7|16@0- (0.5,-40) [-40|80] "degC" Vector__XXX\n',
            b'\nCM_ "all";\nCM_ SG_ 288 B "why";\nVAL_ 288 A 0 "off";\nVAL_ 288 B 1 "on";\n',
        ]
    )
    assert extended.raw == new
    assert kinds(extended) == [("added", "B"), ("added", "C")]


def test_a_last_line_without_an_end_stays_as_it_is():
    old = PACK.rstrip(b"\n")
    new = extended_map(old, [message(NewSignal("B", Field(16, 8)))]).raw
    assert new == old + b'\n SG_ B : 16|8@1+ (1,0) [0|0] "" Vector__XXX'


def test_two_multiplexors_are_told_apart_for_old_signals_too():
    inner = NewSignal("Inner", Field(24, 8), is_multiplexor=True, page=NewPage(PAGE, ((7, 7),)))
    wanted = [message(NewSignal("C", Field(32, 8), page=NewPage(inner, ((1, 2),))))]
    new = extended_map(PAGED, wanted).raw
    assert b"SG_MUL_VAL_ 288 A Page 3-3;" in new
    assert signal_of(new, "C").page.multiplexor == "Inner"
    assert signal_of(new, "C").page.values == ((1, 2),)
    assert signal_of(new, "A").page.multiplexor == "Page"
    assert not parse_map(new.decode()).faults


@pytest.mark.parametrize(
    ("wanted", "reason"),
    [
        (NewSignal("B", Field(8, 16)), r"share bits with 'Pack_V' \(line 6\)"),
        (NewSignal("B", Field(64, 8)), r"needs 9 bytes, and message 'Pack' \(line 5\) has 8"),
        (NewSignal("B", Field(24, 8)), r"share bits with 'A' \(line 8\)"),
        (
            NewSignal("B", Field(32, 8), page=NewPage(NewSignal("P", Field(0, 16)), ((1, 1),))),
            r"'Pack_V' \(line 6\) would have to become a multiplexor; write 'Pack_V M :' there",
        ),
        (NewSignal("B", Field(32, 8), page=NewPage(NewSignal("P", Field(12, 8)), ((1, 1),))), "share bits"),
    ],
)
def test_what_could_only_be_added_by_changing_a_line_is_refused(wanted, reason):
    extended = extended_map(PAGED, [message(wanted)])
    assert extended.raw == PAGED
    (one,) = extended.outcomes
    assert one.kind == "refused"
    assert re.search(reason, one.reason)


def test_a_multiplexor_for_a_signal_that_is_refused_is_not_added():
    page = NewPage(NewSignal("P", Field(48, 8)), ((1, 1),))
    extended = extended_map(PACK, [message(NewSignal("B", Field(0, 8), page=page))])
    assert kinds(extended) == [("refused", "B")]
    assert not extended.lines


def test_what_is_there_already_is_told():
    wanted = [message(NewSignal("B", Field(0, 16), 0.5), NewSignal("C", Field(24, 8), page=NewPage(PAGE, ((3, 3),))))]
    extended = extended_map(PAGED, wanted)
    assert not extended.lines
    assert kinds(extended) == [("there", "Pack_V"), ("there", "A")]
    assert extended.outcomes[0].reason == (
        "already there as 'Pack_V' (line 6), with scale 0.1 and offset 0, which stays"
    )


def test_names_are_unique_across_the_map():
    wanted = [message(NewSignal("Pack_V", Field(0, 8)), NewSignal("Pack_V", Field(8, 8)), can_id=0x200)]
    extended = extended_map(PACK, wanted)
    assert kinds(extended) == [("added", "Pack_V_2"), ("added", "Pack_V_3")]
    assert extended.outcomes[0].reason == "called so in place of 'Pack_V'"


@pytest.mark.parametrize(
    ("wished", "name"),
    [
        ("Cell 1/03 [V]", "Cell_1_03_V"),
        ("12 V supply", "_12_V_supply"),
        ("", "Field"),
        ("Größe µ", "Groesse_u"),
        ("SG_", "SG"),
        ("VERSION", "VERSION_1"),
        ("Voltage_of_the_cell_in_the_module_1_03_V", "Voltage_of_the_cell_in_th_1_03_V"),
        ("x" * 40, "x" * 32),
        ("\x1b[1m", "_1m"),
    ],
)
def test_names_are_made_legal(wished, name):
    assert kinds(extended_map(PACK, [message(NewSignal(wished, Field(16, 8)))])) == [("added", name)]


def test_text_is_spelled_as_the_file_can_hold_it():
    comment = NewSignal("B", Field(16, 8), comment='a "quoted" Ω 5 °C \\', unit="kΩ")
    for old, spelled in [
        (PACK, 'a "quoted" ohm 5 degC \\ '),
        (PACK + 'CM_ "°";\n'.encode("cp1252"), 'a "quoted" ohm 5 °C \\ '),
        (PACK + 'CM_ "°";\n'.encode(), 'a "quoted" Ω 5 °C \\ '),
    ]:
        new = extended_map(old, [message(comment)]).raw
        assert_only_inserted(old, new)
        assert signal_of(new, "B").comment == spelled
        assert signal_of(new, "B").unit == "kohm"


def test_a_map_of_utf_16_stays_one():
    old = b"\xff\xfe" + (PACK.decode() + 'CM_ "°";\n').encode("utf-16-le")
    new = extended_map(old, [message(NewSignal("B", Field(16, 8), comment="Ω"))]).raw
    assert signal_of(new, "B").comment == "Ω"
    assert opcodes(*(one[2:].decode("utf-16-le").splitlines() for one in (old, new))) == {"equal", "insert"}
    with pytest.raises(MapError, match="not all of its bytes are UTF-16"):
        extended_map(old + b"\x00", [message(NewSignal("B", Field(16, 8)))])


def test_whole_answers_and_parameter_groups_say_so():
    topic = NewSignal("Topic", Field(7, 24, "big"), is_multiplexor=True)
    wanted = [
        message(NewSignal("A", Field(31, 16, "big"), page=NewPage(topic, ((0x620104,) * 2,))), can_id=0x6EA,
                length=20, carriage="reassembled"),
        message(NewSignal("B", Field(80, 8)), can_id=0x18FECA17, length=20, carriage="j1939"),
    ]  # fmt: skip
    new = extended_map(PACK, wanted).raw
    by_id = {m.can_id: m for m in parse_map(new.decode()).messages}
    assert by_id[0x6EA].is_reassembled
    assert by_id[0x18FECA17].is_j1939
    assert not by_id[0x120].is_reassembled
    again = extended_map(new, [message(NewSignal("C", Field(31, 8)), can_id=0x18FECAFF, length=20, carriage="j1939")])
    assert kinds(again) == [("added", "C")]
    refused = extended_map(new, [message(NewSignal("C", Field(31, 8)), can_id=0x6EA)])
    assert [one.kind for one in refused.outcomes] == ["refused"]
    refused = extended_map(PACK, [message(NewSignal("C", Field(31, 8)), carriage="reassembled")])
    assert "CellgleanPayload" in refused.outcomes[0].reason


def test_an_unreadable_message_is_not_doubled():
    old = PACK + b"BO_ 289 Odd: x8 X\n"
    extended = extended_map(old, [message(NewSignal("B", Field(16, 8)), can_id=289)])
    assert extended.raw == old
    assert "line 7" in extended.outcomes[0].reason


def test_no_line_goes_between_statements_on_one_line():
    old = PACK.rstrip(b"\n") + b' BO_ 289 Helm: 8 X\n SG_ H : 0|8@1+ (1,0) [0|0] "" X\n'
    with pytest.raises(MapError, match="stands on the same line") as caught:
        extended_map(old, [message(NewSignal("B", Field(16, 8)))])
    assert caught.value.where.line == 5


def test_a_file_that_is_no_map_is_refused():
    for raw in (b"(1700000000.0) can0 123#00\n", b"[pack]\nmodules = 3\n", b"hello\n"):
        with pytest.raises(MapError, match="no message in it"):
            extended_map(raw, [message(NewSignal("B", Field(16, 8)))])


def test_the_old_file_is_kept_and_older_copies_too(tmp_path):
    path = tmp_path / "pack.dbc"
    path.write_bytes(PACK)
    backups = []
    texts = [PACK]
    for at in range(3):
        _, backup = add_to_file(path, [message(NewSignal(f"B{at}", Field(16 + 8 * at, 8)))])
        backups.append(backup.name)
        texts.append(path.read_bytes())
    assert backups == ["pack.dbc.bak", "pack.dbc.bak2", "pack.dbc.bak3"]
    assert [(tmp_path / name).read_bytes() for name in backups] == texts[:3]
    assert all(opcodes(a.splitlines(), b.splitlines()) == {"equal", "insert"} for a, b in pairwise(texts))
    extended, backup = add_to_file(path, [message(NewSignal("B0", Field(16, 8)))])
    assert backup is None
    assert not extended.lines
    assert len(list(tmp_path.iterdir())) == 4


def test_a_file_that_changed_meanwhile_is_not_written_over(tmp_path, monkeypatch):
    path = tmp_path / "pack.dbc"
    path.write_bytes(PACK)
    whole = dbc_add.extended_map

    def slowly(*given):
        path.write_bytes(PACK + b'CM_ "mine";\n')
        return whole(*given)

    monkeypatch.setattr(dbc_add, "extended_map", slowly)
    with pytest.raises(OutputError, match="changed since it was read"):
        add_to_file(path, [message(NewSignal("B", Field(16, 8)))])
    assert path.read_bytes() == PACK + b'CM_ "mine";\n'
    assert [one.name for one in tmp_path.iterdir()] == ["pack.dbc"]


def test_a_new_file_is_made_and_has_no_copy(tmp_path):
    path = tmp_path / "new.dbc"
    _, backup = add_to_file(path, [message(NewSignal("B", Field(16, 8)))])
    assert backup is None
    assert [m.name for m in load_map(path, strict=True).messages] == ["M_120"]
    with pytest.raises(OutputError):
        add_to_file(tmp_path / "none" / "new.dbc", [message(NewSignal("B", Field(16, 8)))])
    with pytest.raises(MapError, match="cannot be read"):
        add_to_file(tmp_path, [message(NewSignal("B", Field(16, 8)))])


@pytest.mark.parametrize(
    "line",
    [
        'SG_ B : 16|9@1+ (1,0) [0|0] "" Vector__XXX',
        'SG_ B : 16|8@1+ (2,0) [0|0] "" Vector__XXX',
        'SG_ B M : 16|8@1+ (1,0) [0|0] "" Vector__XXX',
        'SG_ B : 16|8@1+ (1,0) [0|0] ""',
        "SG_ B",
        'SG_ Pack_V : 16|8@1+ (1,0) [0|0] "" Vector__XXX',
        "BO_ 289 B: 8 X",
    ],
)
def test_lines_that_would_be_read_otherwise_than_meant_are_never_written(tmp_path, monkeypatch, line):
    path = tmp_path / "pack.dbc"
    path.write_bytes(PACK)
    monkeypatch.setattr(dbc_add, "signal_line", lambda *_: line)
    with pytest.raises(MapError, match="read otherwise than meant"):
        add_to_file(path, [message(NewSignal("B", Field(16, 8)))])
    assert path.read_bytes() == PACK
    assert [one.name for one in tmp_path.iterdir()] == ["pack.dbc"]
