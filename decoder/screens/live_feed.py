"""Keeps a session up to date with a capture that is still being written: polls, decodes the window, judges.

All of it happens in one thread, which leaves time to the screens: decoding and judging are measured, and wait the
longer the more they cost.
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import replace
from threading import Event, Thread
from time import monotonic
from typing import TYPE_CHECKING, Final

from decoder.channels.decoding import decode
from decoder.errors import CellgleanError
from decoder.frames import Frames
from decoder.judgement import Judgement, judge
from decoder.screens.live import Live, News, Pace
from decoder.screens.session import Session

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from decoder.capture.follow import Follower
    from decoder.capture.window import Window
    from decoder.judgement import Finding
    from decoder.judgement.notes import Note
    from decoder.maps.pack_sheet import PackSheet
    from decoder.maps.signal_map import SignalMap

_POLL_S: Final = 0.25
# How often, and in what share of the time at most. Together with reading they leave more than a third to the screens.
_DECODE_EVERY_S: Final = 0.5
_DECODE_SHARE: Final = 1 / 3
_JUDGE_EVERY_S: Final = 2.0
_JUDGE_SHARE: Final = 1 / 5
# Questions and answers, the survey and the bench, where they were looked at.
_RENEW_EVERY_S: Final = 10.0
_RENEW_SHARE: Final = 1 / 10
# While more is there than was read, reading goes on for so long before anything is shown.
_MOST_READING_S: Final = 0.5
_AFTER_FAULT_S: Final = 1.0
# A bus that is silent for longer is said to be.
_QUIET_S: Final = 3
# So many lines, and not one of them a frame: this is no capture.
_UNREADABLE_LINES: Final = 20
# A fault that does not come again is told for so long.
_FAULT_TOLD_S: Final = 30


def live_session(
    signal_map: SignalMap,
    sheet: PackSheet | None = None,
    *,
    capture_path: str | None = None,
    sheet_path: Path | None = None,
    notes: tuple[Note, ...] = (),
    notes_file: Path | None = None,
    show_vin: bool = False,
) -> Session:
    """Give a session to which nothing has come yet."""
    return Session(
        channels=decode(Frames.empty(), signal_map, sheet),
        judgement=Judgement((), {}),
        notes=notes,
        capture_path=capture_path,
        sheet_path=sheet_path,
        notes_file=notes_file,
        show_vin=show_vin,
        live=Live(in_file=capture_path not in {None, "-"}),
    )


class LiveFeed:
    """Feeds a session from a follower, through a window.

    `on_news` is called, in this feed's thread, with the findings that are new since the last judgement. What goes wrong
    with the file is shown in `session.live`, never raised. Signal map, pack sheet and notes are those that the session
    has at the time, so that what the user changes stays. `bus`: only the frames of this bus. `look` is called before
    each poll, in this feed's thread, and tells what else is wrong now.
    """

    def __init__(
        self,
        session: Session,
        follower: Follower,
        window: Window,
        *,
        bus: str | None = None,
        look: Callable[[], str] | None = None,
        on_news: Callable[[tuple[Finding, ...]], None] | None = None,
        clock: Callable[[], float] = monotonic,
    ) -> None:
        self.session = session
        self.follower = follower
        self.on_news = on_news
        self._window = window
        self._bus = bus
        self._look = look
        self._clock = clock
        self._news = News(window.most_s)
        self._decoding = Pace(_DECODE_EVERY_S, _DECODE_SHARE)
        self._judging = Pace(_JUDGE_EVERY_S, _JUDGE_SHARE)
        self._renewing = Pace(_RENEW_EVERY_S, _RENEW_SHARE)
        self._came_s = clock()
        self._is_new = False  # something came that is not decoded
        self._judged: tuple[object, object] = (None, None)  # channels and notes
        self._trouble = ""
        self._fault = ""
        self._fault_s = clock()
        self._stop = Event()
        self._thread: Thread | None = None

    def start(self) -> None:
        """Begin, in a thread of its own that ends with the program."""
        self._thread = Thread(target=self._run, name="live feed", daemon=True)
        self._thread.start()

    def stop(self, wait_s: float = 2.0) -> None:
        """Let go of the file; waits for at most so long."""
        self._stop.set()
        if self._thread is not None:
            self._thread.join(wait_s)

    def _run(self) -> None:
        while not self._stop.is_set():
            try:
                if self.step():
                    break
            except Exception as fault:  # noqa: BLE001  (told on the screens; what comes next may be judged again)
                self._fault, self._fault_s = f"a fault of this program: {type(fault).__name__}: {fault}", self._clock()
                self.session.tell_live(replace(self._state(), trouble=self._fault))
                self._stop.wait(_AFTER_FAULT_S)
            if not self.follower.behind:
                self._stop.wait(_POLL_S)
        with suppress(CellgleanError):
            self.follower.close()

    def step(self) -> bool:
        """Read what came, and do what is due; tell whether all is done for good."""
        self._read()
        self._show()
        self._judge()
        self._renew()
        return self.follower.ended and not self._is_new and not self._is_unjudged()

    def _read(self) -> None:
        began_s = self._clock()
        if began_s - self._fault_s > _FAULT_TOLD_S:
            self._fault = ""
        troubles = [self._fault] if self._look is None else [self._look(), self._fault]
        try:
            while True:
                self._take(self.follower.poll())
                if not self.follower.behind or self._clock() - began_s >= _MOST_READING_S:
                    break
        except CellgleanError as error:
            troubles.append(str(error))
        account = self.follower.account
        if account.skipped >= _UNREADABLE_LINES and not account.frames:
            troubles.append(f"none of {account.lines:,} lines can be read as a frame of candump text")
        self._trouble = "; ".join(text for text in troubles if text)

    def _take(self, part: Frames) -> None:
        if self._bus is not None:
            there = part.bus_names.index(self._bus) if self._bus in part.bus_names else -1
            part = part.take(part.bus == there)
        self._window.add(part)
        if len(part):
            self._is_new = True
            self._came_s = self._clock()

    def _state(self) -> Live:
        quiet_s = int(self._clock() - self._came_s)
        return Live(
            earlier=self._window.gone,
            in_file=self.session.capture_path not in {None, "-"},
            ended=self.follower.ended,
            waits_for=self.follower.path if self.follower.is_waiting else None,
            quiet_s=quiet_s if quiet_s >= _QUIET_S and not self.follower.ended else 0,
            trouble=self._trouble,
        )

    def _show(self) -> None:
        """Decode the window if something came and it is time; else tell only how things stand."""
        began_s = self._clock()
        if not self._is_new or not self._decoding.is_due(began_s):
            if not self._is_new:
                self.session.tell_live(self._state())
            return
        now = self.session.channels
        channels = replace(decode(self._window.frames(), now.signal_map, now.sheet), began_ns=self._window.first_ns)
        self._decoding.note(began_s, self._clock())
        if self.session.go_on(channels, self._state()):
            self._is_new = False

    def _is_unjudged(self) -> bool:
        return self._judged[0] is not self.session.channels or self._judged[1] is not self.session.notes

    def _judge(self) -> None:
        began_s = self._clock()
        channels, notes = self.session.channels, self.session.notes
        if self.follower.behind:  # what is shown is not yet what is going on
            return
        if not self._judging.is_due(began_s) or not self._is_unjudged() or not len(channels.frames):
            if not len(channels.frames):
                self._judged = (channels, notes)
            return
        try:
            judgement = judge(channels, notes)
        finally:
            self._judging.note(began_s, self._clock())  # what fails costs time too
        if not self.session.judged(judgement, channels, notes):
            return
        self._judged = (channels, notes)
        news = self._news.of(judgement.findings, self._clock())
        if news and self.on_news is not None:
            self.on_news(news)

    def _renew(self) -> None:
        began_s = self._clock()
        if self._renewing.is_due(began_s) and self.session.renew():
            self._renewing.note(began_s, self._clock())
