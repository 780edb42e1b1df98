"""Each fault of a DBC file costs no more than it must, is reported with its line, and is refused where asked."""

import pytest

from decoder.errors import MapError
from decoder.maps.dbc_file import load_map
from decoder.maps.signal_map import Page

FIRST = 'BO_ 100 First: 8 X\n SG_ One : 0|8@1+ (1,0) [0|0] "" X\n'
LAST = 'BO_ 300 Last: 8 X\n SG_ End : 0|8@1+ (1,0) [0|0] "" X\n'


def message(*rows, head="BO_ 200 Mid: 8 X"):
    """A message with these SG_ rows; the message stands in line 3 of the file, the rows from line 4 on."""
    return "\n".join([head, *(f" SG_ {row}" for row in rows)]) + "\n"


@pytest.fixture
def read(tmp_path):
    """Load what stands between two good messages; those must be whole, and strict reading must refuse the file."""

    def load(middle, *, after="", faults=1, encoding="utf-8", raw=None):
        path = tmp_path / "a.dbc"
        path.write_bytes((FIRST + middle + LAST + after).encode(encoding) if raw is None else raw)
        found = load_map(path)
        for name, signal in (("First", "One"), ("Last", "End")):
            assert [s.name for s in found.message(name).signals] == [signal]
        assert len(found.faults) == faults, [str(fault) for fault in found.faults]
        if faults:
            with pytest.raises(MapError, match="strict") as caught:
                load_map(path, strict=True)
            assert str(found.faults[0]) in str(caught.value)
        return found

    return load


def check(found, line, what, done):
    """The only fault has this line, and says this."""
    (fault,) = found.faults
    assert fault.where.line == line
    assert what in fault.what
    assert done in fault.done


def names(found, name="Mid"):
    return [signal.name for signal in found.message(name).signals]


def test_a_bit_rate_is_passed_over(read):
    check(read("BS_: 500000\n"), 3, "bit rate", "ignored")
    check(read("BS_: 500000 : 1,2\n"), 3, "bit rate", "ignored")


def test_names_in_utf_8_are_kept(read):
    found = read(message('Spannung_Zelle_ü : 0|8@1+ (1,0) [0|0] "" X'))
    check(found, 4, "'ü'", "the name is kept")
    assert names(found) == ["Spannung_Zelle_ü"]
    assert found.encodings == ("utf-8",)


def test_a_byte_order_mark_is_reported_and_costs_nothing(read):
    for encoding, kind in (("utf-8", "UTF-8"), ("utf-16-le", "UTF-16"), ("utf-16-be", "UTF-16")):
        found = read("", raw=("\ufeff" + FIRST + LAST).encode(encoding))
        check(found, 1, "byte-order mark", kind)
        assert found.encodings == (encoding,)


def test_a_unit_in_cp1252_is_read_and_the_encoding_kept(read):
    found = read(message('T : 0|8@1+ (1,0) [0|0] "°C" X'), encoding="cp1252", faults=0)
    assert found.message("Mid").signals[0].unit == "°C"
    assert found.encodings == ("cp1252",)


def test_labels_for_an_unknown_message_are_left_out(read):
    check(read("", after='VAL_ 999 One 0 "off" ;\nVAL_ 100 One 1 "on" ;\n'), 5, "unknown message 999", "left out")


def test_labels_for_an_unknown_signal_are_left_out(read):
    found = read("", after='VAL_ 100 Two 0 "off" ;\nVAL_ 100 One 1 "on" ;\n')
    check(found, 5, "'Two'", "left out")
    assert found.message("First").signals[0].labels == {1: "on"}


def test_a_missing_semicolon_before_another_statement_costs_nothing(read):
    found = read("", after='VAL_ 100 One 0 "off"\nVAL_ 300 End 1 "on" ;\n')
    check(found, 5, "';'", "read as if it were there")
    assert found.message("First").signals[0].labels == {0: "off"}
    assert found.message("Last").signals[0].labels == {1: "on"}


def test_a_missing_semicolon_before_a_message_costs_nothing(read):
    found = read('CM_ BO_ 100 "hello"\n')
    check(found, 3, "';'", "read as if it were there")
    assert found.message("First").comment == "hello"


def test_a_missing_semicolon_at_the_end_of_the_file_costs_nothing(read):
    for end in ("", "\n", "\n\n"):
        found = read("", after=f'VAL_ 100 One 0 "off"{end}')
        check(found, 5, "';'", "read as if it were there")
        assert found.message("First").signals[0].labels == {0: "off"}


