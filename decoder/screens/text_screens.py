"""Screens of text to read: what the capture is, and all keys."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from textual.binding import Binding

from decoder.channels import State
from decoder.judgement.finding import Severity
from decoder.screens.account_lines import account_lines
from decoder.screens.desk import Same
from decoder.screens.frame import DeskScreen, DeskView
from decoder.screens.ink import Line, line, wrapped
from decoder.screens.symbols import severity_words, state_words

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from textual.binding import BindingType
    from textual.widget import Widget

    from decoder.screens.desk import Desk

# The keys that every screen has; before them stand the own ones of the screen that was on top.
KEY_LINES: tuple[tuple[str, str], ...] = (
    ("screens", ""),
    ("f", "list of findings"),
    ("c", "cells by module, with the spread of each module"),
    ("x", "questions and answers"),
    ("b", "what is on the bus: each identifier with its timing, changing bits and message"),
    ("i", "what the capture is: part numbers, lines, time faults, what the map does not know"),
    ("?", "this list; it begins with the keys of the screen that it was asked for on"),
    ("t", "light or dark colours"),
    ("q", "quit"),
    ("time", ""),
    ("space", "play, pause; at the end, playing begins anew"),
    (", .", "one cycle back, on: to the sample of the chosen channel before, to the next one"),
    ("; :", "one frame back, on, of any identifier"),
    ("< >", "ten seconds back, on"),
    ("- +", "slower, faster: 0.1 to 100 times real speed"),
    ("g", "go to a time: 41.2, 1:02:03, 50 %, +5, -5"),
    ("E", "go to the end (ctrl+end too); while the capture is written, the moment then goes on with it: live"),
    ("n p", "next, previous finding in time"),
    ("w", "look back over 10 s, 1 min, 10 min, the whole capture"),
    ("marks", ""),
    ("h", "mark what was done or happened at this moment, with a label; kept in ….marks.csv beside the capture"),
    ("( )", "previous, next mark"),
    ("H", "take back the mark last set or gone to"),
    ("z", "loop from the mark before this moment to the one after it, else to the capture's ends; again: end it"),
    ("Z", "the mark gone to is one end of a loop; go to another one and press it again"),
    ("yours", ""),
    ("m", "note that the chosen channel is out of range at this moment; it becomes a finding"),
    ("M", "the same for the whole pack"),
    ("l", "set limits of the chosen channel; they are written to the pack sheet"),
    ("u", "take back a note of yours, chosen on the list of findings"),
    ("symbols", ""),
    ("states", " ".join(state_words(state) + "," for state in State).rstrip(",")),
    ("severity", " ".join(severity_words(severity) + "," for severity in Severity).rstrip(",")),
    ("(3.712)", "a value in brackets is stale: it was not sent anew for five cycle times"),
)
_WORD = 12


class TextView(DeskView):
    """Lines of word and text, from `top` on."""

    top = 0
    _made: tuple[object, list[Line]] | None = None

    def words(self) -> Sequence[tuple[str, str]]:
        """Give the lines as (word, text)."""
        raise NotImplementedError

    def all_lines(self, width: int) -> list[Line]:
        """Give all lines, broken to the width; made once for each state of the capture."""
        key = (Same(self.desk.channels), Same(self.desk.session.judgement), width)
        if self._made is None or self._made[0] != key:
            made: list[Line] = []
            for word, text in self.words():
                if not text:
                    made += [line((f" {word}", "head"))] if not made else [line(), line((f" {word}", "head"))]
                    continue
                for number, part in enumerate(wrapped(text, width - _WORD - 4)):
                    made.append(line((f"  {'' if number else word:<{_WORD}} ", "key"), part))
            self._made = (key, made)
        return self._made[1]

    def forget(self) -> None:
        """Make the lines anew."""
        self._made = None

    def lines_for(self, width: int, height: int) -> Sequence[Line]:
        """Give the lines that are on screen; the last one tells if more follow."""
        lines = self.all_lines(width)
        self.top = max(0, min(self.top, len(lines) - height))
        shown = lines[self.top : self.top + height]
        left = len(lines) - self.top - height
        return [*shown[:-1], line((f"  ↓ {left + 1} more lines", "dim"))] if left > 0 else shown


class KeyList(TextView):
    """All keys."""

    own: Sequence[tuple[str, str]] = ()

    def words(self) -> Sequence[tuple[str, str]]:
        """Give a line a key."""
        return (*self.own, *KEY_LINES)


class AccountText(TextView):
    """What became of the capture."""

    def words(self) -> Sequence[tuple[str, str]]:
        """Give the account."""
        return account_lines(self.desk.session)


class TextScreen(DeskScreen):
    """A screen of text that is read up and down."""

    VIEW: ClassVar[type[TextView]] = KeyList
    KEYS = (("esc", "back"), ("↑↓", "line"), ("←→", "page"), ("q", "quit"))
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("up", "scroll_by(-1)"),
        Binding("down", "scroll_by(1)"),
        Binding("left,pageup", "scroll_page(-1)"),
        Binding("right,pagedown", "scroll_page(1)"),
        Binding("home", "scroll_by(-1000000000)"),
        Binding("end", "scroll_by(1000000000)"),
    ]

    def __init__(self, desk: Desk) -> None:
        super().__init__(desk)
        self.view = self.VIEW(desk, id="text")

    def own_part(self) -> Iterable[Widget]:
        """Give the one view."""
        return (self.view,)

    def action_scroll_by(self, by: int) -> None:
        """Move by lines."""
        self.view.top = max(0, self.view.top + by)
        self.view.redraw()

    def action_scroll_page(self, direction: int) -> None:
        """Move by a screenful."""
        self.action_scroll_by(direction * max(self.view.size.height - 1, 1))


class HelpScreen(TextScreen):
    """All keys."""

    def begin_with(self, screen: DeskScreen) -> None:
        """Put the own keys of a screen first, and show them; those of this screen say nothing new."""
        view = self.view
        if isinstance(view, KeyList) and screen is not self:
            view.own, view.top = screen.OWN_KEYS, 0
            view.forget()
            view.redraw()


class CaptureScreen(TextScreen):
    """What the capture is."""

    VIEW = AccountText
