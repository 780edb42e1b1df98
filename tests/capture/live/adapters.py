"""Adapters and disks that fail on purpose, and a recorder that runs in a thread."""

from __future__ import annotations

import errno
import os
import threading
import time
from contextlib import contextmanager
from itertools import count

import can

from decoder.capture.live.adapter import Adapter
from decoder.capture.live.disk import Disk
from decoder.capture.live.event import Status
from decoder.capture.live.recorder import Recorder, RecorderOptions

_numbers = count()


class SendError(AssertionError):
    """Something was sent."""


class ScriptedBus(can.BusABC):
    """Gives what it is told, in order: messages; errors are raised; a number waits so many seconds. Never sends."""

    def __init__(self, script):
        super().__init__(channel="scripted")
        self.script = list(script)
        self.is_closed = False
        self.said_state = can.BusState.ACTIVE

    def _recv_internal(self, timeout):
        if not self.script:
            time.sleep(min(timeout or 0, 0.01))
            return None, False
        step = self.script.pop(0)
        if isinstance(step, (int, float)):
            time.sleep(step)
            return None, False
        if isinstance(step, BaseException):
            raise step
        return step, False

    def _refuse(self, *_, **__):
        raise SendError

    send = send_periodic = flush_tx_buffer = _send_periodic_internal = _refuse

    @property
    def state(self):
        return self.said_state

    @state.setter
    def state(self, _value):
        raise SendError

    def shutdown(self):
        super().shutdown()
        self.is_closed = True


def scripted(script, *, has_error_classes=True):
    return Adapter(
        ScriptedBus(script), name="can0", listen_only=True, words="asked", has_error_classes=has_error_classes
    )


class FullDisk(Disk):
    """Has room for `room` bytes in all; then writes what fits, and nothing more until there is more room."""

    def __init__(self, room, code=errno.ENOSPC):
        self.room = room
        self.code = code

    def write(self, file, text):
        if self.room <= 0:
            raise OSError(self.code, os.strerror(self.code))
        done = super().write(file, text[: self.room])
        self.room -= done
        return done


class SlowDisk(Disk):
    """Takes `seconds` for each sync."""

    def __init__(self, seconds):
        self.seconds = seconds
        self.syncs = 0

    def sync(self, file):
        self.syncs += 1
        time.sleep(self.seconds)
        super().sync(file)


def message(number, **more):
    data = more.pop("data", number.to_bytes(4, "big"))
    said = {"arbitration_id": 0x123, "is_extended_id": False, "timestamp": 1_700_000_000 + number / 1000}
    return can.Message(data=data, **{**said, **more})


class Running:
    """A recorder in a thread, and what it told."""

    def __init__(self, open_adapter, options, **more):
        self.events = []
        self.fault = None
        self._stop = threading.Event()
        self._recorder = Recorder(open_adapter, options, self.events.append, **more)
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def _run(self):
        try:
            self._recorder.run(self._stop.is_set)
        except BaseException as fault:  # noqa: BLE001  raised again where the test can see it
            self.fault = fault

    def stop(self):
        self._stop.set()
        self._thread.join(20)
        assert not self._thread.is_alive()

    def kinds(self):
        return [event.kind for event in self.events if event.kind != "status"]

    def texts(self, kind):
        return [event.text for event in self.events if event.kind == kind]

    def wait_for(self, what, seconds=10):
        """Wait until a kind was told, or a condition holds."""
        end = time.monotonic() + seconds
        while not (what() if callable(what) else what in self.kinds()):
            assert time.monotonic() < end, f"never came: {what}; told: {self.events[-3:]}"
            assert self.fault is None, self.fault
            time.sleep(0.01)

    @property
    def status(self):
        return self.events[-1].status if self.events else Status()


@contextmanager
def running(open_adapter, path, *, most_bytes=None, most_s=None, **more):
    recorder = Running(open_adapter, RecorderOptions(str(path), most_bytes, most_s), **more)
    try:
        yield recorder
    finally:
        recorder.stop()
    if recorder.fault is not None:
        raise recorder.fault


def new_channel():
    return f"bus{next(_numbers)}"
