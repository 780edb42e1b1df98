"""Whatever is wrong with a file: no traceback, and what is sound in it is read."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoder.errors import MapError
from decoder.maps import load_map
from decoder.maps.dbc_file import parse_map
from decoder.maps.dbc_text import decode_text
from tests.maps.dbc_texts import spelled, token_rows

SOUND = """VERSION "1"

NS_ :
    CM_
    VAL_

BS_:

BU_: Pack Helm

BO_ 288 PackState: 8 Pack
 SG_ Pack_V : 7|16@0+ (0.1,0) [0|500] "V" Helm
 SG_ Pack_A : 23|16@0- (0.1,0) [-600|600] "A" Helm,Pack
 SG_ Mode : 32|4@1+ (1,0) [0|15] "" Helm
 SG_ Power : 40|16@1- (1,0) [0|0] "" Helm

BO_ 2566869221 Cells: 8 Pack
 SG_ Page M : 0|8@1+ (1,0) [0|255] "" Helm
 SG_ Cell_1 m0 : 8|16@1+ (0.001,0) [0|5] "V" Helm
 SG_ Cell_2 m1 : 8|16@1+ (0.001,0) [0|5] "V" Helm

BO_ 300 Heat: 4 Pack
 SG_ Temp_1 : 0|32@1- (1,0) [0|0] "degC" Helm

CM_ "all of it; invented";
CM_ BO_ 288 "state of
the pack";
CM_ SG_ 288 Mode "a \\"mode\\"";
BA_DEF_ BO_ "GenMsgCycleTime" INT 0 1000;
BA_DEF_DEF_ "GenMsgCycleTime" 0;
BA_ "GenMsgCycleTime" BO_ 288 100;
VAL_ 288 Mode 0 "sleep" 1 "drive" 2 "charge" ;
SIG_VALTYPE_ 300 Temp_1 : 1;
SG_MUL_VAL_ 2566869221 Cell_2 Page 1-1,4-7;
"""
LINES = SOUND.splitlines(keepends=True)
WHOLE = parse_map(SOUND)


def layout(message):
    """What the BO_ and SG_ lines of a message say."""
    return (
        message.can_id,
        message.extended,
        message.length,
        {s.name: (s.field, s.scale, s.offset, s.unit, s.minimum, s.maximum) for s in message.signals},
    )


def test_the_sound_map_has_no_faults():
    assert WHOLE.faults == ()
    assert [len(m.signals) for m in WHOLE.messages] == [4, 3, 1]


@settings(max_examples=60)
@given(st.binary(max_size=300))
def test_any_bytes_are_read_or_refused(tmp_path_factory, raw):
    path = tmp_path_factory.mktemp("bytes") / "any.dbc"
    path.write_bytes(raw)
    try:
        assert load_map(path).messages
    except MapError as error:
        assert str(path) in str(error)


PIECES = [
    '"',
    ";",
    "\n",
    "BO_",
    " SG_ x : ",
    "\\",
    "//",
    "(",
    "é",
    "\0",
    " ",
    "M",
    ":",
    "|",
    "1",
    "CM_ ",
    "\n\n",
    "\u2028",
    "0x",
]


@st.composite
def damaged(draw, text):
    """The text with pieces taken out, put in or doubled."""
    for _ in range(draw(st.integers(1, 4))):
        start = draw(st.integers(0, len(text)))
        end = min(len(text), start + draw(st.integers(0, 12)))
        put = draw(st.one_of(st.sampled_from(PIECES), st.text(max_size=3), st.just(text[start:end] * 2)))
        text = text[:start] + put + text[end:]
    return text


@settings(max_examples=200)
@given(damaged(SOUND))
def test_any_damage_is_survived(text):
    found = parse_map(text)
    for fault in found.faults:
        assert 1 <= fault.where.line <= text.count("\n") + text.count("\r") + 1
        assert "\n" not in str(fault)


@settings(max_examples=30)
@given(token_rows().map(spelled).flatmap(damaged))
def test_any_damage_to_any_map_is_survived(text):
    parse_map(text)


def damage_to_line(draw, line):
    start = draw(st.integers(0, len(line)))
    end = min(len(line), start + draw(st.integers(0, 30)))
    put = draw(
        st.one_of(st.just(""), st.sampled_from([*PIECES[:2], *PIECES[5:16]]), st.text('abc019_ :;"()|@', max_size=3))
    )
    return line[:start] + put + line[end:]


@st.composite
def one_line_damaged(draw):
    """A line below the first message that is no BO_ line, and the text with damage in it alone."""
    numbers = [
        i for i, line in enumerate(LINES) if line.strip().startswith(("SG_", "VAL_", "CM_", "BA_", "SIG_V", "SG_M"))
    ]
    number = draw(st.sampled_from(numbers))
    changed = damage_to_line(draw, LINES[number].rstrip("\n")) + "\n"
    return number, "".join([*LINES[:number], changed, *LINES[number + 1 :]])


@settings(max_examples=200)
@given(one_line_damaged())
def test_damage_in_one_line_costs_nothing_else(case):
    number, text = case
    found = {m.name: m for m in parse_map(text).messages}
    hit = LINES[number].split()[1] if LINES[number].startswith(" SG_") else None
    for message in WHOLE.messages:
        can_id, extended, length, signals = layout(found[message.name])
        *head, expected = layout(message)
        assert [can_id, extended, length] == head
        for name in expected:
            if name == hit or (hit == "Page" and "Cell" in name):
                continue  # without its multiplexor, a paged signal is not decoded
            if name in signals or name not in found[message.name].undecided:
                assert signals[name] == expected[name]


@pytest.mark.parametrize(
    "number", [i for i, line in enumerate(LINES) if line.startswith((" SG_", "VAL_", "CM_", "BA_"))]
)
def test_a_line_of_junk_in_place_of_one_costs_that_line(number):
    text = "".join([*LINES[:number], '\x1b[2J ?? ; " junk\n', *LINES[number + 1 :]])
    found = parse_map(text)
    assert [m.name for m in found.messages] == ["PackState", "Cells", "Heat"]
    lost = sum(len(m.signals) + len(m.undecided) for m in WHOLE.messages) - sum(
        len(m.signals) + len(m.undecided) for m in found.messages
    )
    assert lost == LINES[number].startswith(" SG_")
    assert any(fault.where.line == number + 1 for fault in found.faults)
    assert "\x1b" not in "".join(map(str, found.faults))


def test_decoding_of_bytes_never_fails():
    for raw in (b"", b"\xef\xbb\xbf", b"\xff\xfe", b"\xff\xfeB", b"\xfe\xff\xd8\x00", bytes(range(256))):
        assert isinstance(decode_text(raw).text, str)