def test_two_messages_with_one_identifier_are_both_kept(read):
    found = read(message('Two : 0|8@1+ (1,0) [0|0] "" X', head="BO_ 100 Mid: 8 X"), after='VAL_ 100 Two 0 "off" ;\n')
    check(found, 3, "0x64", "both are decoded")
    assert "line 1" in found.faults[0].what
    assert [m.can_id for m in found.messages] == [100, 100, 300]
    assert found.message("Mid").signals[0].labels == {0: "off"}


def test_one_number_as_11_and_as_29_bits_is_two_identifiers(read):
    found = read(message(head=f"BO_ {100 + (1 << 31)} Mid: 8 X"), faults=0)
    assert [(m.can_id, m.extended) for m in found.messages] == [(100, False), (100, True), (300, False)]


def test_a_signal_name_that_stands_twice_gets_a_number(read):
    found = read(
        message('A : 0|8@1+ (1,0) [0|0] "" X', 'A : 8|8@1+ (1,0) [0|0] "" X', 'A_2 : 16|8@1+ (1,0) [0|0] "" X')
    )
    check(found, 5, "second signal 'A'", "'A_3'")
    assert names(found) == ["A", "A_3", "A_2"]


def test_a_message_name_that_stands_twice_gets_a_number(read):
    found = read(message(head="BO_ 200 First: 8 X"))
    check(found, 3, "second message 'First'", "'First_2'")
    assert [m.name for m in found.messages] == ["First", "First_2", "Last"]


def test_a_name_that_begins_with_a_digit_is_kept(read):
    found = read(message('1_Cell : 0|8@1+ (1,0) [0|0] "" X'), after='VAL_ 200 1_Cell 0 "off" ;\n')
    check(found, 4, "begins with a digit", "kept")
    assert found.message("Mid").signals[0].labels == {0: "off"}
    assert names(found) == ["1_Cell"]


def test_a_message_name_that_begins_with_a_digit_is_kept(read):
    found = read(message('A : 0|8@1+ (1,0) [0|0] "" X', head="BO_ 200 12V_Supply: 8 X"))
    check(found, 3, "begins with a digit", "kept")
    assert names(found, "12V_Supply") == ["A"]


def test_a_name_with_a_hyphen_is_kept(read):
    found = read(message('Cell-1 : 0|8@1+ (1,0) [0|0] "" X'), after='CM_ SG_ 200 Cell-1 "first";\n')
    check(found, 4, "'-'", "kept")
    assert found.message("Mid").signals[0].comment == "first"


def test_a_name_with_a_blank_keeps_its_signal(read):
    found = read(message('Cell 1 : 0|8@1+ (1,0) [0|0] "V" X'))
    check(found, 4, "'Cell 1'", "kept")
    assert names(found) == ["Cell 1"]


def test_overlapping_signals_are_both_kept(read):
    found = read(message('A : 0|9@1+ (1,0) [0|0] "" X', 'B : 8|8@1+ (1,0) [0|0] "" X'))
    check(found, 5, "'A' (line 4)", "on its own")
    assert names(found) == ["A", "B"]


def test_overlaps_are_found_between_byte_orders(read):
    # big-endian from bit 7 over 9 bits ends in bit 15; little-endian bit 15 is that bit
    check(read(message('A : 7|9@0+ (1,0) [0|0] "" X', 'B : 15|1@1+ (1,0) [0|0] "" X')), 5, "overlaps 'A'", "its own")
    read(message('A : 7|9@0+ (1,0) [0|0] "" X', 'B : 8|7@1+ (1,0) [0|0] "" X'), faults=0)


def test_signals_of_different_pages_do_not_overlap(read):
    rows = ['P M : 0|8@1+ (1,0) [0|0] "" X', 'A m0 : 8|8@1+ (1,0) [0|0] "" X', 'B m1 : 8|8@1+ (1,0) [0|0] "" X']
    found = read(message(*rows), faults=0)
    assert [s.page for s in found.message("Mid").signals] == [None, Page("P", ((0, 0),)), Page("P", ((1, 1),))]
    check(read(message(*rows, 'C : 12|8@1+ (1,0) [0|0] "" X')), 7, "overlaps 'A' (line 5) and 'B' (line 6)", "its own")
    check(read(message(*rows, 'C m1 : 12|8@1+ (1,0) [0|0] "" X')), 7, "overlaps 'B'", "its own")


