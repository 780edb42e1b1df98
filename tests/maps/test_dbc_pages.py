"""Multiplexors, overlaps, and signals outside their message."""

import pytest

from decoder.channels import decode
from decoder.maps.dbc_file import parse_map
from decoder.maps.dbc_pages import joined
from tests.building import capture


def dbc(*signals, more="", length=8):
    lines = [f"BO_ 291 Msg: {length} X", *(f' SG_ {one} (1,0) [0|0] "" X' for one in signals), more]
    return parse_map("\n".join(lines) + "\n")


def decoded(signal_map, *payloads):
    """What each payload decodes to: signal -> value."""
    frames = capture([(i * 0.01, 0x123, bytes.fromhex(p)) for i, p in enumerate(payloads)])
    rows = [{} for _ in payloads]
    for name, series in decode(frames, signal_map).items():
        for row, value in zip(series.rows, series.value.tolist(), strict=True):
            rows[row][name] = value
    return rows


# Payload A1 B2 C3 D4 E5 F6 07 18; the values follow from the bit numbering of the format, checked with cantools.
@pytest.mark.parametrize(
    ("spec", "value"),
    [
        ("0|16@1+", 0xB2A1), ("7|16@0+", 0xA1B2), ("12|12@1+", 0xC3B), ("3|12@0+", 0x1B2), ("20|12@1+", 0xD4C),
        ("23|12@0+", 0xC3D), ("29|3@1+", 6), ("31|3@0+", 6), ("32|16@1-", -2331), ("39|16@0-", -6666),
        ("36|20@1-", 0x07F6E), ("35|20@0-", 0x5F607), ("63|1@1+", 0), ("53|10@0+", 113),
    ],
)  # fmt: skip
def test_fields_of_both_byte_orders(spec, value):
    assert decoded(dbc(f"a : {spec}"), "A1B2C3D4E5F60718") == [{"a": value}]


def test_nested_pages_by_sg_mul_val():
    found = dbc(
        "S0 M : 0|4@1+", "S1 m1M : 8|8@1+", "Deep m2 : 16|16@1+", "Span m3 : 32|8@1+",
        more="SG_MUL_VAL_ 291 S1 S0 1-1;\nSG_MUL_VAL_ 291 Deep S1 2-2, 5-7;\nSG_MUL_VAL_ 291 Span S0 3-4, 9-9;",
    )  # fmt: skip
    assert found.faults == ()
    rows = decoded(
        found,
        *("0102341200000000", "0106341200000000", "0103000000000000", "0300000077000000", "0900000077000000"),
        "0500000000000000",
    )
    assert [row.get("Deep") for row in rows] == [0x1234, 0x1234, None, None, None, None]
    assert [row.get("Span") for row in rows] == [None, None, None, 119, 119, None]
    assert [row["S0"] for row in rows] == [1, 1, 1, 3, 9, 5]


def test_an_inner_multiplexor_stands_under_the_only_outer_one():
    found = dbc("S0 M : 0|4@1+", "S1 m1M : 8|8@1+")
    assert found.faults == ()
    page = found.messages[0].signals[1].page
    assert (page.multiplexor, page.values) == ("S0", ((1, 1),))


def test_two_plain_multiplexors_are_ambiguous():
    found = dbc("A M : 0|8@1+", "B M : 8|8@1+", "C m0 : 16|8@1+", "D m1 : 24|8@1+", "E : 32|8@1+")
    (message,) = found.messages
    assert [s.name for s in message.signals] == ["A", "B", "E"]
    assert all(s.page is None for s in message.signals)
    assert message.undecided == ("C", "D")
    (fault,) = found.faults
    assert fault.where.line == 1
    assert "ambiguous" in fault.what
    for words in ("'A' (line 2)", "'B' (line 3)", "'C' and 'D'"):
        assert words in fault.what
    assert decoded(found, "0000050500000000") == [{"A": 0, "B": 0, "E": 0}]


def test_sg_mul_val_settles_two_plain_multiplexors():
    found = dbc(
        *("A M : 0|8@1+", "B M : 8|8@1+", "C m0 : 16|8@1+", "D m1 : 24|8@1+"),
        more="SG_MUL_VAL_ 291 C A 0-0;\nSG_MUL_VAL_ 291 D B 1-1;",
    )
    assert found.faults == ()
    assert decoded(found, "0001070900000000", "0100070900000000") == [
        {"A": 0, "B": 1, "C": 7, "D": 9},
        {"A": 1, "B": 0},
    ]


