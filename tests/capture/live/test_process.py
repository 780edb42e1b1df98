"""A recorder in its own process: over a real interface of python-can to a server of ours, stopped in every way."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import threading
import time
from contextlib import contextmanager
from pathlib import Path

import pytest

import decoder
from decoder import read_capture
from decoder.capture.live.adapter import AdapterOptions
from decoder.capture.live.process import start_recording
from decoder.capture.live.recorder import RecorderOptions
from decoder.errors import CaptureError, OutputError

_WAIT_S = 30


class FrameServer:
    """Serves frames to python-can's `socketcand`, which is text over TCP; keeps what the other side says."""

    def __init__(self):
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = self._listener.getsockname()[1]
        self.heard = b""
        self.is_left = threading.Event()
        self.is_ready = threading.Event()
        self._peer = None
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def _serve(self):
        self._peer, _ = self._listener.accept()
        self._peer.sendall(b"< hi >")
        for _ in range(2):
            self.heard += self._peer.recv(100)
            self._peer.sendall(b"< ok >")
        self.is_ready.set()
        while more := self._peer.recv(100):
            self.heard += more
        self.is_left.set()

    def give(self, numbers):
        assert self.is_ready.wait(_WAIT_S)
        self._peer.sendall(b"".join(b"< frame 123 %d.25 %08X >" % (1_700_000_000 + n, n) for n in numbers))

    def close(self):
        self._listener.close()
        if self._peer is not None:
            self._peer.close()
        self._thread.join(_WAIT_S)

    @property
    def options(self):
        return AdapterOptions("socketcand", "can0", extra={"host": "127.0.0.1", "port": self.port})


@pytest.fixture
def server():
    serving = FrameServer()
    yield serving
    serving.close()


@contextmanager
def recording_to(path, adapter, **more):
    recording = start_recording(adapter, RecorderOptions(str(path), **more))
    try:
        yield recording
    finally:
        recording.stop()


def wait_for(what):
    end = time.monotonic() + _WAIT_S
    while not what():
        assert time.monotonic() < end
        time.sleep(0.02)


def lines_of(path):
    return path.read_bytes().count(b"\n") if path.exists() else 0


def assert_whole(path, count):
    frames = read_capture(path)
    assert path.read_bytes().endswith(b"\n")
    assert [int.from_bytes(frames.payload(row), "big") for row in range(len(frames))] == list(range(count))
    assert [int(ns) for ns in frames.time_ns] == [(1_700_000_000 + n) * 10**9 + 250_000_000 for n in range(count)]


def test_frames_come_through_and_nothing_is_sent(server, tmp_path):
    path = tmp_path / "a.log"
    with recording_to(path, server.options) as recording:
        assert recording.alive
        server.give(range(500))
        wait_for(lambda: lines_of(path) == 500)
        assert recording.path_now == str(path)
    assert not recording.alive
    assert recording.failure is None
    events = recording.events()
    assert [event.kind for event in events if event.kind != "status"] == ["opened", "file"]
    assert "acknowledges frames" in events[0].text
    assert events[-1].status.frames == events[-1].status.written == 500
    assert_whole(path, 500)
    assert server.is_left.wait(_WAIT_S)
    assert server.heard == b"< open can0 >< rawmode >"  # all that was ever said to the other side


def test_events_are_given_once_and_without_waiting(tmp_path):
    with recording_to(tmp_path / "a.log", AdapterOptions("virtual", "x")) as recording:
        assert [event.kind for event in recording.events()][:2] == ["opened", "file"]
        begun = time.monotonic()
        assert not any(event.kind == "file" for event in recording.events())
        assert time.monotonic() - begun < 5
    assert recording.events()[-1].text == "closed"
    assert recording.events() == []


def test_the_path_follows_rotation(server, tmp_path):
    path = tmp_path / "a.log"
    with recording_to(path, server.options, most_bytes=1000) as recording:
        server.give(range(60))
        wait_for(lambda: lines_of(tmp_path / "a.0003.log") == 8)
        wait_for(lambda: recording.events() or recording.path_now.endswith("a.0003.log"))
    recording.events()
    assert recording.path_now == str(tmp_path / "a.0003.log")