def test_one_name_on_different_pages_is_kept(read):
    rows = ['P M : 0|8@1+ (1,0) [0|0] "" X', 'A m0 : 8|8@1+ (1,0) [0|0] "" X', 'A m1 : 8|8@1+ (1,0) [0|0] "" X']
    assert names(read(message(*rows), faults=0)) == ["P", "A", "A"]


def test_a_signal_beyond_its_message_is_kept(read):
    rows = ['A : 8|9@1+ (1,0) [0|0] "" X', 'B : 15|8@0+ (1,0) [0|0] "" X']
    found = read(message(*rows[:1], head="BO_ 200 Mid: 2 X"))
    check(found, 4, "needs 3 bytes", "long enough")
    read(message(*rows[1:], head="BO_ 200 Mid: 2 X"), faults=0)


def test_decimal_commas_are_read_as_points(read):
    found = read(message('A : 0|8@1+ (0,1,0) [0|0] "" X'))
    check(found, 4, "(0,1,0)", "scale 0.1 and offset 0")
    assert (found.message("Mid").signals[0].scale, found.message("Mid").signals[0].offset) == (0.1, 0)
    found = read(message('A : 0|8@1+ (0,5,-40,5) [-40,5|60,0] "" X'), faults=2)
    signal = found.message("Mid").signals[0]
    assert (signal.scale, signal.offset, signal.minimum, signal.maximum) == (0.5, -40.5, -40.5, 60.0)
    assert {fault.where.line for fault in found.faults} == {4}


def test_a_comma_that_can_be_read_in_two_ways_is_not_guessed(read):
    found = read(message('A : 0|8@1+ (1,5,3) [0|0] "" X', 'B : 8|8@1+ (1,0) [0|0] "" X'))
    check(found, 4, "(1,5,3)", "left out")
    assert names(found) == ["B"]


@pytest.mark.parametrize(
    "row",
    [
        'A : 0|8@1 (1,0) [0|0] "" X',
        "A : 0|8@1+ (1,0)",
        "A 0|8@1+ (1,0) [0|0] V X",
        "A",
        "",
        'A : 0|0@1+ (1,0) [0|0] "" X',
        'A : 0|65@1+ (1,0) [0|0] "" X',
        'A : -1|8@1+ (1,0) [0|0] "" X',
        'A : 0|8@1+ (one,0) [0|0] "" X',
        'A : 0|8@1+ (nan,0) [0|0] "" X',
        'A : 0|8@1+ (1e999,0) [0|0] "" X',
        'A : x|8@1+ (1,0) [0|0] "" X',
    ],
)
def test_a_signal_line_that_cannot_be_read_costs_that_signal_alone(read, row):
    found = read(message('Up : 0|8@1+ (1,0) [0|0] "" X', row, 'Down : 8|8@1+ (1,0) [0|0] "" X'))
    check(found, 5, "", "left out")
    assert names(found) == ["Up", "Down"]


def test_labels_of_a_signal_that_was_left_out_are_not_reported_again(read):
    check(
        read(message("A : 0|8@1"), after='VAL_ 200 A 0 "off" ;\nCM_ SG_ 200 A "a";\n'), 4, "cannot be read", "left out"
    )


def test_a_message_line_that_cannot_be_read_takes_no_signals_to_another_message(read):
    found = read(message('A : 0|8@1+ (1,0) [0|0] "" X', head="BO_ 200 Mid 8 X"), after='VAL_ 200 A 0 "off" ;\n')
    check(found, 3, "BO_ 200 Mid 8 X", "left out")
    assert [m.name for m in found.messages] == ["First", "Last"]


def test_two_plain_multiplexors_leave_the_pages_undecided(read):
    found = read(
        message(
            'P M : 0|8@1+ (1,0) [0|0] "" X',
            'Q M : 8|8@1+ (1,0) [0|0] "" X',
            'A m0 : 16|8@1+ (1,0) [0|0] "" X',
            'B m1 : 16|8@1+ (1,0) [0|0] "" X',
            'C : 24|8@1+ (1,0) [0|0] "" X',
        )
    )
    check(found, 3, "ambiguous", "not decoded")
    assert found.message("Mid").undecided == ("A", "B")
    assert names(found) == ["P", "Q", "C"]