def test_a_page_without_any_multiplexor_is_not_decoded():
    found = dbc("A m0 : 0|8@1+", "B : 8|8@1+")
    assert found.messages[0].undecided == ("A",)
    assert "no multiplexor" in found.faults[0].what


def test_multiplexors_in_a_ring_are_not_decoded():
    found = dbc(
        *("R : 0|8@1+", "A m0M : 8|8@1+", "B m0M : 16|8@1+", "C m0 : 24|8@1+"),
        more="SG_MUL_VAL_ 291 A B 0-0;\nSG_MUL_VAL_ 291 B A 0-0;\nSG_MUL_VAL_ 291 C A 0-0;",
    )
    assert found.messages[0].undecided == ("A", "B", "C")
    assert "ring" in found.faults[0].what


def test_a_multiplexor_without_its_mark_is_read_as_one():
    found = dbc("A : 0|8@1+", "B m1 : 8|8@1+", more="SG_MUL_VAL_ 291 B A 1-2;")
    assert found.messages[0].signals[0].is_multiplexor
    assert "no mark M" in found.faults[0].what
    assert decoded(found, "0207000000000000", "0307000000000000") == [{"A": 2, "B": 7}, {"A": 3}]


def test_one_name_on_several_pages_is_kept():
    found = dbc("P M : 0|8@1+", "V m0 : 8|8@1+", "V m1 : 8|16@1+")
    assert found.faults == ()
    assert [s.name for s in found.messages[0].signals] == ["P", "V", "V"]


def test_a_name_twice_in_one_frame_is_told_apart():
    found = dbc("P M : 0|8@1+", "V m0 : 8|8@1+", "V : 16|8@1+")
    assert [s.name for s in found.messages[0].signals] == ["P", "V", "V_2"]
    assert found.faults[0].where.line == 4


def test_overlaps_are_reported_only_within_one_frame():
    found = dbc("P M : 0|8@1+", "A m0 : 8|8@1+", "B m1 : 8|8@1+", "C m1 : 15|4@0+", "D : 12|8@1+", "E : 4|4@1+")
    assert [(f.where.line, f.done) for f in found.faults] == [
        (line, "each is decoded on its own") for line in (5, 6, 7)
    ]
    assert "'C' of 'Msg' overlaps 'B' (line 4)" in found.faults[0].what
    assert "'D' of 'Msg' overlaps 'A' (line 3), 'B' (line 4) and 'C' (line 5)" in found.faults[1].what
    assert "'E' of 'Msg' overlaps 'P' (line 2)" in found.faults[2].what


def test_overlapping_signals_are_each_decoded():
    assert decoded(dbc("A : 0|16@1+", "B : 8|16@1+"), "0102030000000000") == [{"A": 0x0201, "B": 0x0302}]


def test_signals_outside_their_message_are_decoded_where_a_frame_is_long_enough():
    found = dbc("A : 0|8@1+", "B : 8|16@1+", length=2)
    (fault,) = found.faults
    assert fault.where.line == 3
    assert "needs 3 bytes" in fault.what
    assert decoded(found, "010203", "0102") == [{"A": 1, "B": 0x0302}, {"A": 1}]


def test_a_message_of_0_bytes_with_signals_is_one_fault():
    found = dbc("A : 0|8@1+", "B : 8|8@1+", length=0)
    assert len(found.faults) == 1
    assert len(found.messages[0].signals) == 2


def test_long_names_are_used_for_multiplexors_too():
    found = dbc(
        *("P M : 0|8@1+", "V m0 : 8|8@1+"),
        more='BA_DEF_ SG_ "SystemSignalLongSymbol" STRING ;\nBA_ "SystemSignalLongSymbol" SG_ 291 P "Page_of_cells";',
    )
    assert found.messages[0].signals[1].page.multiplexor == "Page_of_cells"
    assert decoded(found, "0007000000000000") == [{"Page_of_cells": 0, "V": 7}]


def test_ranges_that_touch_are_joined():
    assert joined([(5, 7), (1, 1), (2, 3), (6, 9)]) == ((1, 3), (5, 9))
