"""What is wrong with a recording is said as long as it is wrong, and its files are followed one after the other."""

from dataclasses import replace

from decoder.capture.live.event import Event, Status
from decoder.capture.live.watch import Watch
from decoder.errors import CaptureError


class FakeRecording:
    """Tells what a test puts in."""

    def __init__(self):
        self.alive, self.failure, self.path_now, self.queue = True, None, "a.log", []

    def events(self):
        told, self.queue = self.queue, []
        return told


class FakeFollower:
    def __init__(self):
        self.files = []

    def next_file(self, path):
        self.files.append(path)


def told(kind, text="", at_s=0, path="a.log", frames=0):
    return Event(kind, text, int(at_s * 1e9), Status(path=path, frames=frames))


def test_a_pulled_adapter_is_said_until_it_is_back():
    recording = FakeRecording()
    watch = Watch(recording)
    assert watch.look() == ""
    recording.queue = [told("lost", "the adapter is gone", 1)]
    assert watch.look() == "the adapter is gone"
    assert watch.look() == "the adapter is gone"
    recording.queue = [told("back", "it is back", 5)]
    assert watch.look() == "it is back"
    recording.queue = [told("status", at_s=30)]
    assert watch.look() == ""


def test_two_things_can_be_wrong_at_once():
    recording = FakeRecording()
    watch = Watch(recording)
    recording.queue = [told("lost", "no adapter", 1), told("disk-full", "no room", 2)]
    assert watch.look() == "no adapter; no room"
    recording.queue = [told("disk-back", "room again", 3), told("status", at_s=20)]
    assert watch.look() == "no adapter"


def test_error_frames_pass():
    recording = FakeRecording()
    watch = Watch(recording)
    recording.queue = [told("error-frames", "a bit error", 1)]
    assert watch.look() == "a bit error"
    recording.queue = [told("status", at_s=12)]
    assert watch.look() == ""


def test_files_are_followed_in_order_and_the_first_only_once():
    recording, follower = FakeRecording(), FakeFollower()
    watch = Watch(recording)
    watch.follower = follower
    recording.queue = [told("file"), told("file", path="a.0002.log"), told("status"), told("file", path="a.0003.log")]
    watch.look()
    assert follower.files == ["a.0002.log", "a.0003.log"]


def test_counts_are_kept_and_events_are_told_but_the_counts():
    recording, notes = FakeRecording(), []
    watch = Watch(recording)
    watch.note = notes.append
    opened = told("opened", "listening")
    recording.queue = [opened, told("status", frames=7), told("status", frames=9)]
    watch.look()
    assert watch.status.frames == 9
    assert notes == [opened]


def test_a_recording_that_ended_says_why():
    recording = FakeRecording()
    watch = Watch(recording)
    recording.alive = False
    assert watch.look() == "the recording ended"
    recording.failure = CaptureError("the driver is gone")
    assert "the driver is gone" in watch.look()
    recording.queue = [replace(told("lost", "x"), text="y")]
    assert "the driver is gone" in watch.look()