def test_two_plain_multiplexors_are_decided_by_listed_pages(read):
    rows = ['P M : 0|8@1+ (1,0) [0|0] "" X', 'Q M : 8|8@1+ (1,0) [0|0] "" X', 'A m0 : 16|8@1+ (1,0) [0|0] "" X']
    found = read(message(*rows), after="SG_MUL_VAL_ 200 A Q 0-0;\n", faults=0)
    assert found.message("Mid").undecided == ()
    assert found.message("Mid").signals[2].page == Page("Q", ((0, 0),))


def test_a_page_without_a_multiplexor_is_undecided(read):
    found = read(message('A m0 : 0|8@1+ (1,0) [0|0] "" X', 'B : 8|8@1+ (1,0) [0|0] "" X'))
    check(found, 3, "no multiplexor", "not decoded")
    assert found.message("Mid").undecided == ("A",)


def test_multiplexors_that_page_each_other_are_undecided(read):
    rows = ['P m0M : 0|8@1+ (1,0) [0|0] "" X', 'Q m0M : 8|8@1+ (1,0) [0|0] "" X', 'C : 16|8@1+ (1,0) [0|0] "" X']
    found = read(message(*rows), after="SG_MUL_VAL_ 200 P Q 0-0;\nSG_MUL_VAL_ 200 Q P 0-0;\n")
    assert found.message("Mid").undecided == ("P", "Q")
    assert names(found) == ["C"]


def test_a_float_of_11_bits_is_read_as_an_integer(read):
    found = read(message('A : 0|11@1+ (1,0) [0|0] "" X'), after="SIG_VALTYPE_ 200 A : 1;\n")
    check(found, 7, "has 11", "integer")
    assert not found.message("Mid").signals[0].is_float


def test_floats_of_32_and_64_bits_are_floats(read):
    rows = ['A : 0|32@1- (1,0) [0|0] "" X', 'B : 0|64@1- (1,0) [0|0] "" X']
    for row, kind in zip(rows, (1, 2), strict=True):
        found = read(message(row), after=f"SIG_VALTYPE_ 200 {row[0]} : {kind};\n", faults=0)
        assert found.message("Mid").signals[0].is_float


def test_a_range_that_ends_below_its_start_counts_as_not_given(read):
    found = read(message('A : 0|8@1+ (1,0) [100|0] "" X'))
    check(found, 4, "ends below its start", "not given")
    assert (found.message("Mid").signals[0].minimum, found.message("Mid").signals[0].maximum) == (None, None)


def test_an_identifier_of_more_than_11_bits_without_its_mark_is_read_as_29_bits(read):
    found = read(message('A : 0|8@1+ (1,0) [0|0] "" X', head="BO_ 2048 Mid: 8 X"), after='VAL_ 2048 A 0 "off" ;\n')
    check(found, 3, "2048 (0x800)", "29-bit")
    assert (found.message("Mid").can_id, found.message("Mid").extended) == (0x800, True)
    assert found.message("Mid").signals[0].labels == {0: "off"}


def test_an_identifier_of_more_than_29_bits_is_left_out(read):
    found = read(message('A : 0|8@1+ (1,0) [0|0] "" X', head=f"BO_ {(1 << 31) + (1 << 29)} Mid: 8 X"))
    check(found, 3, "29 bits", "left out")
    assert [m.name for m in found.messages] == ["First", "Last"]


def test_an_attribute_that_is_not_defined_is_left_out(read):
    check(read("", after='BA_ "GenMsgCycleTime" BO_ 100 50;\n'), 5, "GenMsgCycleTime", "left out")


def test_a_defined_sending_period_is_in_seconds(read):
    defined = 'BA_DEF_ BO_ "GenMsgCycleTime" INT 0 1000;\nBA_DEF_DEF_ "GenMsgCycleTime" 0;\n'
    found = read("", after=defined + 'BA_ "GenMsgCycleTime" BO_ 100 50;\n', faults=0)
    assert (found.message("First").cycle_s, found.message("Last").cycle_s) == (0.05, None)


def test_signals_of_no_message_are_passed_over(read):
    orphans = message('Lost : 0|8@1+ (1,0) [0|0] "" X', head="BO_ 3221225472 VECTOR__INDEPENDENT_SIG_MSG: 0 X")
    found = read(orphans, after='VAL_ 3221225472 Lost 0 "off" ;\n', faults=0)
    assert [m.name for m in found.messages] == ["First", "Last"]


