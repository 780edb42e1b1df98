"""What a recording says of itself, for whoever follows its file."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from decoder.capture.live.event import Status

if TYPE_CHECKING:
    from collections.abc import Callable

    from decoder.capture.follow import Follower
    from decoder.capture.live.event import Event, Kind
    from decoder.capture.live.process import Recording

# What goes wrong, until this says that it is right again.
_ENDED_BY: Final[dict[Kind, Kind]] = {"lost": "back", "bus-off": "back", "disk-full": "disk-back"}
# Told once, and shown for so many seconds.
_PASSING: Final[frozenset[Kind]] = frozenset({"error-frames", "back", "disk-back"})
_SHOWN_NS: Final = 10_000_000_000


class Watch:
    """Keeps up with a recording: lets its follower go on to the next file, and remembers what is wrong.

    follower : goes on with the file that is begun when the one before is full
    note : is called with each event but the counts of every second
    """

    def __init__(self, recording: Recording) -> None:
        self.recording = recording
        self.status = Status()
        self.follower: Follower | None = None
        self.note: Callable[[Event], None] | None = None
        self._wrong: dict[Kind, Event] = {}
        self._latest: Event | None = None
        self._path = recording.path_now

    def look(self) -> str:
        """Read what was told since the last look, and give what is wrong now; empty where nothing is."""
        now_ns = 0
        for event in self.recording.events():
            now_ns = event.time_ns
            self._take(event)
        if self._latest is not None and now_ns - self._latest.time_ns > _SHOWN_NS:
            self._latest = None
        if not self.recording.alive:
            why = self.recording.failure
            return f"the recording ended: {why}" if why is not None else "the recording ended"
        texts = [event.text for event in self._wrong.values()]
        if self._latest is not None:
            texts.append(self._latest.text)
        return "; ".join(texts)

    def _take(self, event: Event) -> None:
        self.status = event.status
        if event.kind == "status":
            return
        if event.kind == "file" and event.status.path not in {"", self._path}:
            self._path = event.status.path
            if self.follower is not None:
                self.follower.next_file(self._path)
        if event.kind in _ENDED_BY:
            self._wrong[event.kind] = event
        for wrong in [kind for kind, end in _ENDED_BY.items() if end == event.kind]:
            self._wrong.pop(wrong, None)
        if event.kind in _PASSING:
            self._latest = event
        if self.note is not None:
            self.note(event)
