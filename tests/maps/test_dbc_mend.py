"""Each kind of fault that real files have: reported with its line and what was done, and everything else is read."""

import pytest

from decoder.bits import Field
from decoder.errors import MapError
from decoder.maps import load_map
from decoder.maps.dbc_file import parse_map
from tests.maps.dbc_oracle import theirs

HEAD = 'BO_ 100 Heat: 8 X\n SG_ Temp : 0|8@1+ (1,-40) [0|0] "degC" X\n SG_ Flow : 8|16@1+ (0.1,0) [0|10] "" X\n'
BEHIND = 'BO_ 200 Behind: 8 X\n SG_ Last : 0|8@1+ (1,0) [0|0] "" X\n'

# text, line of the fault, words of it; what stands in HEAD and BEHIND is read whole in each case
KEPT_WHOLE = {
    "a bit rate": ("BS_: 500000 : 1,2\n" + HEAD + BEHIND, 1, "bit rate"),
    "labels for an unknown message": (HEAD + BEHIND + 'VAL_ 999 Temp 0 "a" ;\n', 6, "unknown message 999 (0x3E7)"),
    "labels for an unknown signal": (HEAD + BEHIND + 'VAL_ 100 Gone 0 "a" ;\n', 6, "'Gone', which is not in 'Heat'"),
    "a comment on an unknown message": (HEAD + BEHIND + 'CM_ BO_ 999 "x";\n', 6, "unknown message 999"),
    "a comment on an unknown signal": (HEAD + BEHIND + 'CM_ SG_ 100 Gone "x";\n', 6, "'Gone'"),
    "a type for an unknown signal": (HEAD + BEHIND + "SIG_VALTYPE_ 100 Gone : 1;\n", 6, "'Gone'"),
    "pages of an unknown signal": (HEAD + BEHIND + "SG_MUL_VAL_ 100 Gone Temp 1-1;\n", 6, "'Gone'"),
    "pages under an unknown multiplexor": (HEAD + BEHIND + "SG_MUL_VAL_ 100 Flow Gone 1-1;\n", 6, "'Gone'"),
    "an attribute that is not defined": (HEAD + BEHIND + 'BA_ "Nope" BO_ 100 5;\n', 6, "'Nope', which no BA_DEF_"),
    "an attribute of an unknown message": (HEAD + BEHIND + 'BA_DEF_ "A" STRING;\nBA_ "A" BO_ 9 "";\n', 7, "message 9"),
    "a ';' missing between statements": (HEAD + BEHIND + 'CM_ BO_ 100 "x"\nCM_ BO_ 200 "y";\n', 6, "';'"),
    "a ';' missing at the end": (HEAD + BEHIND + 'CM_ BO_ 100 "x"', 6, "';'"),
    "a ';' missing before a message": (HEAD + "BO_TX_BU_ 100 : X\n" + BEHIND, 4, "';'"),
    "a line of nonsense": (HEAD + "\nwhat is this\n\n" + BEHIND, 5, "'what is this' cannot be read"),
    "a line of nonsense between signals": (HEAD.replace(" SG_ Flow", "###\n SG_ Flow") + BEHIND, 3, "'###'"),
    "a keyword that nobody knows": (HEAD + "NEW_STUFF_ 100 1 2;\n" + BEHIND, 4, "NEW_STUFF_"),
    "a keyword that says nothing about signals": (HEAD + BEHIND + "CAT_DEF_ 1 x;\n", 6, "CAT_DEF_"),
    "a signal that cannot be read": (HEAD + ' SG_ Bad : 0|x@1+ (1,0) [0|0] "" X\n' + BEHIND, 4, "'SG_ Bad : 0|x@1+"),
    "a signal cut short": (HEAD + " SG_ Bad : 0|8@1+ (1,\n" + BEHIND, 4, "SG_ Bad"),
    "a signal of no bits": (HEAD + ' SG_ Bad : 0|0@1+ (1,0) [0|0] "" X\n' + BEHIND, 4, "0 bits"),
    "a signal of too many bits": (HEAD + ' SG_ Bad : 0|65@1+ (1,0) [0|0] "" X\n' + BEHIND, 4, "65 bits"),
    "a signal out of this world": (HEAD + ' SG_ Bad : 999999999|8@1+ (1,0) [0|0] "" X\n' + BEHIND, 4, "bit 999999999"),
    "a scale that is no number": (HEAD + ' SG_ Bad : 24|8@1+ (a,0) [0|0] "" X\n' + BEHIND, 4, "'(a,0)'"),
    "a scale without end": (HEAD + ' SG_ Bad : 24|8@1+ (1e999,0) [0|0] "" X\n' + BEHIND, 4, "'(1e999,0)'"),
    "numbers with commas that can be parted in two ways": (
        HEAD + ' SG_ Bad : 24|8@1+ (2,5,5) [0|0] "" X\n' + BEHIND, 4, "'(2,5,5)'",
    ),
    "a message with an impossible identifier": ("BO_ 1073741824 Bad: 8 X\n" + HEAD + BEHIND, 1, "29 bits"),
    "a message that cannot be read": ('BO_ 5 Bad 8 X\n SG_ A : 0|8@1+ (1,0) [0|0] "" X\n' + HEAD + BEHIND, 1, "BO_ 5"),
    "a node with an odd name": ("BU_: X 1Y\n" + HEAD + BEHIND, 1, "'1Y'"),
    "a character that looks like a blank": (HEAD.replace("Temp :", "Temp\xa0:") + BEHIND, 2, "U+00A0"),
    "text behind a comment": (HEAD + BEHIND + 'CM_ BO_ 100 "x" y\n;\n', 6, "not closed"),
    "quotes inside a comment": (HEAD + BEHIND + 'CM_ BO_ 100 "a "big" pack";\n', 6, "quotes"),
    "a comment that is not closed": (HEAD + BEHIND + 'CM_ BO_ 100 "x;\nCM_ BO_ 200 "y";\n', 6, "not closed"),
    "no sender": (HEAD.replace("8 X", "8", 1) + BEHIND, 1, "sender"),
    "no receiver": (HEAD.replace('"degC" X', '"degC"') + BEHIND, 2, "receiver"),
    "an odd receiver": (HEAD.replace('"degC" X', '"degC" 1X') + BEHIND, 2, "'1X'"),
    "an identifier in hex": (HEAD.replace("100", "0x64") + BEHIND, 1, "'0x64'"),
    "a length with a nought before it": (HEAD.replace(": 8", ": 08", 1) + BEHIND, 1, "'08'"),
}  # fmt: skip


