"""Following: the same frames and the same account as reading the whole, whatever the pieces and moments."""

import gzip
import os
import time

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from decoder.account import Account
from decoder.capture import read_capture
from decoder.capture.follow import Follower
from decoder.errors import CaptureError
from decoder.frames import concatenate
from tests.strategies import candump_texts, screen_runs

LINE = "(1700000000.{:06d}) {} 123#{:02X}\n"
COLUMNS = ("time_ns", "bus", "can_id", "flags", "length", "data", "line")


def lines(count, bus="can0", first=0):
    return "".join(LINE.format(n, bus, n % 256) for n in range(first, first + count)).encode()


@pytest.fixture
def follow():
    """Followers that are closed in the end."""
    made = []

    def begin(path):
        made.append(Follower(path))
        return made[-1]

    yield begin
    for follower in made:
        follower.close()


def all_of(follower):
    """What comes until nothing more is there."""
    parts = [follower.poll()]
    while follower.behind:
        parts.append(follower.poll())
    return parts


def joined(parts):
    return concatenate(parts, parts[-1].account)


def assert_same(got, whole):
    assert got.bus_names == whole.bus_names
    for name in COLUMNS:
        assert np.array_equal(getattr(got, name), getattr(whole, name)), name
    mine, theirs = got.account, whole.account
    assert mine.adds_up()
    for name in ("remarks", "time_bases"):  # their order depends on the blocks
        assert sorted(getattr(mine, name)) == sorted(getattr(theirs, name)), name
    for name in Account.__slots__:
        if name not in {"remarks", "time_bases"}:
            assert getattr(mine, name) == getattr(theirs, name), name


texts = st.one_of(candump_texts(), screen_runs().map(lambda rows: "\n".join(rows).encode("latin-1")))


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(text=texts, cuts=st.lists(st.integers(0, 2000), max_size=8), marked=st.booleans())
def test_a_file_written_in_any_pieces_gives_what_the_whole_gives(tmp_path, follow, text, cuts, marked):
    text = b"\xef\xbb\xbf" * marked + text
    path = tmp_path / "growing.log"
    path.unlink(missing_ok=True)
    follower = follow(path)
    parts = []
    ends = [*sorted(cuts), len(text)]
    for begin, end in zip([0, *ends], ends, strict=False):
        with path.open("ab") as file:
            file.write(text[begin:end])
        parts += all_of(follower)
        assert parts[-1].account.adds_up()
    parts.append(follower.close())
    try:
        whole = read_capture(path)
    except CaptureError:  # nothing readable is no error while more may come
        assert not len(joined(parts))
        return
    assert_same(joined(parts), whole)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None, max_examples=30)
@given(text=candump_texts(), cuts=st.lists(st.integers(0, 2000), max_size=4))
def test_a_pipe_gives_what_the_file_gives(tmp_path, text, cuts):
    path = tmp_path / "whole.log"
    path.write_bytes(text)
    reader, writer = os.pipe()
    parts = []
    with os.fdopen(reader, "rb") as stream:
        follower = Follower.of_pipe(stream)
        ends = [*sorted(cuts), len(text)]
        for begin, end in zip([0, *ends], ends, strict=False):
            os.write(writer, text[begin:end])
            parts.append(follower.poll())
        os.close(writer)
        until = time.monotonic() + 10
        while not follower.ended and time.monotonic() < until:
            parts.append(follower.poll())
        assert follower.ended
    try:
        whole = read_capture(path)
    except CaptureError:
        assert not len(joined(parts))
        return
    got = joined(parts)
    assert got.account.paths == ("-",)
    assert got.account.lines == whole.account.lines
    for name in COLUMNS:
        assert np.array_equal(getattr(got, name), getattr(whole, name)), name


def test_a_poll_of_an_open_silent_pipe_does_not_wait():
    reader, writer = os.pipe()
    with os.fdopen(reader, "rb") as stream:
        follower = Follower.of_pipe(stream)
        assert not len(follower.poll())
        assert not follower.ended
        os.close(writer)
        until = time.monotonic() + 10
        while not follower.ended and time.monotonic() < until:
            follower.poll()
        assert follower.ended


def test_half_a_line_waits_for_its_other_half(tmp_path, follow):
    path = tmp_path / "a.log"
    whole = lines(2)
    path.write_bytes(whole[:-10])
    follower = follow(path)
    assert len(follower.poll()) == 1
    with path.open("ab") as file:
        file.write(whole[-10:])
    came = follower.poll()
    assert came.data[0, 0] == 1
    assert came.line.tolist() == [2]


