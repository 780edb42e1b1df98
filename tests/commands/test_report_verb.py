"""`report`: two files, and no way to lose what is read."""

import pytest

from decoder.commands.main import main
from tests.commands.test_demo_verb import FILES


def status(*arguments):
    try:
        return main(list(arguments))
    except SystemExit as stop:
        return stop.code


def test_it_writes_the_report_and_its_table(tmp_path, capsys):
    out = tmp_path / "shuttle.html"
    assert status("report", *FILES, "--out", str(out), "--degrees", "F") == 0
    table = tmp_path / "shuttle.findings.csv"
    assert capsys.readouterr().out.split() == [str(out), str(table)]
    text = out.read_text("utf-8")
    assert "Harbour shuttle" in text
    assert "°F" in text
    assert "module 4 cell 11" in text
    assert "CGH**************" in text
    assert table.read_text("utf-8").startswith("severity,code,module,cell,")


def test_where_to_write_must_be_said(capsys):
    assert status("report", *FILES) == 2
    assert "--out" in capsys.readouterr().err


@pytest.mark.parametrize("nothing", ["", ".", "/"])
def test_where_to_write_must_be_a_file(nothing, capsys):
    assert status("report", *FILES, "--out", nothing) == 2
    assert "names no file" in capsys.readouterr().err


def test_what_is_read_is_not_written_over(tmp_path, capsys):
    capture = tmp_path / "bench.log"
    capture.write_text("(0.000000) can0 123#00\n", "utf-8")
    assert status("report", str(capture), "--out", str(capture)) == 2
    assert "is read here" in capsys.readouterr().err
    beside = tmp_path / "bench.findings.csv"
    beside.write_text("(0.000000) can0 123#00\n", "utf-8")
    assert status("report", str(beside), "--out", str(tmp_path / "bench.html")) == 2
    assert beside.read_text("utf-8").startswith("(0.0")
    assert not (tmp_path / "bench.html").exists()


def test_a_link_to_itself_is_told(tmp_path, capsys):
    (tmp_path / "a.html").symlink_to("a.html")
    capture = tmp_path / "bench.log"
    capture.write_text("(0.000000) can0 123#00\n", "utf-8")
    assert status("report", str(capture), "--out", str(tmp_path / "a.html")) == 2
    assert "cannot write the file" in capsys.readouterr().err


def test_a_folder_that_is_not_there(tmp_path, capsys):
    assert status("report", *FILES, "--out", str(tmp_path / "none" / "r.html")) == 2
    assert "cannot write" in capsys.readouterr().err
