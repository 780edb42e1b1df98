"""Recording in a process of its own, which nothing that the screens do can slow down.

Two pipes: events come back through one; the other says 'stop', by a word or by its end (the parent is gone).
"""

from __future__ import annotations

import contextlib
import gc
import logging
import multiprocessing
import signal
import threading
import time
from collections import deque
from functools import partial
from multiprocessing.reduction import ForkingPickler
from typing import TYPE_CHECKING, Any, Final

from decoder.capture.live.adapter import open_adapter
from decoder.capture.live.recorder import Recorder, RecorderOptions
from decoder.errors import CaptureError, CellgleanError

if TYPE_CHECKING:
    from multiprocessing.connection import Connection
    from multiprocessing.context import SpawnProcess

    from decoder.capture.live.adapter import AdapterOptions
    from decoder.capture.live.event import Event

_MOST_EVENTS: Final = 1000  # not yet read by the parent; the oldest are given up
_OPEN_S: Final = 60.0  # drivers may take their time
_STOP_S: Final = 15.0
_LAST_EVENTS_S: Final = 2.0
_STOP: Final = b"stop"


class Recording:
    """A recorder that runs in another process. Made by `start_recording`.

    path_now : the file that it writes, as far as its events were read
    failure : why it ended by itself, if it did so
    """

    def __init__(self, process: SpawnProcess, told: Connection, orders: Connection, path: str) -> None:
        self._process = process
        self._told = told
        self._orders = orders
        self._kept: list[Event] = []
        self._is_ended = False
        self.path_now = path
        self.failure: CellgleanError | None = None

    @property
    def alive(self) -> bool:
        """Whether it runs."""
        return self._process.is_alive()

    @property
    def pid(self) -> int | None:
        """The number of its process."""
        return self._process.pid

    def events(self) -> list[Event]:
        """Give what it told since the last call, without waiting."""
        self._read(0)
        events, self._kept = self._kept, []
        return events

    def stop(self) -> None:
        """Let it write what it has and close its file, and wait for that; its last events can be read afterwards."""
        with contextlib.suppress(OSError):
            self._orders.send_bytes(_STOP)
        end_s = time.monotonic() + _STOP_S
        while self._read(_STOP_S) and time.monotonic() < end_s:
            pass
        self._process.join(max(end_s - time.monotonic(), 0))
        if self._process.is_alive():  # what was written is safe; it hangs in a driver or a disk
            self._process.kill()
            self._process.join()
        self._orders.close()

    def wait_until_open(self) -> None:
        """Wait for its first file. Raises what kept it from beginning."""
        while not any(event.kind == "file" for event in self._kept):
            if self.failure is None and self._read(_OPEN_S):
                continue
            self.stop()
            raise self.failure or CaptureError("the recorder did not begin", advice="try again")

    def _read(self, wait_s: float) -> bool:
        """Read what there is, waiting for the first of it; tell whether there was any."""
        found = False
        try:
            while not self._is_ended and self._told.poll(0 if found else wait_s):
                self._keep(self._told.recv())
                found = True
        except (EOFError, OSError):
            self._is_ended = True
        return found

    def _keep(self, told: Event | CellgleanError) -> None:
        if isinstance(told, CellgleanError):
            self.failure = told
            return
        if told.status.path:
            self.path_now = told.status.path
        self._kept.append(told)


def start_recording(adapter: AdapterOptions, options: RecorderOptions) -> Recording:
    """Start to record in another process, and wait until it has opened adapter and file.

    Raises `CaptureError` or `OutputError` if it cannot. It ignores the terminal's Ctrl-C and closes its file when it is
    stopped, terminated, or its parent is gone.
    """
    context = multiprocessing.get_context("spawn")
    told, tells = context.Pipe(duplex=False)
    obeys, orders = context.Pipe(duplex=False)
    process = context.Process(target=_record, args=(adapter, options, tells, obeys), name="recorder", daemon=True)
    process.start()
    tells.close()
    obeys.close()
    recording = Recording(process, told, orders, options.path)
    recording.wait_until_open()
    return recording


def _record(adapter: AdapterOptions, options: RecorderOptions, tells: Connection, obeys: Connection) -> None:
    """Record, in the new process."""
    orders = _Orders(obeys)
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, orders.terminate)
    logging.getLogger("can").addHandler(logging.NullHandler())  # else it writes over the screens; failures are events
    gc.freeze()  # what was imported is never given back: looking through it again would hold up the reading
    teller = _Teller(tells)
    try:
        Recorder(partial(open_adapter, adapter), options, teller.tell).run(orders.is_stop)
    except CellgleanError as error:
        teller.tell(error)
    teller.finish()


class _Orders:
    """Whether to stop: told so, terminated, or the parent gone."""

    def __init__(self, obeys: Connection) -> None:
        self._obeys = obeys
        self._parent = multiprocessing.parent_process()
        self._is_stop = False

    def terminate(self, _signal: int, _frame: object) -> None:
        self._is_stop = True

    def is_stop(self) -> bool:
        if not self._is_stop:
            try:
                self._is_stop = self._obeys.poll()  # a word, or the end of the pipe
            except OSError:
                self._is_stop = True
        if self._parent is not None and not self._parent.is_alive():
            self._is_stop = True
        return self._is_stop


class _Teller:
    """Tells the parent from a thread of its own, so that a parent that does not read holds up nothing."""

    def __init__(self, tells: Connection) -> None:
        self._tells = tells
        self._queue: deque[Any] = deque(maxlen=_MOST_EVENTS)
        self._news = threading.Event()
        self._is_end = False
        self._thread = threading.Thread(target=self._run, name="telling", daemon=True)
        self._thread.start()

    def tell(self, event: Event | CellgleanError) -> None:
        self._queue.append(event)
        self._news.set()

    def finish(self) -> None:
        """Tell what is left, if the parent reads it soon."""
        self._is_end = True
        self._news.set()
        self._thread.join(_LAST_EVENTS_S)

    def _run(self) -> None:
        while not (self._is_end and not self._queue):
            self._news.wait()
            self._news.clear()
            try:
                while self._queue:
                    self._tells.send_bytes(ForkingPickler.dumps(self._queue.popleft()))
            except OSError:  # the parent is gone
                return
