"""The old file is kept under a free name, and a file that changed is not written over."""

import os

import pytest

from decoder.errors import OutputError
from decoder.maps.kept_file import replace_kept


def test_a_new_file_has_nothing_to_keep(tmp_path):
    assert replace_kept(tmp_path / "a", None, b"new") is None
    assert (tmp_path / "a").read_bytes() == b"new"


def test_older_copies_are_never_written_over(tmp_path):
    path = tmp_path / "a.dbc"
    path.write_bytes(b"0")
    (tmp_path / "a.dbc.bak").write_bytes(b"mine")
    (tmp_path / "a.dbc.bak2").mkdir()
    assert replace_kept(path, b"0", b"1") == tmp_path / "a.dbc.bak3"
    assert (tmp_path / "a.dbc.bak").read_bytes() == b"mine"
    assert (tmp_path / "a.dbc.bak3").read_bytes() == b"0"
    assert path.read_bytes() == b"1"


def test_the_copy_has_the_rights_of_the_file(tmp_path):
    path = tmp_path / "a"
    path.write_bytes(b"0")
    path.chmod(0o600)
    kept = replace_kept(path, b"0", b"1")
    assert kept.stat().st_mode & 0o777 == 0o600


@pytest.mark.parametrize(
    ("now", "read", "what"),
    [(b"other", b"0", "changed since"), (b"0", None, "made by somebody else"), (None, b"0", "gone since")],
)
def test_a_file_that_is_not_what_was_read_stays(tmp_path, now, read, what):
    path = tmp_path / "a"
    if now is not None:
        path.write_bytes(now)
    with pytest.raises(OutputError, match=what) as caught:
        replace_kept(path, read, b"1")
    assert caught.value.advice
    assert [one.read_bytes() for one in tmp_path.iterdir()] == ([now] if now is not None else [])


def test_a_file_that_changes_while_it_is_written_stays_and_leaves_no_copy(tmp_path, monkeypatch):
    path = tmp_path / "a"
    path.write_bytes(b"0")
    whole = os.fsync

    def slow(handle):
        path.write_bytes(b"other")
        whole(handle)

    monkeypatch.setattr(os, "fsync", slow)
    with pytest.raises(OutputError, match="changed since"):
        replace_kept(path, b"0", b"1")
    assert [one.read_bytes() for one in tmp_path.iterdir()] == [b"other"]


def test_a_folder_that_cannot_be_written_leaves_the_file(tmp_path):
    with pytest.raises(OutputError):
        replace_kept(tmp_path / "none" / "a", None, b"1")
    with pytest.raises(OutputError, match="cannot be read again"):
        replace_kept(tmp_path, b"0", b"1")
