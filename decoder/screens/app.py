"""The terminal screens as one program: keys that work everywhere, playing, and the user's own notes and limits."""

from __future__ import annotations

import gc
from typing import TYPE_CHECKING, ClassVar, Final

from textual.binding import Binding

from decoder.errors import UsageError
from decoder.judgement.notes import Note
from decoder.printable import printable
from decoder.screens.ask import AskLimits, AskNote, AskText
from decoder.screens.bench_screen import BenchScreen
from decoder.screens.cells_screen import CellsScreen
from decoder.screens.desk import Desk
from decoder.screens.detail_screen import DetailScreen
from decoder.screens.exchanges_screen import ExchangesScreen
from decoder.screens.findings_screen import FindingsScreen
from decoder.screens.frame import DeskScreen
from decoder.screens.marking import MarkingApp
from decoder.screens.pages_screen import PagesScreen
from decoder.screens.playhead import frame_words, step_from
from decoder.screens.session import USER_FLAG
from decoder.screens.survey_screen import SurveyScreen
from decoder.screens.symbols import severity_words, time_from_words, time_words
from decoder.screens.text_screens import CaptureScreen, HelpScreen

if TYPE_CHECKING:
    from textual.binding import BindingType
    from textual.events import Key
    from textual.timer import Timer

    from decoder.judgement import Finding, Severity
    from decoder.screens.live_feed import LiveFeed
    from decoder.screens.session import Session

# Repaints a second while playing; nothing runs while paused.
_REPAINTS: Final = 15
_LEAP_S: Final = 10.0
# Going through all objects for garbage holds up a key: it is done when no key came for so long, and else rarely.
_IDLE_S: Final = 1.0
_RARELY: Final = 1000
# A capture that goes on makes garbage without any key.
_COLLECT_S: Final = 30.0
_SCREENS: Final[dict[str, type[DeskScreen]]] = {
    "cells": CellsScreen,
    "findings": FindingsScreen,
    "exchanges": ExchangesScreen,
    "survey": SurveyScreen,
    "bench": BenchScreen,
    "capture": CaptureScreen,
    "help": HelpScreen,
    "detail": DetailScreen,
}