def test_long_names_come_from_their_attributes(read):
    long = "Voltage_of_the_first_cell_of_the_first_module"
    after = 'BA_DEF_ SG_ "SystemSignalLongSymbol" STRING ;\nBA_DEF_DEF_ "SystemSignalLongSymbol" "";\n'
    after += 'BA_DEF_ BO_ "SystemMessageLongSymbol" STRING ;\nBA_DEF_DEF_ "SystemMessageLongSymbol" "";\n'
    after += f'BA_ "SystemSignalLongSymbol" SG_ 200 Voltage_0 "{long}";\n'
    after += f'BA_ "SystemMessageLongSymbol" BO_ 200 "{long}_message";\n'
    rows = ['Page_0 M : 0|8@1+ (1,0) [0|0] "" X', 'Voltage_0 m0 : 8|8@1+ (1,0) [0|0] "" X']
    found = read(message(*rows), after=after + 'VAL_ 200 Voltage_0 0 "off" ;\n', faults=0)
    assert names(found, f"{long}_message") == ["Page_0", long]
    assert found.message(f"{long}_message").signals[1].labels == {0: "off"}


def test_a_page_calls_its_multiplexor_by_the_long_name(read):
    after = 'BA_DEF_ SG_ "SystemSignalLongSymbol" STRING ;\nBA_ "SystemSignalLongSymbol" SG_ 200 P "Long_name_of_P";\n'
    found = read(message('P M : 0|8@1+ (1,0) [0|0] "" X', 'A m0 : 8|8@1+ (1,0) [0|0] "" X'), after=after, faults=0)
    assert found.message("Mid").signals[1].page == Page("Long_name_of_P", ((0, 0),))


def test_multiplexors_nest_and_their_pages_are_ranges(read):
    rows = ['P M : 0|8@1+ (1,0) [0|0] "" X', 'Q m1M : 8|8@1+ (1,0) [0|0] "" X', 'A m3 : 16|8@1+ (1,0) [0|0] "" X']
    rows.append('B m9 : 16|8@1+ (1,0) [0|0] "" X')
    after = "SG_MUL_VAL_ 200 Q P 1-1, 4-6;\nSG_MUL_VAL_ 200 A Q 3-5,9-9;\nSG_MUL_VAL_ 200 B P 9-9;\n"
    found = read(message(*rows), after=after, faults=0)
    pages = {s.name: s.page for s in found.message("Mid").signals}
    assert pages == {
        "P": None,
        "Q": Page("P", ((1, 1), (4, 6))),
        "A": Page("Q", ((3, 5), (9, 9))),
        "B": Page("P", ((9, 9),)),
    }
    assert [s.name for s in found.message("Mid").signals if s.is_multiplexor] == ["P", "Q"]


def test_pages_by_an_unknown_multiplexor_are_left_out(read):
    rows = ['P M : 0|8@1+ (1,0) [0|0] "" X', 'A m0 : 8|8@1+ (1,0) [0|0] "" X']
    found = read(message(*rows), after="SG_MUL_VAL_ 200 A Nobody 0-0;\n")
    check(found, 8, "'Nobody'", "left out")
    assert found.message("Mid").signals[1].page == Page("P", ((0, 0),))


def test_a_container_of_no_bytes_keeps_its_signals(read):
    rows = ['A : 0|8@1+ (1,0) [0|0] "" X', 'B : 8|8@1+ (1,0) [0|0] "" X']
    found = read(message(*rows, head="BO_ 200 Mid: 0 X"))
    check(found, 3, "0 bytes and 2 signals", "long enough")
    assert names(found) == ["A", "B"]
    assert read(message(head="BO_ 200 Mid: 0 X"), faults=0).message("Mid").length == 0


def test_strict_reading_lists_every_fault_up_to_twenty(tmp_path):
    path = tmp_path / "a.dbc"
    path.write_text(FIRST + "".join(f'VAL_ {number} A 0 "off" ;\n' for number in range(900, 925)))
    with pytest.raises(MapError, match="25 faults") as caught:
        load_map(path, strict=True)
    assert "line 22:" in str(caught.value)
    assert "line 23:" not in str(caught.value)
    assert "and 5 more" in str(caught.value)


def test_line_numbers_hold_with_any_line_ends(read):
    text = (FIRST + "BS_: 500000\n" + LAST).encode()
    for end in (b"\n", b"\r\n", b"\r"):
        check(read("", raw=text.replace(b"\n", end)), 3, "bit rate", "ignored")
