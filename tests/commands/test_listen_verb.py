"""`listen` records, says what happens, never writes over a file, and ends cleanly."""

import argparse
import signal
import subprocess
import sys
import time

import pytest

from decoder.capture.live.process import start_recording
from decoder.commands.listen_verb import _pair
from decoder.commands.main import main

ADAPTER = ["listen", "--interface", "virtual", "--channel", "nobody", "--text"]


@pytest.mark.parametrize(
    ("text", "pair"),
    [
        ("a=1", ("a", 1)),
        ("a=0x", ("a", "0x")),
        ("rate=2.5", ("rate", 2.5)),
        ("listen=True", ("listen", True)),
        ("x=false", ("x", False)),
        ("path=/dev/a=b", ("path", "/dev/a=b")),
        ("empty=", ("empty", "")),
    ],
)
def test_options_of_the_adapter(text, pair):
    assert _pair(text) == pair


@pytest.mark.parametrize("text", ["", "=", "=1", "a"])
def test_what_is_no_option(text):
    with pytest.raises(argparse.ArgumentTypeError):
        _pair(text)


def test_it_records_for_a_while_and_says_so(tmp_path, capsys):
    path = tmp_path / "pack.log"
    assert main([*ADAPTER, "--for", "0.5", "--out", str(path)]) == 0
    said = capsys.readouterr().out
    assert "nothing is sent" in said
    assert f"recording to {path}" in said
    assert said.splitlines()[-1] == f"0 frames, 0 in the file, 0.0 MB: {path}"
    assert path.read_bytes() == b""


def test_a_file_that_is_there_is_not_written_over(tmp_path, capsys):
    path = tmp_path / "pack.log"
    path.write_text("precious")
    assert main([*ADAPTER, "--for", "0.5", "--out", str(path)]) == 2
    assert path.read_text() == "precious"
    assert "not written over" in capsys.readouterr().err


def test_an_interface_that_is_none_leaves_no_file(tmp_path, capsys):
    path = tmp_path / "pack.log"
    assert main(["listen", "--interface", "no such thing", "--out", str(path), "--text"]) == 2
    assert "expected: an interface of python-can" in capsys.readouterr().err
    assert not path.exists()


def test_a_recorder_that_is_killed_is_no_success(tmp_path, capsys, monkeypatch):
    def begin_and_kill(*options):
        recording = start_recording(*options)
        recording._process.kill()
        recording._process.join()
        return recording

    monkeypatch.setattr("decoder.capture.live.process.start_recording", begin_and_kill)
    assert main([*ADAPTER, "--for", "5", "--out", str(tmp_path / "pack.log")]) == 2
    assert "ended by itself" in capsys.readouterr().err


@pytest.mark.parametrize("told", [signal.SIGINT, signal.SIGTERM])
def test_told_to_end_it_ends_cleanly(tmp_path, told):
    path = tmp_path / "pack.log"
    arguments = [sys.executable, "-m", "decoder.commands.main", *ADAPTER, "--out", str(path)]
    with subprocess.Popen(arguments, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        while not path.exists() and process.poll() is None:
            time.sleep(0.05)
        time.sleep(0.5)
        process.send_signal(told)
        out, err = process.communicate(timeout=30)
    assert process.returncode == 0, err
    assert "in the file" in out.splitlines()[-1]


def test_a_map_that_is_not_there_is_told_before_anything_is_recorded(tmp_path, capsys):
    path = tmp_path / "pack.log"
    assert main([*ADAPTER, "--for", "0.5", "--out", str(path), "--map", str(tmp_path / "none.dbc")]) == 2
    assert "none.dbc" in capsys.readouterr().err
    assert not path.exists()


def test_without_an_interface_it_says_so(tmp_path, capsys, monkeypatch):
    monkeypatch.setattr("can.util.load_file_config", lambda *_: {})
    monkeypatch.delenv("CAN_INTERFACE", raising=False)
    monkeypatch.delenv("CAN_CONFIG", raising=False)
    assert main(["listen", "--text", "--out", str(tmp_path / "pack.log")]) == 2
    assert "no interface is named" in capsys.readouterr().err
