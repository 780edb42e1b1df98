"""Marks kept beside a capture."""

import csv
import io

import pytest
from hypothesis import given
from hypothesis import strategies as st

from decoder.discovery.mark_file import add_marks, load_kept, marks_path, new_mark, remove_mark
from decoder.discovery.marks import Mark, load_marks
from decoder.errors import OutputError, TableError, UsageError

FIRST_NS = 1_900_000_000_250_000_000  # 2030-03-17T17:46:40.25Z


def test_marks_stand_beside_the_capture_and_are_read_as_any_file_of_marks(tmp_path):
    path = marks_path(tmp_path / "ride.log.xz")
    assert path == tmp_path / "ride.log.xz.marks.csv"
    assert load_kept(path, FIRST_NS) == ()
    add_marks(path, [new_mark(12.5, "plug  pulled")], FIRST_NS)
    assert add_marks(path, [new_mark(3, "lamp on")], FIRST_NS) == load_marks(path, FIRST_NS)
    assert load_marks(path, FIRST_NS) == (Mark(12.5, "plug pulled"), Mark(3.0, "lamp on"))
    assert path.read_text().splitlines()[0] == "time_s,label"


@given(
    st.lists(
        st.tuples(st.floats(-8e9, 8e9), st.text(min_size=1, max_size=100).filter(str.strip)),
        min_size=1,
        max_size=5,
    )
)
def test_every_label_and_time_comes_back_and_goes_again(tmp_path_factory, given_marks):
    path = tmp_path_factory.mktemp("marks") / "a.csv"
    marks = tuple(new_mark(time_s, label) for time_s, label in given_marks)
    assert add_marks(path, marks, 0) == marks
    loaded = load_marks(path, 0)
    assert loaded == marks
    for mark in loaded:
        remove_mark(path, mark, 0)
    assert load_kept(path, 0) == ()


def test_what_a_person_wrote_into_the_file_stays_as_it_is(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text('who,Label,time_s\n\nme,"on, and off",2030-03-17T17:46:41.25Z\nyou,off,007.50\n')
    add_marks(path, [new_mark(2, 'say "when"')], FIRST_NS)
    rows = list(csv.reader(io.StringIO(path.read_text())))
    assert rows == [
        ["who", "Label", "time_s"],
        [],
        ["me", "on, and off", "2030-03-17T17:46:41.25Z"],
        ["you", "off", "007.50"],
        ["", 'say "when"', "2.000000"],
    ]
    left = remove_mark(path, Mark(7.5, "off"), FIRST_NS)
    assert [mark.label for mark in left] == ["on, and off", 'say "when"']
    assert load_marks(path, FIRST_NS) == left
    assert "007.50" not in path.read_text()


def test_of_equal_marks_one_goes_and_an_unknown_one_changes_nothing(tmp_path):
    path = tmp_path / "a.csv"
    mark = new_mark(1, "on")
    add_marks(path, [mark, mark], 0)
    before = path.read_bytes()
    assert remove_mark(path, new_mark(1, "off"), 0) == (mark, mark)
    assert path.read_bytes() == before
    assert remove_mark(path, mark, 0) == (mark,)


def test_a_file_that_holds_no_marks_is_never_written_over(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text("time_s,label\nnoon,on\n")
    for change in (lambda: add_marks(path, [new_mark(1, "on")], 0), lambda: remove_mark(path, new_mark(1, "on"), 0)):
        with pytest.raises(TableError, match="line 2"):
            change()
    assert path.read_text() == "time_s,label\nnoon,on\n"


def test_an_empty_file_is_begun(tmp_path):
    path = tmp_path / "a.csv"
    path.touch()
    add_marks(path, [new_mark(1, "on")], 0)
    assert path.read_text() == "time_s,label\n1.000000,on\n"


def test_a_folder_that_is_not_there_is_told(tmp_path):
    with pytest.raises(OutputError):
        add_marks(tmp_path / "none" / "a.csv", [new_mark(1, "on")], 0)


@pytest.mark.parametrize("label", ["", " \n ", "x" * 201])
def test_a_label_that_is_none_is_refused(label):
    with pytest.raises(UsageError, match="label"):
        new_mark(1, label)


def test_half_of_a_surrogate_pair_is_written_out(tmp_path):
    mark = new_mark(1, "on \udc80")
    assert mark.label == r"on \udc80"
    add_marks(tmp_path / "a.csv", [mark], 0)
    assert load_marks(tmp_path / "a.csv", 0) == (mark,)