class CellgleanApp(MarkingApp):
    """The screens over one session."""

    ENABLE_COMMAND_PALETTE = False
    TITLE = "cellglean"
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("q", "quit"),
        Binding("escape", "back"),
        Binding("space", "play"),
        Binding("full_stop", "step(1)"),
        Binding("comma", "step(-1)"),
        Binding("colon", "frame(1)"),
        Binding("semicolon", "frame(-1)"),
        Binding("greater_than_sign", "leap(1)"),
        Binding("less_than_sign", "leap(-1)"),
        Binding("plus,equals_sign", "speed(1)"),
        Binding("minus", "speed(-1)"),
        Binding("g", "go_to"),
        Binding("E,ctrl+end", "to_end"),
        Binding("n", "finding(1)"),
        Binding("p", "finding(-1)"),
        Binding("w", "window"),
        Binding("m", "mark_channel"),
        Binding("M", "mark_moment"),
        Binding("l", "limits"),
        Binding("c", "open('cells')"),
        Binding("f", "open('findings')"),
        Binding("i", "open('capture')"),
        Binding("x", "open('exchanges')"),
        Binding("b", "open('survey')"),
        Binding("question_mark", "keys"),
        Binding("t", "colours"),
    ]

    def __init__(self, session: Session, feed: LiveFeed | None = None, *, bell: bool = False) -> None:
        super().__init__()
        self.feed, self.rings = feed, bell
        self._trouble = ""
        self.session = session
        self.desk = Desk.over(session)
        self._timer: Timer | None = None
        self._thresholds = gc.get_threshold()
        self._idle: Timer | None = None

    def on_mount(self) -> None:
        """Show the pages, and prepare figures of channels that are not on screen yet."""
        # What is loaded by now stays until the end: going through it for garbage would hold up a key now and then.
        gc.freeze()
        self._thresholds = gc.get_threshold()
        gc.set_threshold(*self._thresholds[:2], _RARELY)
        self.push_screen(PagesScreen(self.desk))
        self.session.on_change.append(self._changed)
        if self.feed is None:
            self.run_worker(self._prepare, thread=True, group="prepare")
        else:
            self.feed.on_news = self._hear
            self.feed.start()
            self.set_interval(_COLLECT_S, self._collect)
        if self.book.trouble is not None:
            self.call_after_refresh(self._say, self.book.trouble, trouble=True)

    def on_unmount(self) -> None:
        """Let go of the session."""
        if self.feed is not None:
            self.feed.stop()
        gc.unfreeze()
        gc.set_threshold(*self._thresholds)
        if self._changed in self.session.on_change:
            self.session.on_change.remove(self._changed)

    def _prepare(self) -> None:
        """Compute states and extremes ahead, so that no page waits for them (worker thread)."""
        for series in list(self.desk.channels.values()):
            if not self.is_running:
                return
            if len(series):
                _ = series.state
                series.index_at(0)
                self.desk.extremes.of(series)
        if self.is_running:
            _ = self.session.wire
        if self.is_running:
            _ = self.session.bench
            gc.freeze()

    def on_key(self, event: Key) -> None:
        """Take the last message away with the next key; look for garbage when no key comes for a while."""
        if self._idle is not None:
            self._idle.stop()
        self._idle = self.set_timer(_IDLE_S, self._collect)
        if isinstance(self.screen, DeskScreen) and event.key != "enter":
            self.screen.say("")

    def _collect(self) -> None:
        gc.collect()

    # Where to look

    def action_open(self, name: str) -> None:
        """Show a screen; one that is open already comes to the front."""
        kind = _SCREENS[name]
        self._say("")
        if any(type(screen) is kind for screen in self.screen_stack):
            while type(self.screen) is not kind:
                self.pop_screen()
            return
        if not self.is_screen_installed(name):
            # Kept while it is not shown: to make its widgets anew for each visit takes longer than to draw it.
            self.install_screen(kind(self.desk), name)
        self.push_screen(name)

    def action_keys(self) -> None:
        """Show all keys, those of the screen that is on top first."""
        asked_on = self.screen
        self.action_open("help")
        if isinstance(self.screen, HelpScreen) and isinstance(asked_on, DeskScreen):
            self.screen.begin_with(asked_on)

    def action_detail(self) -> None:
        """Show the chosen channel in detail."""
        if self.desk.chosen is not None:
            self.action_open("detail")

    async def action_back(self) -> None:
        """Go back to the screen below; on the pages, take filter and search off."""
        if not isinstance(self.screen, PagesScreen):
            self.pop_screen()
        elif self.desk.only_flagged or self.desk.find:
            self.desk.only_flagged, self.desk.find = False, ""
            self.screen.show_moment()

    def action_colours(self) -> None:
        """Change between light and dark colours."""
        self.theme = "textual-light" if self.current_theme.dark else "textual-dark"
        self._show_moment()

    # Time

    def action_play(self) -> None:
        """Play or pause."""
        self._stop_timer()
        self.desk.playhead.toggle()
        if self.desk.playhead.playing:
            self._timer = self.set_interval(1 / _REPAINTS, self._tick)
        self._show_moment()

    def _tick(self) -> None:
        self.desk.playhead.tick()
        if not self.desk.playhead.playing:
            self._stop_timer()
        self._show_moment()

    def _stop_timer(self) -> None:
        if self._timer is not None:
            self._timer.stop()
            self._timer = None

    def action_step(self, direction: int) -> None:
        """Go one cycle on or back: one sample of the chosen channel; where there is none, one frame."""
        desk = self.desk
        self._pause()
        desk.playhead.go_to(step_from(desk.chosen, desk.channels, desk.now_ns, direction))
        self._show_moment()

    def action_frame(self, direction: int) -> None:
        """Go one frame on or back, whatever its identifier; frames of one stamp are one step."""
        desk = self.desk
        self._pause()
        desk.playhead.go_to(step_from(None, desk.channels, desk.now_ns, direction))
        self._say(frame_words(desk.channels, desk.now_ns))
        self._show_moment()

    def action_leap(self, direction: int) -> None:
        """Go ten seconds on or back."""
        self.desk.playhead.go_to(self.desk.now_ns + direction * int(_LEAP_S * 1e9))
        self._show_moment()

    def action_speed(self, by: int) -> None:
        """Play faster or slower."""
        self.desk.playhead.change_speed(by)
        self._show_moment()

    def action_go_to(self) -> None:
        """Ask for a time and go there."""
        desk = self.desk

        def go(text: str | None) -> None:
            if not text:
                return
            total_s = (desk.playhead.last_ns - desk.channels.first_ns) / 1e9
            try:
                time_s = time_from_words(text, desk.now_s, total_s)
            except UsageError as error:
                self._say(str(error), trouble=True)
                return
            desk.playhead.go_to(desk.channels.first_ns + round(min(max(time_s, -1e9), 1e9) * 1e9))
            self._show_moment()

        self.push_screen(AskText("Go to (41.2, 1:02:03, 50 %, +5, -5)"), go)

    def action_to_end(self) -> None:
        """Go to the end; of a capture that goes on, the moment goes along from there."""
        self._pause()
        self.desk.playhead.go_to(self.desk.playhead.last_ns)
        self._show_moment()

    def action_finding(self, direction: int) -> None:
        """Go to the next or previous finding in time."""
        number = self.desk.neighbour(direction)
        if number is None:
            self._say(f"no {'later' if direction > 0 else 'earlier'} finding")
            return
        finding = self.desk.jump(number)
        text = printable(finding.explanation, 300)
        self._say(f"{severity_words(finding.severity)} {finding.code} · {self.desk.place_of(finding)} · {text}")
        self._show_moment()

    def action_window(self) -> None:
        """Look back over a longer time."""
        self.desk.next_window()
        seconds = self.desk.history_s
        self._say(f"looking back over {'the whole capture' if seconds is None else f'{seconds:.0f} s'}")
        self._show_moment()

    # What the user adds

    def action_mark_channel(self) -> None:
        """Ask for a note on the chosen channel at this moment."""
        series = self.desk.chosen
        if series is None:
            self._say("no channel is chosen; M notes the moment", trouble=True)
            return
        self._ask_note(series.channel.name)

    def action_mark_moment(self) -> None:
        """Ask for a note on this moment of the whole pack."""
        self._ask_note(None)

    def _ask_note(self, channel: str | None) -> None:
        time_s = round(self.desk.now_s, 6)
        what = "the pack" if channel is None else printable(channel, 60)
        self._pause()

        def keep(answer: tuple[str, Severity] | None) -> None:
            if answer is not None:
                note = Note(answer[0], channel, time_s, answer[1])
                self._in_thread("keeping the note …", lambda: self.session.add_note(note), "note kept")

        self.push_screen(AskNote(f"{what} at {time_words(time_s)}"), keep)

    def action_limits(self) -> None:
        """Ask for limits of the chosen channel."""
        series = self.desk.chosen
        if series is None:
            self._say("no channel is chosen", trouble=True)
            return
        name = series.channel.name

        def keep(answer: tuple[float | None, float | None] | None) -> None:
            if answer is not None and answer != (None, None):
                done = "limits kept in the pack sheet, all judged anew"
                self._in_thread("judging anew …", lambda: self.session.set_limit(name, *answer), done)

        low, high = self.session.limits_now(name)
        unit = printable(series.channel.quantity_unit, 8)
        self.push_screen(AskLimits(printable(name, 60), unit, low, high), keep)

    def action_take_back(self) -> None:
        """Take back the chosen finding, if it is a note of the user."""
        findings = self.desk.findings
        number = self.desk.finding or 0
        if number >= len(findings) or findings[number].code != USER_FLAG:
            self._say("only a note of yours can be taken back", trouble=True)
            return
        finding = findings[number]
        self._in_thread("taking the note back …", lambda: self.session.remove_note(finding), "note taken back")

    def _changed(self) -> None:
        """Show the session's new state; called from the thread that changed it."""
        self.call_later(self._show_changed)

    def _show_changed(self) -> None:
        if self.desk.go_on() and self.session.live is not None:
            self._say("the moment you looked at is no longer shown, only what came later · E: to the end")
        self._show_moment()
        if self.session.live is None:
            self.run_worker(self._prepare, thread=True, group="prepare")
        elif self._trouble != self.session.live.trouble:
            self._trouble = self.session.live.trouble
            self._say(self._trouble, trouble=bool(self._trouble))

    def _hear(self, news: tuple[Finding, ...]) -> None:
        """Tell what is new; called from the thread that found it."""
        self.call_later(self._tell_news, news)

    def _tell_news(self, news: tuple[Finding, ...]) -> None:
        """Say what was found since the last judgement, and ring if asked."""
        gravest = max(news, key=lambda finding: finding.severity)
        more = f" · and {len(news) - 1} more" if len(news) > 1 else ""
        words = f"{severity_words(gravest.severity)} {gravest.code} {self.desk.place_of(gravest)}".rstrip()
        self._say(f"new: {words}{more} · {printable(gravest.explanation, 300)}")
        if self.rings:
            self.bell()

    def _pause(self) -> None:
        """Stop playing."""
        if self.desk.playhead.playing:
            self.action_play()

    def _play_on(self) -> None:
        """Play."""
        if not self.desk.playhead.playing:
            self.action_play()


def run(session: Session, feed: LiveFeed | None = None, *, bell: bool = False) -> None:
    """Show the screens until the user quits; `feed` brings what comes meanwhile, new findings ring the `bell`."""
    CellgleanApp(session, feed, bell=bell).run()