def test_what_keeps_it_from_beginning_is_raised_here(tmp_path):
    taken = tmp_path / "a.log"
    taken.write_text("mine")
    with pytest.raises(OutputError, match="not written over"):
        start_recording(AdapterOptions("virtual", "x"), RecorderOptions(str(taken)))
    with pytest.raises(CaptureError, match="no_such_interface"):
        start_recording(AdapterOptions("no_such_interface", "x"), RecorderOptions(str(tmp_path / "b.log")))
    assert taken.read_text() == "mine"
    assert list(tmp_path.iterdir()) == [taken]


def test_what_python_can_logs_is_not_written_over_the_screens(server, tmp_path, capfd):
    path = tmp_path / "a.log"
    with recording_to(path, server.options):
        assert server.is_ready.wait(_WAIT_S)
        server._peer.sendall(b"rubbish, of which python-can warns")
        time.sleep(0.3)
        server.give(range(1))
        wait_for(lambda: lines_of(path) == 1)
    assert capfd.readouterr() == ("", "")


@pytest.mark.skipif(os.name == "nt", reason="signals of POSIX")
def test_ctrl_c_is_not_for_the_recorder(server, tmp_path):
    path = tmp_path / "a.log"
    with recording_to(path, server.options) as recording:
        server.give(range(10))
        wait_for(lambda: lines_of(path) == 10)
        os.kill(recording.pid, signal.SIGINT)
        time.sleep(0.5)
        assert recording.alive
        server.give(range(10, 20))
        wait_for(lambda: lines_of(path) == 20)
    assert_whole(path, 20)


@pytest.mark.skipif(os.name == "nt", reason="signals of POSIX")
def test_terminated_it_closes_its_file(server, tmp_path):
    path = tmp_path / "a.log"
    with recording_to(path, server.options) as recording:
        server.give(range(10))
        wait_for(lambda: lines_of(path) == 10)
        os.kill(recording.pid, signal.SIGTERM)
        wait_for(lambda: not recording.alive)
        assert recording.events()[-1].text == "closed"
    assert_whole(path, 10)


_PARENT = """
import sys, time
from decoder.capture.live.adapter import AdapterOptions
from decoder.capture.live.process import start_recording
from decoder.capture.live.recorder import RecorderOptions

if __name__ == "__main__":
    adapter = AdapterOptions("socketcand", "can0", extra={"host": "127.0.0.1", "port": int(sys.argv[1])})
    recording = start_recording(adapter, RecorderOptions(sys.argv[2]))
    print("begun", flush=True)
    time.sleep(600)
"""


def test_when_its_parent_is_killed_it_closes_its_file(server, tmp_path):
    path, script = tmp_path / "a.log", tmp_path / "parent.py"
    script.write_text(_PARENT)
    command = [sys.executable, str(script), str(server.port), str(path)]
    environment = {**os.environ, "PYTHONPATH": str(Path(decoder.__file__).parent.parent)}
    with subprocess.Popen(command, stdout=subprocess.PIPE, env=environment) as parent:
        assert parent.stdout.readline().strip() == b"begun"
        server.give(range(10))
        wait_for(lambda: lines_of(path) == 10)
        parent.kill()
        assert server.is_left.wait(_WAIT_S)  # the recorder let its adapter go
    assert_whole(path, 10)


def test_a_parent_that_does_not_read_its_events_holds_up_nothing(tmp_path):
    """More events than a pipe takes: a recorder in this process tells them through the same way."""
    from multiprocessing import Pipe

    from decoder.capture.live.event import Event
    from decoder.capture.live.process import _MOST_EVENTS, _Teller

    told, tells = Pipe(duplex=False)
    teller = _Teller(tells)
    begun = time.monotonic()
    for number in range(3 * _MOST_EVENTS):
        teller.tell(Event("status", "x" * 1000, number))
    assert time.monotonic() - begun < 10
    seen = []
    while told.poll(0.5):
        seen.append(told.recv().time_ns)
    teller.finish()
    assert seen == sorted(seen)
    assert seen[-1] == 3 * _MOST_EVENTS - 1  # the newest are there, some of the oldest were given up
    assert len(seen) < 3 * _MOST_EVENTS
    tells.close()
    told.close()
