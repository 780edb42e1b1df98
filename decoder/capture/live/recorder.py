"""Frames from an adapter into files, whatever happens to either.

Three threads: `run` reads the adapter and does nothing that could make it wait; one makes lines and writes them;
one (`syncing`) waits for the disk. Between reading and writing stands a queue in memory.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from decoder.capture.live.candump_lines import LineMaker
from decoder.capture.live.disk import Disk
from decoder.capture.live.error_frames import ErrorWatch
from decoder.capture.live.event import Event, Kind, Status
from decoder.capture.live.log_files import LogFiles
from decoder.errors import CaptureError

if TYPE_CHECKING:
    from collections.abc import Callable

    import can

    from decoder.capture.live.adapter import Adapter, State

_NS: Final = 1_000_000_000
_WAIT_S: Final = 0.1  # for a frame; so long may news of other threads wait to be told
_LOOK_S: Final = 0.05  # between two looks at everything that is not a frame
_STATUS_S: Final = 1.0
_REST_S: Final = 0.5  # for what the adapter has queued when it is stopped
_PIECE_S: Final = 0.02  # between two looks of the writer at an empty queue
_MOST_LINES: Final = 2000  # in one write
_FIRST_RETRY_S: Final = 1.0
_MOST_RETRY_S: Final = 5.0
MANY_WAIT: Final = 1_000_000  # frames in memory: a disk that does not keep up is told of


@dataclass(frozen=True, slots=True)
class RecorderOptions:
    """Where to: a file that is not there yet; the next one begins at so many bytes, or after so many seconds."""

    path: str
    most_bytes: int | None = None
    most_s: float | None = None


class Recorder:
    """Records until it is told to stop.

    open_adapter : opens the adapter, also again after it failed; raises `CaptureError`
    tell : is called with every event, in the thread of `run`; must not wait
    clock : ns since 1970, for events and for frames without a time stamp
    """

    def __init__(
        self,
        open_adapter: Callable[[], Adapter],
        options: RecorderOptions,
        tell: Callable[[Event], None],
        clock: Callable[[], int] = time.time_ns,
        *,
        disk: Disk | None = None,
    ) -> None:
        self._open_adapter = open_adapter
        self._options = options
        self._tell_event = tell
        self._clock = clock
        self._disk = disk or Disk()
        self._news: deque[tuple[Kind, str]] = deque()  # of all threads; told by the one that reads
        self._queue: deque[tuple[int, list[can.Message]]] = deque()
        self._end = threading.Event()
        self._frames = 0
        self._fault: BaseException | None = None
        self._many_wait = False
        self._is_off = False  # the bus, as was told
        self._state: State = "unknown"
        self._looked_s = self._status_s = 0.0

    def run(self, stop: Callable[[], bool]) -> None:
        """Record until `stop` says so (it is asked some twenty times a second); then close everything.

        Raises `CaptureError` if the adapter cannot be opened at first, `OutputError` if the file cannot be made.
        Later failures are events, and recording goes on when they are over.
        """
        adapter: Adapter | None = self._open_adapter()
        assert adapter is not None
        try:
            self._files = LogFiles(
                self._options.path, self._options.most_bytes, self._options.most_s, self._disk, self._note
            )
        except BaseException:
            adapter.close()
            raise
        self._lines = LineMaker(adapter.name)
        self._errors = ErrorWatch(adapter.has_error_classes)
        self._tell("opened", adapter.words)
        self._tell_news()
        writer = threading.Thread(target=self._write, name="recording to file", daemon=True)
        writer.start()
        try:
            while not self._is_told_to(stop, adapter):
                adapter = self._read(adapter, stop)
            self._read_rest(adapter)
        finally:
            if adapter is not None:
                adapter.close()
            self._end.set()
            writer.join()
            self._tell_errors(at_last=True)
            self._tell_news()
            self._tell("status", "closed")

    def _read(self, adapter: Adapter | None, stop: Callable[[], bool]) -> Adapter | None:
        """Take what there is; give the adapter, opened anew if it failed, or ``None`` when told to stop meanwhile."""
        if adapter is None:
            return None
        try:
            self._take(adapter.receive(_WAIT_S))
        except CaptureError as error:
            adapter.close()
            self._tell("lost", f"the adapter failed ({error.what}); it is tried again")
            return self._again(stop)
        return adapter

    def _take(self, messages: list[can.Message]) -> None:
        if not messages:
            return
        self._queue.append((self._clock(), messages))
        self._frames += len(messages)
        errors = [message for message in messages if message.is_error_frame]
        for message in errors:
            self._errors.take(message)
        if self._is_off and len(errors) < len(messages):  # a controller that is off the bus receives nothing
            self._tell("back", "the adapter is on the bus again: frames come")

    def _read_rest(self, adapter: Adapter | None) -> None:
        """Take what was queued before the stop."""
        end_s = time.monotonic() + _REST_S
        try:
            while adapter is not None and time.monotonic() < end_s:
                messages = adapter.receive(0)
                if not messages:
                    return
                self._take(messages)
        except CaptureError as error:
            self._tell("lost", f"the adapter failed ({error.what})")

    def _again(self, stop: Callable[[], bool]) -> Adapter | None:
        """Try to open the adapter until it opens, or until told to stop."""
        lost_s = time.monotonic()
        wait_s = _FIRST_RETRY_S
        while True:
            try_s = time.monotonic() + wait_s
            while time.monotonic() < try_s:
                time.sleep(_LOOK_S)
                if self._is_told_to(stop, None):
                    return None
            try:
                adapter = self._open_adapter()
            except CaptureError:
                wait_s = min(wait_s + _FIRST_RETRY_S, _MOST_RETRY_S)
                continue
            self._tell("back", f"the adapter is open again after {time.monotonic() - lost_s:.0f} s; {adapter.words}")
            return adapter

    def _is_told_to(self, stop: Callable[[], bool], adapter: Adapter | None) -> bool:
        """See to everything but frames, now and then; tell whether to stop."""
        now_s = time.monotonic()
        if now_s - self._looked_s < _LOOK_S:
            return False
        self._looked_s = now_s
        if self._fault is not None:
            raise self._fault
        self._tell_errors()
        self._tell_news()
        if now_s - self._status_s >= _STATUS_S:
            self._status_s = now_s
            self._look_at_state(adapter)
            self._look_at_queue()
            self._tell("status", "recording" if adapter is not None else "waiting for the adapter")
        return stop()

    def _look_at_state(self, adapter: Adapter | None) -> None:
        state: State = "unknown" if adapter is None else adapter.state
        if state == "error" != self._state:
            self._tell("bus-off", "the adapter says that it is off the bus")
        self._state = state

    def _look_at_queue(self) -> None:
        waiting = self._status().waiting
        if waiting > MANY_WAIT and not self._many_wait:
            self._many_wait = True
            self._tell("disk-full", f"the disk does not keep up: {waiting} frames wait in memory")
        if waiting < MANY_WAIT // 2 and self._many_wait:
            self._many_wait = False
            self._tell("disk-back", "the disk keeps up again")

    def _tell_errors(self, *, at_last: bool = False) -> None:
        for is_bus_off, text in self._errors.news(float("inf") if at_last else time.monotonic()):
            self._tell("bus-off" if is_bus_off else "error-frames", text)

    def _note(self, kind: Kind, text: str) -> None:
        self._news.append((kind, text))

    def _tell_news(self) -> None:
        while self._news:
            self._tell(*self._news.popleft())

    def _tell(self, kind: Kind, text: str) -> None:
        if kind in {"bus-off", "back"}:
            self._is_off = kind == "bus-off"
        self._tell_event(Event(kind, text, self._clock(), self._status()))

    def _status(self) -> Status:
        files, lines = self._files, self._lines
        written, dropped, unreadable = files.written, files.dropped, lines.unreadable
        return Status(
            frames=self._frames,
            written=written,
            bytes=files.bytes,
            waiting=max(self._frames - written - dropped - unreadable, 0),
            dropped=dropped,
            error_frames=self._errors.frames,
            overruns=self._errors.overruns,
            odd_stamps=lines.odd_stamps,
            unreadable=unreadable,
            path=files.path,
        )

    def _write(self) -> None:
        """Make lines of what is queued and write them, until there is an end and nothing queued."""
        try:
            is_end = False
            while not is_end:
                is_end = self._end.wait(_PIECE_S)
                self._files.put(b"")  # what could not be written before
                while self._queue:
                    self._files.put(self._next_lines())
            self._files.finish()
        except BaseException as fault:  # noqa: BLE001  raised again by `run`
            self._fault = fault

    def _next_lines(self) -> bytes:
        """Make lines of what was queued first, of some thousand frames at most."""
        made: list[bytes] = []
        frames = 0
        while self._queue and frames < _MOST_LINES:
            arrived_ns, messages = self._queue.popleft()
            made.append(self._lines.lines(messages, arrived_ns / _NS))
            frames += len(messages)
        return b"".join(made)
