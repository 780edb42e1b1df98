"""Marks and the loop by keys: setting, going from mark to mark, taking back, playing between two of them."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from textual.app import App
from textual.binding import Binding

from decoder.errors import CellgleanError, UsageError
from decoder.printable import printable
from decoder.screens.ask import AskText
from decoder.screens.frame import DeskScreen
from decoder.screens.playhead import loop_around, neighbour_moment
from decoder.screens.symbols import time_words

if TYPE_CHECKING:
    from collections.abc import Callable

    from textual.binding import BindingType

    from decoder.discovery.marks import Mark
    from decoder.screens.desk import Desk
    from decoder.screens.mark_book import MarkBook

_LONGEST_SHOWN = 60


class MarkingApp(App[None]):
    """The part of the screens that keeps marks; `mark` is the one last set or gone to, `end` one end of a loop."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("h", "mark"),
        Binding("H", "take_mark_back"),
        Binding("right_parenthesis", "to_mark(1)"),
        Binding("left_parenthesis", "to_mark(-1)"),
        Binding("z", "loop"),
        Binding("Z", "loop_end"),
    ]

    desk: Desk
    mark: Mark | None = None
    end: Mark | None = None

    @property
    def book(self) -> MarkBook:
        """The marks of the capture shown."""
        return self.desk.session.mark_book

    def action_mark(self) -> None:
        """Ask what was done at this moment; playing goes on when that is answered."""
        head, book = self.desk.playhead, self.book
        head.tick()
        moment_ns, was_playing = head.now_ns, head.playing
        self._pause()

        def keep(label: str | None) -> None:
            if label is not None:
                try:
                    mark = book.new(moment_ns, label)
                except UsageError as error:
                    self._say(str(error), trouble=True)
                else:
                    self.mark = mark
                    self._in_thread("keeping the mark …", lambda: book.add(mark), f"marked: {self._words(mark)}")
            if was_playing:
                self._play_on()

        # What is done several times has one label: the last one stands there, and typing replaces it.
        label = self.mark.label if self.mark is not None else ""
        self.push_screen(AskText(f"What was done or happened at {self._at(moment_ns)}?", label), keep)

    def action_to_mark(self, direction: int) -> None:
        """Go to the next or previous mark."""
        book, head = self.book, self.desk.playhead
        # A file of marks may hold some of before or after what is shown.
        shown = [mark for mark in book.marks if head.first_ns <= book.moment_ns(mark) <= head.last_ns]
        head.tick()
        number = neighbour_moment([book.moment_ns(mark) for mark in shown], head.now_ns, direction)
        if number is None:
            self._say(f"no {'later' if direction > 0 else 'earlier'} mark" if shown else "no marks: h sets one")
            return
        self.mark = shown[number]
        head.go_to(book.moment_ns(self.mark))
        self._say(self._words(self.mark))
        self._show_moment()

    def action_take_mark_back(self) -> None:
        """Take back the mark that was last set or gone to."""
        mark, book = self.mark, self.book
        if mark is None or mark not in book.marks:
            self._say("go to a mark first: ( and ) go from mark to mark", trouble=True)
            return
        self.mark = None
        self._in_thread("taking the mark back …", lambda: book.remove(mark), f"taken back: {self._words(mark)}")

    def action_loop(self) -> None:
        """Play from the mark before this moment to the one after it over and over; end that."""
        head = self.desk.playhead
        self.end = None
        if head.loop is not None:
            head.set_loop(None)
            self._say("the loop is ended")
        elif (loop := loop_around(self.book.moments_ns, head)) is not None:
            self._play_loop(loop)
        self._show_moment()

    def action_loop_end(self) -> None:
        """Take the mark gone to as one end of a loop, the next time as the other one."""
        mark, book = self.mark, self.book
        if mark is None or mark not in book.marks:
            self._say("go to a mark first: ( and ) go from mark to mark", trouble=True)
            return
        if self.end is None or book.moment_ns(self.end) == book.moment_ns(mark):
            self.end = mark
            self._say(f"one end of the loop: {self._words(mark)}; go to the other one with ( or ) and press Z")
            return
        first_ns, last_ns = sorted((book.moment_ns(self.end), book.moment_ns(mark)))
        self.end = None
        self._play_loop((first_ns, last_ns))
        self._show_moment()

    def _play_loop(self, loop: tuple[int, int]) -> None:
        self.desk.playhead.set_loop(loop)
        start, end = (self._at(moment_ns) for moment_ns in loop)
        how = "" if self.desk.playhead.playing else "space plays it, "
        self._say(f"loop from {start} to {end}; {how}z ends it")

    def _at(self, moment_ns: int) -> str:
        """Write a moment as the timeline does: from the first frame that is shown."""
        return time_words((moment_ns - self.desk.channels.first_ns) / 1e9)

    def _words(self, mark: Mark) -> str:
        return f"{printable(mark.label, _LONGEST_SHOWN)} at {self._at(self.book.moment_ns(mark))}"

    # What every action uses

    def _pause(self) -> None:
        """Stop playing."""
        raise NotImplementedError

    def _play_on(self) -> None:
        """Play."""
        raise NotImplementedError

    def _show_moment(self) -> None:
        """Draw the moment anew."""
        if isinstance(self.screen, DeskScreen):
            self.screen.show_moment()

    def _say(self, text: str, *, trouble: bool = False) -> None:
        """Show a message."""
        if isinstance(self.screen, DeskScreen):
            self.screen.say(text, trouble=trouble)

    def _in_thread(self, doing: str, work: Callable[[], str | None], done: str) -> None:
        """Do `work` beside the screens: a word while it runs, then what came of it."""
        self._say(doing)

        def run() -> None:
            try:
                trouble = work()
            except CellgleanError as error:
                trouble = str(error)
            self.call_from_thread(self._done, trouble or done, trouble=trouble is not None)

        self.run_worker(run, thread=True, group="session")

    def _done(self, text: str, *, trouble: bool) -> None:
        self._say(text, trouble=trouble)
        self._show_moment()