@pytest.mark.parametrize("name", KEPT_WHOLE)
def test_one_bad_line_costs_that_line(name):
    text, line, words = KEPT_WHOLE[name]
    found = parse_map(text, "m.dbc")
    (fault,) = found.faults
    assert (fault.where.path, fault.where.line) == ("m.dbc", line)
    assert words in fault.what
    assert fault.done
    sound = parse_map(HEAD + BEHIND)
    assert [(m.name, m.can_id, m.length) for m in found.messages] == [("Heat", 100, 8), ("Behind", 200, 8)]
    for mine, other in zip(found.messages, sound.messages, strict=True):
        assert [(s.name, s.field, s.scale) for s in mine.signals] == [(s.name, s.field, s.scale) for s in other.signals]


@pytest.mark.parametrize("name", ["a bit rate", "labels for an unknown signal", "a signal that cannot be read"])
def test_cantools_refuses_what_is_mended_here(name):
    with pytest.raises(Exception, match=r".") as caught:
        theirs(KEPT_WHOLE[name][0])
    assert caught.type.__name__ in {"ParseError", "TokenizeError", "ValueError"}


@pytest.mark.parametrize(
    "name", ["1Cell", "Cell-1", "Zellspannung_Ü", "電圧", "Cell V 1", "SG_", "FILTER", "Cell.V", "Cell[1]"]
)
def test_names_that_the_format_does_not_allow_are_kept_everywhere(name):
    text = (
        f'BO_ 100 {name}: 8 X\n SG_ {name} : 0|32@1- (1,0) [0|0] "" X\n'
        f'VAL_ 100 {name} 0 "off" ;\nCM_ SG_ 100 {name} "its comment";\nSIG_VALTYPE_ 100 {name} : 1;\n'
    )
    found = parse_map(text)
    (message,) = found.messages
    (signal,) = message.signals
    assert (message.name, signal.name) == (name, name)
    assert (signal.labels, signal.comment, signal.is_float) == ({0: "off"}, "its comment", True)
    assert [(f.where.line, f.done) for f in found.faults] == [(1, "the name is kept"), (2, "the name is kept")]


def test_odd_names_keep_their_pages():
    text = (
        'BO_ 1 A: 8 X\n SG_ 1st M : 0|8@1+ (1,0) [0|0] "" X\n SG_ 2nd-V m0 : 8|8@1+ (1,0) [0|0] "" X\n'
        "SG_MUL_VAL_ 1 2nd-V 1st 3-5;\n"
    )
    selector, paged = parse_map(text).messages[0].signals
    assert selector.is_multiplexor
    assert (paged.page.multiplexor, paged.page.values) == ("1st", ((0, 0), (3, 5)))


