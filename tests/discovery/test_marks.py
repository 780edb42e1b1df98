"""Marks from files and typed."""

import pytest

from decoder.discovery.marks import Mark, load_marks, parse_mark
from decoder.errors import TableError, UsageError

FIRST_NS = 1_900_000_000_250_000_000  # 2030-03-17T17:46:40.25Z


def loaded(tmp_path, content):
    path = tmp_path / "marks.csv"
    path.write_text(content, "utf-8")
    return load_marks(path, FIRST_NS)


def test_rows_are_marks_in_the_order_of_the_file(tmp_path):
    marks = loaded(tmp_path, "time_s,label\n12.5, plug   pulled \n3,lamp on\n2030-03-17T17:46:41.25Z,lamp on\n")
    assert marks == (Mark(12.5, "plug pulled"), Mark(3.0, "lamp on"), Mark(pytest.approx(1.0, abs=1e-6), "lamp on"))


def test_more_columns_are_left_aside(tmp_path):
    assert loaded(tmp_path, "who,label,time_s\nme,on,1\n") == (Mark(1.0, "on"),)


@pytest.mark.parametrize(
    ("content", "said"),
    [
        ("time_s,label\n1,on\n2,  \n", "line 3: the mark has no label"),
        ("time_s,label\nnoon,on\n", "'noon' is no time"),
        ("time_s,name\n1,on\n", "label"),
        ("time_s,label\n1," + 201 * "x" + "\n", "more than 200"),
    ],
)
def test_what_is_wrong_is_told_with_its_line(tmp_path, content, said):
    with pytest.raises(TableError, match=said):
        loaded(tmp_path, content)


@pytest.mark.parametrize(
    ("text", "mark"),
    [
        ("t=12.5 plug pulled", Mark(12.5, "plug pulled")),
        (" t = -1e1  load on cell 7 ", Mark(-10.0, "load on cell 7")),
        ("t=2030-03-17T17:46:41.25Z on", Mark(pytest.approx(1.0, abs=1e-6), "on")),
    ],
)
def test_a_typed_mark_has_time_and_label(text, mark):
    assert parse_mark(text, FIRST_NS) == mark


@pytest.mark.parametrize(
    "text", ["", "plug pulled", "t=12.5", "t= plug", "t=nan plug", "t=soon plug pulled", "12.5 plug"]
)
def test_a_typed_mark_without_time_or_label_is_refused(text):
    with pytest.raises(UsageError, match=r"t=12\.5 plug pulled"):
        parse_mark(text)


def test_what_is_typed_is_shown_without_control_characters():
    with pytest.raises(UsageError) as error:
        parse_mark("t=\x1b[2J x")
    assert "\x1b" not in str(error.value)
