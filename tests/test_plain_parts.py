"""Text made safe to show; files that are whole or not there; frames as columns."""

import unicodedata

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from decoder.account import Account
from decoder.atomic import replacing, write_text
from decoder.errors import CellgleanError, Fault, OutputError, Where
from decoder.frames import Key, concatenate
from decoder.printable import printable
from tests.building import capture


@given(st.text())
def test_nothing_that_a_terminal_obeys_is_left(text):
    shown = printable(text)
    assert all(c.isprintable() or unicodedata.category(c) == "Zs" for c in shown)


def test_plain_text_stays_and_long_text_is_cut():
    assert printable("Zelle 7 °C") == "Zelle 7 °C"
    assert printable("\x1b[31m") == "\\x1b[31m"
    assert printable("abcdef", 4) == "abc…"


def test_a_file_is_replaced_whole_or_not_at_all(tmp_path):
    path = tmp_path / "a.txt"
    write_text(path, "one\n")

    def interrupted():
        with replacing(path) as temporary:
            temporary.write_text("half")
            raise KeyError

    with pytest.raises(KeyError):
        interrupted()
    assert path.read_bytes() == b"one\n"
    assert list(tmp_path.iterdir()) == [path]


def test_a_folder_that_is_not_there_is_an_output_error(tmp_path):
    with pytest.raises(OutputError, match="cannot write"):
        write_text(tmp_path / "none" / "a.txt", "x")


def test_an_error_says_what_where_expected_and_what_to_do():
    error = CellgleanError("bad", where=Where("a.log", 3, 7), expected="good", advice="mend it")
    assert str(error) == "a.log, line 3, byte 7: bad\nexpected: good\nto do: mend it"
    assert str(Fault(Where("a.dbc", 2), "odd", "kept")) == "a.dbc, line 2: odd; kept"


@given(
    st.lists(
        st.tuples(
            st.integers(0, 2), st.sampled_from([0, 1, 0x7FF, 0x800, 0x10001, 0x1FFFFFFF]), st.sampled_from([0, 2, 4])
        ),
        max_size=40,
    )
)
def test_rows_of_each_stream_are_in_capture_order(rows):
    frames = capture([(i, can_id, b"", bus, flag) for i, (bus, can_id, flag) in enumerate(rows)], ("a", "b", "c"))
    expected = {}
    for row, (bus, can_id, flag) in enumerate(rows):
        if not flag:
            expected.setdefault(Key(bus, can_id, can_id > 0x7FF), []).append(row)
    assert {key: found.tolist() for key, found in frames.rows_of.items()} == expected


def test_joining_captures_joins_buses_by_name_and_widens():
    one = capture([(0, 1, b"\1", 1)], ("a", "b"))
    two = capture([(1, 2, bytes(12), 0)], ("b",))
    joined = concatenate([one, two], Account())
    assert joined.bus_names == ("a", "b")
    assert joined.bus.tolist() == [1, 1]
    assert joined.data.shape == (2, 64)
    assert len(concatenate([], Account())) == 0
    assert np.array_equal(joined.dlc, [1, 9])
