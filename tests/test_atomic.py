"""Output files are whole or not there."""

import os
import stat
import threading

import pytest

from decoder.atomic import replacing, write_text
from decoder.errors import OutputError


def test_text_is_utf_8_with_the_line_ends_as_given(tmp_path):
    path = tmp_path / "a.txt"
    write_text(path, "°C\nzwei\r\n")
    assert path.read_bytes() == b"\xc2\xb0C\nzwei\r\n"


@pytest.mark.parametrize("error", [KeyboardInterrupt, ValueError, OSError])
def test_an_interrupt_leaves_the_old_file_and_no_other(tmp_path, error):
    path = tmp_path / "a.txt"
    path.write_text("old", "utf-8")

    def interrupted():
        with replacing(path) as temporary:
            temporary.write_text("half", "utf-8")
            raise error

    with pytest.raises(OutputError if error is OSError else error):
        interrupted()
    assert [p.read_text("utf-8") for p in tmp_path.iterdir()] == ["old"]


def test_the_old_file_is_whole_until_the_new_one_is(tmp_path):
    path = tmp_path / "a.txt"
    path.write_text("old", "utf-8")
    with replacing(path) as temporary:
        temporary.write_text("new", "utf-8")
        assert path.read_text("utf-8") == "old"
    assert path.read_text("utf-8") == "new"


def test_the_mode_of_a_replaced_file_stays(tmp_path):
    path = tmp_path / "a.txt"
    path.write_text("old", "utf-8")
    path.chmod(0o640)
    write_text(path, "new")
    assert stat.S_IMODE(path.stat().st_mode) == 0o640


def test_a_new_file_gets_the_mode_that_the_umask_grants(tmp_path):
    before = os.umask(0o027)
    try:
        write_text(tmp_path / "a.txt", "x")
    finally:
        os.umask(before)
    assert stat.S_IMODE((tmp_path / "a.txt").stat().st_mode) == 0o640


def test_a_link_stays_a_link_and_its_target_is_replaced(tmp_path):
    target, link = tmp_path / "target.txt", tmp_path / "link.txt"
    target.write_text("old", "utf-8")
    link.symlink_to(target)
    write_text(link, "new")
    assert link.is_symlink()
    assert target.read_text("utf-8") == "new"


def test_links_in_a_ring_are_an_output_error(tmp_path):
    one, two = tmp_path / "one", tmp_path / "two"
    one.symlink_to(two)
    two.symlink_to(one)
    with pytest.raises(OutputError, match="cannot write"):
        write_text(one, "x")


@pytest.mark.parametrize("name", ["none/a.txt", "folder"])
def test_a_place_that_cannot_be_written_says_what_to_do(tmp_path, name):
    (tmp_path / "folder").mkdir()
    with pytest.raises(OutputError, match="--out"):
        write_text(tmp_path / name, "x")
    assert [p.name for p in tmp_path.iterdir()] == ["folder"]


def test_a_name_as_long_as_names_can_be_is_written(tmp_path):
    write_text(tmp_path / ("a" * 255), "x")
    assert (tmp_path / ("a" * 255)).read_text("utf-8") == "x"


def test_a_named_pipe_is_written_to_and_not_replaced(tmp_path):
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    heard = []
    listener = threading.Thread(target=lambda: heard.append(pipe.read_text("utf-8")), daemon=True)
    listener.start()
    write_text(pipe, "x")
    listener.join(5)
    assert heard == ["x"]
    assert stat.S_ISFIFO(pipe.stat().st_mode)