@pytest.mark.parametrize(
    ("written", "scale", "offset"),
    [
        ("0,1,0", 0.1, 0), ("0,5,-40", 0.5, -40), ("1,-40,5", 1, -40.5), ("0,1,-40,5", 0.1, -40.5), ("2,5,0", 2.5, 0),
        (".5,0", 0.5, 0), ("1,.5", 1, 0.5), (" 0.1 , 2 ", 0.1, 2),
    ],
)  # fmt: skip
def test_numbers_with_decimal_commas_or_without_a_nought(written, scale, offset):
    found = parse_map(f'BO_ 1 A: 8 X\n SG_ a : 0|8@1+ ({written}) [0|0] "" X\n')
    (signal,) = found.messages[0].signals
    assert (signal.scale, signal.offset) == (scale, offset)
    assert len(found.faults) == (0 if written.startswith(" ") else 1)


@pytest.mark.parametrize(
    ("written", "bounds", "faults"),
    [
        ("0|0", (None, None), 0), ("0.0|0", (None, None), 0), ("-5|5.5", (-5, 5.5), 0), ("5|-5", (None, None), 1),
        ("0|102,5", (0, 102.5), 1), ("0|1.#INF", (None, None), 1), ("|", (None, None), 1), ("0|.5", (0, 0.5), 1),
    ],
)  # fmt: skip
def test_ranges(written, bounds, faults):
    found = parse_map(f'BO_ 1 A: 8 X\n SG_ a : 0|8@1+ (1,0) [{written}] "" X\n')
    (signal,) = found.messages[0].signals
    assert (signal.minimum, signal.maximum) == bounds
    assert len(found.faults) == faults


@pytest.mark.parametrize(
    ("length", "kind", "is_float", "faults"),
    [(32, 1, True, 0), (64, 2, True, 0), (16, 1, True, 1), (64, 1, True, 1), (32, 2, True, 1), (11, 1, False, 1),
     (32, 0, False, 0), (32, 3, False, 1)],
)  # fmt: skip
def test_floats_by_their_length(length, kind, is_float, faults):
    text = f'BO_ 1 A: 8 X\n SG_ a : 0|{length}@1- (1,0) [0|0] "" X\nSIG_VALTYPE_ 1 a : {kind};\n'
    found = parse_map(text)
    assert found.messages[0].signals[0].is_float == is_float
    assert len(found.faults) == faults
    for fault in found.faults:
        assert fault.where.line == 3
        assert "line 2" in str(fault)


def test_two_messages_with_one_identifier_are_both_read_and_share_what_is_said_about_it():
    text = HEAD + BEHIND.replace("200", "100") + 'VAL_ 100 Last 1 "on" ;\nVAL_ 100 Temp 2 "hot" ;\n'
    found = parse_map(text)
    assert [(m.name, m.can_id) for m in found.messages] == [("Heat", 100), ("Behind", 100)]
    assert found.messages[0].signals[0].labels == {2: "hot"}
    assert found.messages[1].signals[0].labels == {1: "on"}
    (fault,) = found.faults
    assert (fault.where.line, fault.done) == (4, "both are decoded")
    assert "'Heat' (line 1)" in fault.what


def test_a_second_name_gets_a_number():
    text = (
        HEAD + HEAD.replace("100", "101").replace("Flow", "Temp") + HEAD.replace("100", "102").replace("Heat", "Heat_2")
    )
    found = parse_map(text)
    assert [m.name for m in found.messages] == ["Heat", "Heat_3", "Heat_2"]
    assert [s.name for s in found.messages[1].signals] == ["Temp", "Temp_2"]
    assert [(f.where.line, f.done) for f in found.faults] == [(4, "called 'Heat_3'"), (6, "called 'Temp_2'")]


def test_labels_before_a_broken_one_are_kept():
    found = parse_map(HEAD + 'VAL_ 100 Temp 0 "cold" 1 hot 2 "x" ;\n')
    assert found.messages[0].signals[0].labels == {0: "cold"}
    assert "'1 hot" in found.faults[0].what


def test_strict_takes_a_sound_file(tmp_path):
    path = tmp_path / "m.dbc"
    path.write_text(HEAD + BEHIND)
    assert load_map(path, strict=True) == load_map(path)


def test_the_only_message_being_broken_is_an_error_with_its_line_and_text(tmp_path):
    path = tmp_path / "m.dbc"
    path.write_text('VERSION "1"\nBO_ 100 Heat 8 X\n SG_ a : 0|8@1+ (1,0) [0|0] "" X\n')
    with pytest.raises(MapError) as caught:
        load_map(path)
    assert caught.value.where.line == 2
    assert "BO_ 100 Heat 8 X" in str(caught.value)


def test_the_fields_are_those_of_the_file():
    (message,) = parse_map(HEAD).messages
    assert [s.field for s in message.signals] == [Field(0, 8), Field(8, 16)]
