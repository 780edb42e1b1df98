"""Files of readings and marks: what is read, and how what is wrong is told."""

import pytest

from decoder.discovery.timed_rows import read_timed_rows, seconds
from decoder.errors import TableError

FIRST_NS = 1_900_000_000_250_000_000  # 2030-03-17T17:46:40.25Z


def rows_of(tmp_path, content, columns=("label",)):
    path = tmp_path / "noted.csv"
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return read_timed_rows(path, columns, FIRST_NS)


def test_rows_have_their_line_time_and_columns(tmp_path):
    rows = rows_of(tmp_path, '\ufeffLabel, time_s ,more\n"plug, pulled",12.5,x\n\nlamp,-1e1,y\n')
    assert [(row.line, row.time_s, row.cells["label"]) for row in rows] == [(2, 12.5, "plug, pulled"), (4, -10, "lamp")]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("12.5", 12.5),
        ("2030-03-17T17:46:41.25Z", 1.0),
        ("2030-03-17 17:46:41.25", 1.0),
        ("2030-03-17T18:46:40.25+01:00", 0.0),
        ("nan", None),
        ("1e300", None),
        ("2030-13-17T17:46:41Z", None),
        ("noon", None),
    ],
)
def test_times_are_seconds_or_stamps_of_iso_8601(text, expected):
    assert seconds(text, FIRST_NS) == (expected if expected is None else pytest.approx(expected, abs=1e-6))


@pytest.mark.parametrize(
    ("content", "line"),
    [
        ("", 1),
        ("time_s,tag\n1,a\n", 1),
        ("time_s,label,label\n1,a,b\n", 1),
        ("time_s,label\n1,a\nnoon,b\n", 3),
        ("time_s,label\n1\n", 2),
        (b"time_s,label\n1,\xff\n", 2),
        ('time_s,label\n1,"a"b\n', 2),
    ],
)
def test_what_is_wrong_is_told_with_its_line(tmp_path, content, line):
    with pytest.raises(TableError) as caught:
        rows_of(tmp_path, content)
    assert caught.value.where.line == line
    assert "time_s" in str(caught.value) or "UTF-8" in str(caught.value)


def test_a_file_that_is_not_there_is_told(tmp_path):
    with pytest.raises(TableError, match="cannot read"):
        read_timed_rows(tmp_path / "none.csv", ("label",), 0)