def test_a_file_that_is_not_there_yet_is_waited_for(tmp_path, follow):
    path = tmp_path / "later.log"
    follower = follow(path)
    assert not len(follower.poll())
    assert follower.is_waiting
    path.write_bytes(lines(3))
    assert len(follower.poll()) == 3
    assert not follower.is_waiting


def test_bus_numbers_stay_over_polls_and_files(tmp_path, follow):
    one, two = tmp_path / "1.log", tmp_path / "2.log"
    one.write_bytes(lines(1, "can7"))
    two.write_bytes(lines(1, "can3") + lines(1, "can7"))
    follower = follow(one)
    first = follower.poll()
    with one.open("ab") as file:
        file.write(lines(1, "can3"))
    follower.next_file(two)
    parts = [first, *all_of(follower)]
    assert [(int(n), part.bus_names[n]) for part in parts for n in part.bus] == [
        (0, "can7"),
        (1, "can3"),
        (1, "can3"),
        (0, "can7"),
    ]
    assert parts[-1].account.paths == (str(one), str(two))
    assert parts[-1].account.lines == 4
    assert parts[-1].source.tolist() == [1, 1]


def test_a_long_run_of_files_keeps_room_for_their_numbers(tmp_path, follow):
    follower = follow(tmp_path / "0.log")
    for number in range(300):
        path = tmp_path / f"{number}.log"
        path.write_bytes(lines(1, first=number))
        if number:
            follower.next_file(path)
    parts = all_of(follower)
    assert sum(len(part) for part in parts) == 300
    assert len(follower.account.paths) == 256
    assert follower.account.paths[-1] == str(tmp_path / "299.log")
    assert max(int(part.source.max()) for part in parts if len(part)) == 255


def test_a_file_that_became_shorter_is_told_and_read_anew(tmp_path, follow):
    path = tmp_path / "a.log"
    path.write_bytes(lines(5))
    follower = follow(path)
    assert len(follower.poll()) == 5
    path.write_bytes(lines(2, first=9))
    assert [n for part in all_of(follower) for n in part.data[:, 0].tolist()] == [9, 10]
    assert any("became shorter" in remark for remark in follower.account.remarks)
    assert follower.account.lines == 7


def test_a_file_that_was_replaced_is_read_to_its_end_first(tmp_path, follow):
    path = tmp_path / "a.log"
    path.write_bytes(lines(3))
    follower = follow(path)
    assert len(follower.poll()) == 3
    with path.open("ab") as file:
        file.write(lines(1, first=3))
    other = tmp_path / "b.log"
    other.write_bytes(lines(9, first=50))
    other.replace(path)
    came = [n for part in all_of(follower) + all_of(follower) for n in part.data[:, 0].tolist()]
    assert came == [3, *range(50, 59)]
    assert any("took this one's place" in remark for remark in follower.account.remarks)


@pytest.mark.parametrize("pieces", [1, 20])
def test_a_compressed_file_is_refused_with_what_to_do(tmp_path, follow, pieces):
    path = tmp_path / "a.log.gz"
    packed = gzip.compress(lines(10))
    follower = follow(path)
    with pytest.raises(CaptureError, match=r"gzip.*\n.*\nto do:"):  # noqa: PT012  (any of the polls may tell it)
        for at in range(0, len(packed), pieces):
            with path.open("ab") as file:
                file.write(packed[at : at + pieces])
            follower.poll()
    with pytest.raises(CaptureError):  # and again, as long as it is there
        follower.poll()


def test_a_folder_is_refused(tmp_path, follow):
    with pytest.raises(CaptureError):
        follow(tmp_path).poll()


def test_a_large_file_comes_in_bounded_parts(tmp_path, follow):
    path = tmp_path / "large.log"
    path.write_bytes(lines(100_000))
    follower = follow(path)
    parts = all_of(follower)
    assert len(parts) > 3
    assert max(len(part) for part in parts) < 50_000
    assert sum(len(part) for part in parts) == 100_000


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes on this system")
def test_a_named_pipe_can_be_followed_like_a_file(tmp_path, follow):
    path = tmp_path / "pipe"
    os.mkfifo(path)
    follower = follow(path)
    assert not len(follower.poll())
    with path.open("wb", buffering=0) as file:
        file.write(lines(4))
        assert sum(len(part) for part in all_of(follower)) == 4
        file.write(lines(2))
        assert sum(len(part) for part in all_of(follower)) == 2
