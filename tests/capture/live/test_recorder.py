"""Recording goes on whatever happens to the adapter or the disk, and says what happened."""

from __future__ import annotations

import errno
import os
import subprocess
import sys
import threading
import time
from pathlib import Path

import can
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import decoder
from decoder import read_capture
from decoder.capture.live import log_files, recorder
from decoder.capture.live.adapter import AdapterOptions, open_adapter
from decoder.errors import CaptureError, OutputError
from tests.capture.live.adapters import (
    FullDisk,
    ScriptedBus,
    SlowDisk,
    message,
    new_channel,
    running,
    scripted,
)
from tests.capture.live.test_candump_lines import assert_same, messages


@pytest.fixture(autouse=True)
def quick(monkeypatch):
    """Trying again after a tenth of the usual times."""
    monkeypatch.setattr(recorder, "_FIRST_RETRY_S", 0.1)
    monkeypatch.setattr(recorder, "_MOST_RETRY_S", 0.5)
    monkeypatch.setattr(recorder, "_STATUS_S", 0.1)
    monkeypatch.setattr(log_files, "_AGAIN_S", 0.1)


def numbers(*paths):
    """The numbers that recorded messages carry, in order."""
    frames = read_capture([str(path) for path in paths])
    assert not frames.account.skipped
    return [int.from_bytes(frames.payload(row), "big") for row in range(len(frames))]


def over_virtual(channel):
    return lambda: open_adapter(AdapterOptions("virtual", channel, extra={"preserve_timestamps": True}))


@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(sent=st.lists(messages(), min_size=1, max_size=60))
def test_what_is_on_a_bus_is_in_the_file_exactly(sent, tmp_path_factory):
    path, channel = tmp_path_factory.mktemp("bus") / "a.log", new_channel()
    bus = can.Bus(interface="virtual", channel=channel, preserve_timestamps=True)
    with bus, running(over_virtual(channel), path) as recording:
        recording.wait_for("file")
        for one in sent:
            bus.send(one)
    for one in sent:
        one.is_rx = True  # what another node sent was received here
    frames = read_capture(path)
    assert_same(frames, sent)
    assert frames.bus_names == (channel,)
    stamps = [round(one.timestamp * 1e6) * 1000 for one in sent]
    assert [int(ns) for ns in frames.time_ns] == stamps
    assert recording.status.frames == recording.status.written == len(sent)
    assert recording.status.waiting == 0


def test_events_begin_with_the_adapter_and_the_file(tmp_path):
    with running(lambda: scripted([message(1)]), tmp_path / "a.log") as recording:
        recording.wait_for("file")
    assert recording.kinds() == ["opened", "file"]
    assert recording.texts("opened") == ["asked"]
    assert str(tmp_path / "a.log") in recording.texts("file")[0]
    assert recording.events[-1].status.path == str(tmp_path / "a.log")


def test_the_clock_says_when(tmp_path):
    with running(lambda: scripted([message(1, timestamp=0.0)]), tmp_path / "a.log", clock=lambda: 5_500_000_000) as run:
        run.wait_for(lambda: run.status.frames == 1)
    assert {event.time_ns for event in run.events} == {5_500_000_000}
    assert (tmp_path / "a.log").read_text() == "(0000000005.500000) can0 123#00000001\n"
    assert run.status.odd_stamps == 1


def test_status_comes_without_frames(tmp_path):
    with running(lambda: scripted([]), tmp_path / "a.log") as recording:
        recording.wait_for(lambda: [event.kind for event in recording.events].count("status") >= 3)
    assert recording.status.frames == 0


def test_a_file_that_is_there_is_never_written_over(tmp_path):
    path = tmp_path / "a.log"
    path.write_text("mine")
    buses = []

    def opening():
        adapter = scripted([message(1)])
        buses.append(adapter._bus)
        return adapter

    with pytest.raises(OutputError, match="not written over"), running(opening, path):
        pass
    assert path.read_text() == "mine"
    assert buses[0].is_closed


def test_an_adapter_that_cannot_be_opened_leaves_no_file(tmp_path):
    def refuse():
        raise CaptureError("no adapter")

    with pytest.raises(CaptureError), running(refuse, tmp_path / "a.log"):
        pass
    assert not list(tmp_path.iterdir())


# ---- rotation


