"""What is read from a sound file is what cantools reads from it."""

from pathlib import Path

import pytest
from cantools.database.can.formats import dbc
from hypothesis import given, settings

from decoder.maps import load_map
from decoder.maps.dbc_file import parse_map
from tests.maps.dbc_oracle import assert_equals_cantools
from tests.maps.dbc_texts import oddly_spelled, spelled, token_rows


def no_faults_but_overlaps(found):
    assert [fault for fault in found.faults if "overlaps" not in fault.what] == []


@settings(max_examples=100)
@given(token_rows())
def test_maps_as_files_have_them(rows):
    no_faults_but_overlaps(assert_equals_cantools(spelled(rows)))


@settings(max_examples=60)
@given(token_rows().flatmap(oddly_spelled))
def test_any_blanks_line_ends_and_comments_between_the_tokens(text):
    no_faults_but_overlaps(assert_equals_cantools(text))


# What a sound file may be reported for all the same, by the name of the vector.
REPORTED = {
    "dbc_half-precision_floats": ["read as a float of 16 bits"],
    "dbc_no_bytes_left_for_its_signals": ["needs 2 bytes"],
}
VECTORS = sorted(Path("tests/vectors").glob("dbc_*.dbc"))


@pytest.mark.parametrize("path", VECTORS, ids=lambda path: path.stem)
def test_hard_cases(path):
    text = path.read_text()
    found = assert_equals_cantools(text)
    expected = REPORTED.get(path.stem, [])
    assert len(found.faults) == len(expected)
    for fault, words in zip(found.faults, expected, strict=True):
        assert words in str(fault)
    assert parse_map(text.replace("\n", "\r\n"), "t.dbc") == found


def test_the_hard_cases_are_there():
    assert len(VECTORS) >= 15


def test_the_bundled_map():
    assert assert_equals_cantools(Path("signal_maps/harbour_shuttle.dbc").read_text(encoding="utf-8")).faults == ()


def test_2000_signals_load_without_a_fault(tmp_path):
    rows = []
    for number in range(500):
        rows.append(f"BO_ {number} M{number}: 8 X")
        rows += [f' SG_ S{s} : {s * 16}|16@1+ (0.001,0) [0|5] "V" X' for s in range(4)]
    for number in range(500):
        rows += [f'VAL_ {number} S{s} 0 "a" 65535 "absent" ;\nCM_ SG_ {number} S{s} "cell {s}";' for s in range(4)]
    path = tmp_path / "large.dbc"
    path.write_text("\n".join(rows) + "\n")
    found = load_map(path)
    assert sum(len(m.signals) for m in found.messages) == 2000
    assert found.faults == ()


def test_pages_in_wide_ranges_cost_nothing():
    text = 'BO_ 1 A: 8 X\n SG_ P M : 0|32@1+ (1,0) [0|0] "" X\n SG_ a m0 : 32|8@1+ (1,0) [0|0] "" X\n'
    found = parse_map(text + "SG_MUL_VAL_ 1 a P 0-4294967295;\n")
    assert found.messages[0].signals[1].page.values == ((0, 4294967295),)


def test_the_comparison_can_fail():
    sound = 'BO_ 1 A: 8 X\n SG_ a : 0|8@1+ (1,0) [0|0] "" X\n'
    assert dbc.load_string(sound).messages[0].signals[0].length == parse_map(sound).messages[0].signals[0].field.length
    with pytest.raises(AssertionError):
        assert_equals_cantools('BO_ 1 A: 8 X\n SG_ a : 0|8@1+ (1,0) [0.0|0.0] "" X\n')
