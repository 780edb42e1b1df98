"""A pipe into the screens: keys come from the terminal, frames from the pipe; and what --follow refuses."""

import os
import subprocess
import sys
import time

import pytest

from decoder.commands.main import main

pty = pytest.importorskip("pty")
fcntl = pytest.importorskip("fcntl")
termios = pytest.importorskip("termios")

MAP = """VERSION ""
BU_: X
BO_ 785 Cells: 8 X
 SG_ Cell_1_01_V : 0|16@1+ (0.001,0) [0|5] "V" X
"""


_ON_THIS_TERMINAL = """
import fcntl, os, sys, termios
fcntl.ioctl(1, termios.TIOCSCTTY, 0)
os.execv(sys.argv[1], sys.argv[1:])
"""


class Terminal:
    """A program on a terminal of its own, its standard input a pipe."""

    def __init__(self, *arguments):
        self.master, slave = pty.openpty()
        fcntl.ioctl(slave, termios.TIOCSWINSZ, b"\x18\x00\x50\x00\x00\x00\x00\x00")
        self.program = subprocess.Popen(
            [sys.executable, "-c", _ON_THIS_TERMINAL, sys.executable, "-m", "decoder.commands", *arguments],
            stdin=subprocess.PIPE,
            stdout=slave,
            stderr=slave,
            start_new_session=True,
            env={**os.environ, "TERM": "xterm-256color"},
        )
        os.close(slave)
        os.set_blocking(self.master, False)
        self.seen = b""

    def until(self, words, most_s=30.0):
        """Wait until something was written on the terminal."""
        end = time.monotonic() + most_s
        while words not in self.seen and time.monotonic() < end and self.program.poll() is None:
            self.read()
            time.sleep(0.05)
        self.read()
        return words in self.seen

    def read(self):
        try:
            self.seen += os.read(self.master, 1 << 16)
        except OSError:
            return

    def close(self):
        self.program.stdin.close()
        if self.program.poll() is None:
            self.program.kill()
        self.program.wait()
        os.close(self.master)


def test_frames_come_from_the_pipe_and_keys_from_the_terminal(tmp_path):
    signal_map = tmp_path / "m.dbc"
    signal_map.write_text(MAP, encoding="utf-8")
    terminal = Terminal("open", "-", "--map", str(signal_map))
    try:
        terminal.program.stdin.write(b"(1700000000.000000) can0 311#740E000000000000\n" * 3)
        terminal.program.stdin.flush()
        assert terminal.until(b"3.700"), terminal.seen[-3000:]
        terminal.program.stdin.write(b"(1700000001.000000) can0 311#A00F000000000000\n")
        terminal.program.stdin.flush()
        assert terminal.until(b"4.000"), terminal.seen[-3000:]
        assert terminal.program.poll() is None
        os.write(terminal.master, b"q")
        terminal.until(b"never written", 15.0)
        assert terminal.program.poll() == 0
    finally:
        terminal.close()


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["-", "--follow"], "follows one file"),
        (["a.log", "b.log", "--follow"], "follows one file"),
        (["a.log", "--follow", "--from", "3"], "--window"),
        (["a.log", "--follow"], "needs a terminal"),
        (["a.log", "--follow", "--text"], "needs a terminal"),
        (["a.log", "--follow", "--window", "0"], "no length of time"),
    ],
)
def test_what_cannot_be_followed_is_said(arguments, words, capsys):
    try:
        status = main(["open", *arguments])
    except SystemExit as ended:
        status = ended.code
    assert status == 2
    assert words in capsys.readouterr().err