def test_the_next_file_begins_at_its_size_and_passes_over_what_is_there(tmp_path):
    taken = tmp_path / "a.0003.log"
    taken.write_text("mine")
    most = 1000
    with running(lambda: scripted(map(message, range(100))), tmp_path / "a.log", most_bytes=most) as recording:
        recording.wait_for(lambda: recording.status.frames == 100)
    files = [tmp_path / "a.log", tmp_path / "a.0002.log", tmp_path / "a.0004.log", tmp_path / "a.0005.log"]
    line = len("(1700000000.000000) can0 123#00000000\n")
    assert set(tmp_path.iterdir()) == {*files, taken}
    assert [path.stat().st_size // line for path in files] == [26, 26, 26, 22]  # 26 lines are 988 bytes
    assert all(path.stat().st_size <= most for path in files)
    assert numbers(*files) == list(range(100))
    assert taken.read_text() == "mine"
    assert len(recording.texts("file")) == 4


def test_a_file_smaller_than_a_line_takes_one_line(tmp_path):
    with running(lambda: scripted(map(message, range(3))), tmp_path / "a.log", most_bytes=1) as recording:
        recording.wait_for(lambda: recording.status.frames == 3)
    assert [len(path.read_text().splitlines()) for path in sorted(tmp_path.iterdir())] == [1, 1, 1]


def test_the_next_file_begins_after_its_time_but_only_for_frames(tmp_path):
    script = [message(0), 0.5, message(1), message(2), *[0.02] * 40]
    with running(lambda: scripted(script), tmp_path / "a.log", most_s=0.3) as recording:
        recording.wait_for(lambda: recording.status.frames == 3)
        time.sleep(0.7)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.0002.log", "a.log"]
    assert numbers(tmp_path / "a.log") == [0]
    assert numbers(tmp_path / "a.0002.log") == [1, 2]


# ---- the adapter fails


@pytest.mark.parametrize("fault", [can.CanOperationError("gone"), OSError(errno.ENODEV, "No such device")])
def test_a_pulled_adapter_is_told_and_recording_goes_on_when_it_is_back(fault, tmp_path):
    adapters = [
        scripted([message(1), message(2), fault]),
        CaptureError("not there"),
        CaptureError("not there"),
        scripted([message(3)]),
    ]
    buses = [adapters[0]._bus]

    def opening():
        adapter = adapters.pop(0)
        if isinstance(adapter, CaptureError):
            raise adapter
        return adapter

    with running(opening, tmp_path / "a.log") as recording:
        recording.wait_for("back")
        recording.wait_for(lambda: recording.status.frames == 3)
    assert recording.kinds() == ["opened", "file", "lost", "back"]
    assert str(fault) in recording.texts("lost")[0]
    assert buses[0].is_closed
    assert numbers(tmp_path / "a.log") == [1, 2, 3]


def test_it_can_be_stopped_while_the_adapter_is_away(tmp_path):
    adapters = [scripted([message(1), OSError(5, "gone")])]

    def opening():
        if not adapters:
            raise CaptureError("not there")
        return adapters.pop()

    with running(opening, tmp_path / "a.log") as recording:
        recording.wait_for("lost")
    assert numbers(tmp_path / "a.log") == [1]


def error_frame(classes, details=bytes(8)):
    return can.Message(
        timestamp=1_700_000_000.0, arbitration_id=classes, is_extended_id=False, is_error_frame=True, data=details
    )


def test_error_frames_are_counted_recorded_and_each_class_told_at_once(tmp_path):
    script = [error_frame(0x80)] * 5 + [error_frame(0x20)] * 2 + [message(1)]
    with running(lambda: scripted(script), tmp_path / "a.log") as recording:
        recording.wait_for(lambda: len(recording.texts("error-frames")) == 2)
    assert sorted(recording.texts("error-frames")) == [
        "errors on the bus: 5 error frames",
        "no acknowledgement: 2 error frames",
    ]
    assert recording.status.error_frames == 7
    assert recording.status.written == 8


def test_error_frames_without_end_are_told_once_a_second(tmp_path, monkeypatch):
    script = [step for _ in range(60) for step in (error_frame(0x80), 0.02)]
    with running(lambda: scripted(script), tmp_path / "a.log") as recording:
        recording.wait_for(lambda: recording.status.error_frames == 60)
    told = [int(text.split(": ")[1].split()[0]) for text in recording.texts("error-frames")]
    assert sum(told) == 60
    assert len(told) <= 3  # at once, after a second, and the rest at the end


@pytest.mark.parametrize("classes", [0x40, 0x44])
def test_bus_off_is_told(classes, tmp_path):
    with running(lambda: scripted([error_frame(classes), message(1)]), tmp_path / "a.log") as recording:
        recording.wait_for("bus-off")
        recording.wait_for(lambda: recording.status.written == 2)


def test_frames_after_bus_off_say_that_the_adapter_is_back(tmp_path):
    script = [error_frame(0x40), 0.4, message(1), 0.2, message(2)]
    with running(lambda: scripted(script), tmp_path / "a.log") as recording:
        recording.wait_for("back")
        recording.wait_for(lambda: recording.status.written == 3)
    assert [kind for kind in recording.kinds() if kind in {"bus-off", "back"}] == ["bus-off", "back"]


def test_bus_off_by_the_state_of_the_adapter_is_told_once(tmp_path):
    adapter = scripted([message(1)])
    adapter._bus.said_state = can.BusState.ERROR
    with running(lambda: adapter, tmp_path / "a.log") as recording:
        recording.wait_for("bus-off")
        time.sleep(0.3)
    assert recording.kinds().count("bus-off") == 1


def test_overruns_of_the_adapter_are_counted(tmp_path):
    overflow = error_frame(0x04, bytes([0, 0x01, 0, 0, 0, 0, 0, 0]))
    passive = error_frame(0x04, bytes([0, 0x10, 0, 0, 0, 0, 0, 0]))
    with running(lambda: scripted([overflow, passive, overflow]), tmp_path / "a.log") as recording:
        recording.wait_for(lambda: recording.status.frames == 3)
    assert recording.status.overruns == 2
    assert any("frames are missing: 2" in text for text in recording.texts("error-frames"))


def test_numbers_that_are_no_classes_are_not_read_as_such(tmp_path):
    adapter = scripted([error_frame(0x44, bytes([0, 1]))], has_error_classes=False)
    with running(lambda: adapter, tmp_path / "a.log") as recording:
        recording.wait_for("error-frames")
    assert recording.kinds() == ["opened", "file", "error-frames"]
    assert recording.status.overruns == 0


# ---- the disk fails


def test_a_full_disk_is_told_and_nothing_is_lost_when_there_is_room_again(tmp_path):
    disk = FullDisk(room=300)
    script = [step for number in range(50) for step in (message(number), 0.005)]
    with running(lambda: scripted(script), tmp_path / "a.log", disk=disk) as recording:
        recording.wait_for("disk-full")
        assert (tmp_path / "a.log").read_bytes().endswith(b"\n")
        recording.wait_for(lambda: recording.status.frames == 50)
        assert recording.status.waiting > 0
        disk.room = 10**9
        recording.wait_for("disk-back")
    assert recording.kinds() == ["opened", "file", "disk-full", "disk-back"]
    assert numbers(tmp_path / "a.log") == list(range(50))
    assert recording.status.dropped == 0
    assert recording.status.waiting == 0


def test_on_a_disk_that_stays_full_the_newest_are_kept_and_the_others_counted(tmp_path, monkeypatch):
    monkeypatch.setattr(log_files, "MOST_KEPT_FRAMES", 20)
    monkeypatch.setattr(recorder, "_MOST_LINES", 5)
    disk = FullDisk(room=0)
    script = [step for number in range(100) for step in (message(number), 0.002)]
    with running(lambda: scripted(script), tmp_path / "a.log", disk=disk) as recording:
        recording.wait_for(lambda: recording.status.frames == 100)
        time.sleep(0.1)
        disk.room = 10**9
        recording.wait_for("disk-back")
    kept = numbers(tmp_path / "a.log")
    assert kept == list(range(100 - len(kept), 100))
    assert 15 <= len(kept) <= 20
    assert recording.status.dropped == 100 - len(kept)
    assert f"{100 - len(kept)} frames in all were lost" in recording.texts("disk-back")[0]


def test_frames_that_could_never_be_written_are_counted_at_the_end(tmp_path):
    with running(lambda: scripted(map(message, range(10))), tmp_path / "a.log", disk=FullDisk(100)) as recording:
        recording.wait_for("disk-full")
        recording.wait_for(lambda: recording.status.frames == 10)
    assert numbers(tmp_path / "a.log") == [0, 1]
    assert recording.status.dropped == 8
    assert recording.status.written == 2


def test_a_file_system_without_large_files_gets_the_next_one(tmp_path):
    class Small(FullDisk):
        def begin(self, path):
            self.room = 200
            return super().begin(path)

    with running(
        lambda: scripted(map(message, range(20))), tmp_path / "a.log", disk=Small(0, errno.EFBIG)
    ) as recording:
        recording.wait_for(lambda: recording.status.frames == 20)
        recording.wait_for(lambda: recording.status.waiting == 0)
    assert numbers(*sorted(tmp_path.iterdir(), key=lambda path: (path.name != "a.log", path.name))) == list(range(20))
    assert all(path.stat().st_size <= 200 for path in tmp_path.iterdir())


def test_a_disk_that_breaks_is_tried_with_another_file_without_leaving_empty_ones(tmp_path):
    disk = FullDisk(100, errno.EIO)
    with running(lambda: scripted(map(message, range(10))), tmp_path / "a.log", disk=disk) as recording:
        recording.wait_for("disk-full")
        recording.wait_for(lambda: recording.status.frames == 10)
        time.sleep(0.5)
        disk.room = 10**9
        recording.wait_for("disk-back")
    assert len(list(tmp_path.iterdir())) == 2
    assert numbers(tmp_path / "a.log", *tmp_path.glob("a.0*.log")) == list(range(10))


def test_a_disk_that_refuses_to_sync_is_told(tmp_path):
    class Refusing(SlowDisk):
        def sync(self, file):
            if self.syncs == 0:
                self.syncs += 1
                raise OSError(errno.ENOSPC, "No space left on device")
            super().sync(file)

    with running(lambda: scripted([message(1)]), tmp_path / "a.log", disk=Refusing(0)) as recording:
        recording.wait_for("disk-back")
    assert recording.kinds() == ["opened", "file", "disk-full", "disk-back"]


def test_a_slow_disk_holds_up_neither_reading_nor_writing(tmp_path):
    disk = SlowDisk(1.5)
    script = [step for number in range(100) for step in (message(number), 0.005)]
    with running(lambda: scripted(script), tmp_path / "a.log", disk=disk) as recording:
        recording.wait_for(lambda: disk.syncs == 1)
        begun = time.monotonic()
        recording.wait_for(lambda: len((tmp_path / "a.log").read_bytes().splitlines()) == 100)
        assert disk.syncs == 1 or time.monotonic() - begun > 1.5  # written while the disk was busy
    assert numbers(tmp_path / "a.log") == list(range(100))


def test_the_disk_is_synced_at_least_twice_a_second(tmp_path):
    disk = SlowDisk(0)
    with running(lambda: scripted([message(1)]), tmp_path / "a.log", disk=disk):
        time.sleep(2.2)
    assert disk.syncs >= 4


def test_a_disk_that_hangs_lets_frames_wait_in_memory_and_is_told(tmp_path, monkeypatch):
    monkeypatch.setattr(recorder, "MANY_WAIT", 50)
    hanging = threading.Event()

    class Hanging(FullDisk):
        def write(self, file, text):
            hanging.wait(10)
            return super().write(file, text)

    with running(lambda: scripted(map(message, range(200))), tmp_path / "a.log", disk=Hanging(10**9)) as recording:
        recording.wait_for("disk-full")
        hanging.set()
        recording.wait_for("disk-back")
    assert numbers(tmp_path / "a.log") == list(range(200))


# ---- nothing is sent


def test_a_bus_that_cannot_send_is_enough_for_everything(tmp_path):
    """`ScriptedBus` raises at whatever sends or sets a state; a whole life of a recorder never calls it."""
    with pytest.raises(AssertionError):
        ScriptedBus([]).send(message(1))
    scripts = [
        [message(1), error_frame(0x40), error_frame(0x04, bytes([0, 1])), OSError(5, "gone")],
        [message(2, is_remote_frame=True), message(3, is_fd=True)],
    ]
    with running(lambda: scripted(scripts.pop(0)), tmp_path / "a.log", most_bytes=60, disk=FullDisk(150)) as recording:
        recording.wait_for("back")
        recording.wait_for("disk-full")
        recording.wait_for(lambda: recording.status.frames == 5)
    assert recording.fault is None


_LIMITED = """
import resource, sys, threading
sys.path.insert(0, sys.argv[2])
from decoder.capture.live.adapter import Adapter
from decoder.capture.live.recorder import Recorder, RecorderOptions
from steady_bus import SteadyBus

resource.setrlimit(resource.RLIMIT_FSIZE, (10_000, 10_000))
adapter = Adapter(SteadyBus(2000), name="can0", listen_only=True, words="", has_error_classes=False)
stop = threading.Event()
told = lambda event: stop.set() if event.status.written > 1000 else None
Recorder(lambda: adapter, RecorderOptions(sys.argv[1]), told).run(stop.is_set)
"""


@pytest.mark.skipif(os.name == "nt", reason="limits of POSIX")
def test_a_limit_of_the_system_on_the_size_of_files_costs_no_frame(tmp_path):
    """The system's own refusal, not one of ours."""
    root = Path(decoder.__file__).parent.parent
    command = [sys.executable, "-c", _LIMITED, str(tmp_path / "a.log"), str(root / "tools")]
    subprocess.run(command, check=True, timeout=60, env={**os.environ, "PYTHONPATH": str(root)})
    files = sorted(tmp_path.iterdir(), key=lambda path: (path.name != "a.log", path.name))
    assert len(files) > 4
    assert all(path.stat().st_size <= 10_000 and path.read_bytes().endswith(b"\n") for path in files)
    written = numbers(*files)
    assert written == list(range(len(written)))
    assert len(written) > 1000
