"""Saving the work of the bench beside the screens, after every step; asking where its file was changed meanwhile."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from decoder.discovery.workbench.work_file import ChangedMeanwhileError
from decoder.screens.choose import Choice, Choose

if TYPE_CHECKING:
    from decoder.screens.bench_screen import BenchScreen

_OVER, _TAKE_UP = 0, 1
_CHOICES: Final = (
    Choice("write the work of this screen over the file"),
    Choice("take up the work that is in the file, and leave that of this screen"),
)


class Saver:
    """Writes the newest state; steps that come while it is written are written after it, all at once."""

    def __init__(self, screen: BenchScreen) -> None:
        self.screen = screen
        self._is_writing = False
        self._is_asking = False
        self._told = ""

    def soon(self) -> None:
        """Have the work saved."""
        if not self._is_writing:
            self._is_writing = True
            self.screen.run_worker(self._write, thread=True, group="bench-file")

    def last_time(self) -> None:
        """Save what is not saved yet, now."""
        session = self.screen.desk.session
        if session.bench_is_ready and not session.bench.is_saved:
            try:
                session.bench.save()
            except ChangedMeanwhileError:
                return  # asked before; the file stays as the other program wrote it

    def _write(self) -> None:
        bench, app = self.screen.bench, self.screen.app
        trouble: str | None = None
        try:
            while trouble is None and not bench.is_saved:
                trouble = bench.save()
        except ChangedMeanwhileError as error:
            if app.is_running:
                app.call_from_thread(self._ask, str(error))
            return
        finally:
            self._is_writing = False
        if not app.is_running:
            return
        if trouble is None and not bench.is_saved:
            app.call_from_thread(self.soon)  # a step came when the last look had been taken
        elif trouble is not None and trouble != self._told:
            self._told = trouble
            app.call_from_thread(self.screen.say, trouble, trouble=True)

    def _ask(self, what: str) -> None:
        if self._is_asking:
            return
        self._is_asking = True
        bench = self.screen.bench

        def decide(chosen: int | None) -> None:
            self._is_asking = False
            if chosen == _OVER:
                self.screen.say(bench.save(over=True) or "the work of this screen is in the file")
            elif chosen == _TAKE_UP:
                bench.open_file()
                self.screen.say(bench.trouble or "the work of the file is taken up", trouble=bench.trouble is not None)
                self.screen.choose_something()
                self.screen.show_moment()
            else:
                self.screen.say("not saved; the next step asks again", trouble=True)

        self.screen.app.push_screen(Choose(what.replace("\n", " · "), _CHOICES), decide)
