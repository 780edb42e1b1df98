"""A list over a screen to choose from: arrows move, typed letters narrow it, enter takes the chosen one."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar, Final

from textual.binding import Binding
from textual.containers import Vertical
from textual.screen import ModalScreen
from textual.widgets import Static

from decoder.screens.ink import Line, LineView, fitted, line

if TYPE_CHECKING:
    from collections.abc import Sequence

    from textual.app import ComposeResult
    from textual.binding import BindingType
    from textual.events import Key

_BESIDE: Final = 6  # lines of the frame, the question, the hint
_LONGEST_SOUGHT: Final = 40


@dataclass(frozen=True, slots=True)
class Choice:
    """One line to choose: what it shows, and by what else it is found."""

    text: str
    also: str = ""

    def holds(self, sought: str) -> bool:
        """Tell whether it holds a text in lower case."""
        return sought in f"{self.text} {self.also}".casefold()


class ChoiceList(LineView):
    """The lines, as many as there is room for."""

    def __init__(self, choices: Sequence[Choice], row: int) -> None:
        super().__init__(id="choices")
        self.choices = choices
        self.sought = ""
        self.shown = list(range(len(choices)))
        self.row = row

    @property
    def number(self) -> int | None:
        """Which of all choices is chosen."""
        return self.shown[self.row] if self.shown else None

    def seek(self, sought: str) -> None:
        """Show only what holds a text; what was chosen stays chosen, if it shows."""
        chosen, self.sought = self.number, sought
        wanted = sought.casefold()
        self.shown = [number for number, one in enumerate(self.choices) if not wanted or one.holds(wanted)]
        self.row = self.shown.index(chosen) if chosen in self.shown else 0
        self.redraw()

    def move(self, by: int) -> None:
        """Choose another line."""
        self.row = min(max(self.row + by, 0), max(len(self.shown) - 1, 0))
        self.redraw()

    def lines_for(self, width: int, height: int) -> Sequence[Line]:
        """Give the lines around the chosen one."""
        if not self.shown:
            return [line(("  nothing fits; backspace takes letters off", "dim"))]
        first = min(max(self.row - height // 2, 0), max(len(self.shown) - height, 0))
        lines = []
        for row in range(first, min(first + height, len(self.shown))):
            is_chosen = row == self.row
            text = fitted(self.choices[self.shown[row]].text, max(width - 2, 0))
            lines.append(line((">" if is_chosen else " ", "strong"), f" {text}", chosen=is_chosen))
        return lines


class Choose(ModalScreen[int | None]):
    """Ask for one of several; gives its number, escape gives ``None``."""

    DEFAULT_CSS = """
    Choose { align: center bottom; background: $background 40%; }
    Choose > Vertical {
        height: auto; width: 100%; max-width: 120; background: $surface; padding: 0 1; border: round $accent;
    }
    Choose Static { height: auto; width: 100%; }
    Choose #note { color: $foreground 65%; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "dismiss(None)"),
        Binding("up", "move(-1)"),
        Binding("down", "move(1)"),
        Binding("pageup,left", "page(-1)"),
        Binding("pagedown,right", "page(1)"),
        Binding("home", "move(-1000000000)"),
        Binding("end", "move(1000000000)"),
        Binding("enter", "take"),
        Binding("backspace", "shorter"),
    ]

    def __init__(self, question: str, choices: Sequence[Choice], chosen: int = 0, note: str = "") -> None:
        super().__init__()
        self.question = question
        self.note = note
        self.listed = ChoiceList(choices, min(max(chosen, 0), max(len(choices) - 1, 0)))

    def compose(self) -> ComposeResult:
        """Put the question above the list, and what can be done below."""
        with Vertical():
            yield Static(self.question, markup=False, id="question")
            yield self.listed
            if self.note:
                yield Static(self.note, markup=False, id="note")
            yield Static("", markup=False, id="hint")

    def on_mount(self) -> None:
        """Fit the list to the terminal."""
        self._fit()
        self._tell()

    def on_resize(self) -> None:
        """Fit the list to the new size."""
        self._fit()

    def _fit(self) -> None:
        note = -(-len(self.note) // max(self.app.size.width - 6, 1)) if self.note else 0
        room = max(self.app.size.height - _BESIDE - note, 1)
        self.listed.styles.height = max(min(len(self.listed.choices), room), 1)

    def _tell(self) -> None:
        sought = self.listed.sought
        narrowed = f"holds '{sought}' · " if sought else "type to narrow · "
        self.query_one("#hint", Static).update(f"{narrowed}↑↓: choose · enter: take it · escape: leave it")

    def on_key(self, event: Key) -> None:
        """Take a typed letter into what is sought."""
        character = event.character
        if character is not None and character.isprintable() and len(self.listed.sought) < _LONGEST_SOUGHT:
            event.stop()
            self.listed.seek(self.listed.sought + character)
            self._tell()

    def action_shorter(self) -> None:
        """Take the last letter off."""
        self.listed.seek(self.listed.sought[:-1])
        self._tell()

    def action_move(self, by: int) -> None:
        """Choose another line."""
        self.listed.move(by)

    def action_page(self, direction: int) -> None:
        """Go on a pageful."""
        self.listed.move(direction * max(self.listed.size.height - 1, 1))

    def action_take(self) -> None:
        """Give the chosen one."""
        if self.listed.number is not None:
            self.dismiss(self.listed.number)
