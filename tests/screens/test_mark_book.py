"""The marks of a session."""

import pytest

from decoder.discovery.marks import load_marks
from decoder.errors import UsageError
from decoder.screens.mark_book import MarkBook

ZERO_NS = 1_900_000_000_250_000_000


def test_marks_stand_in_order_of_time_and_come_back_with_the_capture(tmp_path):
    capture = str(tmp_path / "ride.log")
    book = MarkBook.beside(capture, ZERO_NS)
    for at_s, label in ((12.5, "plug pulled"), (3.0, "lamp on")):
        assert book.add(book.new(ZERO_NS + round(at_s * 1e9), label)) is None
    again = MarkBook.beside(capture, ZERO_NS)
    assert [mark.label for mark in again.marks] == ["lamp on", "plug pulled"]
    assert again.marks == book.marks
    assert again.moments_ns == [ZERO_NS + 3_000_000_000, ZERO_NS + 12_500_000_000]
    assert again.remove(again.marks[0]) is None
    assert load_marks(tmp_path / "ride.log.marks.csv", ZERO_NS) == again.marks == (book.marks[1],)


@pytest.mark.parametrize("capture", [None, "-"])
def test_without_a_file_marks_last_until_the_end_and_that_is_said(capture):
    book = MarkBook.beside(capture, 0)
    mark = book.new(1, "on")
    assert "until you close" in book.add(mark)
    assert book.marks == (mark,)
    assert book.remove(mark) is None
    assert book.marks == ()


def test_a_file_that_is_none_is_told_left_alone_and_written_once_it_is_mended(tmp_path):
    path = tmp_path / "ride.log.marks.csv"
    path.write_text("not,marks\n1,2\n")
    book = MarkBook.beside(str(tmp_path / "ride.log"), 0)
    assert "line 1" in book.trouble
    first, second = book.new(int(1e9), "on"), book.new(int(2e9), "off")
    assert "until you close" in book.add(first)
    assert path.read_text() == "not,marks\n1,2\n"
    assert book.marks == (first,)
    path.write_text("time_s,label\n0.5,before\n")
    assert book.add(second) is None
    assert [mark.label for mark in load_marks(path, 0)] == ["before", "on", "off"] == [m.label for m in book.marks]


def test_a_mark_stays_where_it_cannot_be_taken_out_of_the_file(tmp_path):
    book = MarkBook.beside(str(tmp_path / "ride.log"), 0)
    book.add(book.new(0, "on"))
    (tmp_path / "ride.log.marks.csv").write_text("broken")
    assert "line 1" in book.remove(book.marks[0])
    assert [mark.label for mark in book.marks] == ["on"]


def test_a_mark_without_a_label_is_refused():
    with pytest.raises(UsageError, match="no label"):
        MarkBook(None, 0).new(0, "  ")
