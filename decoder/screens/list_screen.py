"""Screens that are a list: moving, turning pages, finding, reading the chosen one in full, and leaving step by step."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar, Protocol

from textual.binding import Binding

from decoder.screens.ask import AskText
from decoder.screens.frame import LIST_BINDINGS, DeskScreen, DeskView

if TYPE_CHECKING:
    from collections.abc import Iterable

    from textual.binding import BindingType
    from textual.widget import Widget

    from decoder.screens.desk import Desk


class Listed(Protocol):
    """A list with what is chosen, sought and filtered."""

    find: str

    @property
    def narrowed(self) -> bool:
        """Whether a filter or a search is on."""

    def move(self, by: int) -> None:
        """Choose another row."""

    def widen(self) -> None:
        """Take filter and search off."""


class ListView(DeskView):
    """The list, and the chosen one in full: below it, or on the whole screen."""

    def __init__(self, desk: Desk, *, id: str | None = None) -> None:  # noqa: A002
        super().__init__(desk, id=id)
        self.whole = False
        self.top = 0  # first line that shows of one in full

    @property
    def page_rows(self) -> int:
        """How many rows of the list show at once."""
        raise NotImplementedError


class ListScreen(DeskScreen):
    """A list whose rows are computed when the screen is first shown, beside it."""

    QUESTION: ClassVar[str] = ""  # asked for what the rows must hold
    BINDINGS: ClassVar[list[BindingType]] = [
        *LIST_BINDINGS,
        Binding("slash", "find"),
        Binding("v", "whole"),
        Binding("escape", "leave"),
    ]

    def __init__(self, desk: Desk, listed: Listed, view: ListView) -> None:
        super().__init__(desk)
        self._listed = listed
        self.view = view
        self._preparing = False

    @property
    def ready(self) -> bool:
        """Whether the rows are there without waiting."""
        raise NotImplementedError

    def prepare(self) -> None:
        """Compute the rows (worker thread)."""
        raise NotImplementedError

    def chosen_changed(self) -> None:
        """Do what goes with choosing another row."""

    def own_part(self) -> Iterable[Widget]:
        """Give the one view."""
        return (self.view,)

    def show_moment(self) -> None:
        """Draw anew; have the rows computed where they are not yet."""
        if not self.ready and not self._preparing:
            self._preparing = True
            self.run_worker(self._prepare, thread=True, group="list")
        super().show_moment()

    def _prepare(self) -> None:
        try:
            self.prepare()
        finally:
            self._preparing = False
        if self.app.is_running:
            self.app.call_from_thread(self.show_moment)

    def action_move(self, by: int) -> None:
        """Choose another row."""
        if self.ready:
            self._listed.move(by)
            self.view.top = 0
            self.chosen_changed()
            self.show_moment()

    def action_page(self, direction: int) -> None:
        """Turn a page of the list, or of the one in full."""
        if self.view.whole:
            self.view.top = max(self.view.top + direction * max(self.view.size.height - 1, 1), 0)
            self.view.redraw()
        elif self.ready:
            self.action_move(direction * max(self.view.page_rows, 1))

    def action_find(self) -> None:
        """Ask for what a row must hold."""

        def look(text: str | None) -> None:
            if text is not None:
                self._listed.find = text.strip()
                self.show_moment()

        self.app.push_screen(AskText(self.QUESTION, self._listed.find), look)

    def action_whole(self) -> None:
        """Show the chosen one in full, or the list again."""
        self.view.whole, self.view.top = not self.view.whole, 0
        self.show_moment()

    def action_leave(self) -> None:
        """Go back: from one in full to the list, from a filter to all, from all to the screen below."""
        if self.view.whole:
            self.view.whole = False
        elif self._listed.narrowed:
            self._listed.widen()
        else:
            self.app.pop_screen()
            return
        self.show_moment()
