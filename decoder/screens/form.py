"""Several answers asked for at once over a screen, each on a line, with what they lead to below them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar, Final

from textual.binding import Binding
from textual.containers import Horizontal, Vertical
from textual.screen import ModalScreen
from textual.widgets import Input, Static

from decoder.errors import CellgleanError

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from textual.app import ComposeResult
    from textual.binding import BindingType

    Answers = Mapping[str, str]

_LONGEST: Final = 400


@dataclass(frozen=True, slots=True)
class Asked:
    """One line: the key of the answer, what is asked, what stands there at first, and how an answer looks."""

    key: str
    word: str
    text: str = ""
    example: str = ""


class Form(ModalScreen["Answers | None"]):
    """Ask for several texts; escape gives ``None``.

    says : what the answers lead to, in words; raises `CellgleanError` where they cannot be, and they are not given then
    """

    DEFAULT_CSS = """
    Form { align: center bottom; background: $background 40%; }
    Form > Vertical {
        height: auto; max-height: 100%; width: 100%; max-width: 100; background: $surface; padding: 0 1;
        border: round $accent; overflow-y: auto;
    }
    Form Static { height: auto; width: 100%; }
    Form Horizontal { height: 1; width: 100%; }
    Form .word { width: 26; }
    Form Input, Form Input:focus { border: none; height: 1; padding: 0; width: 1fr; background: $boost; }
    Form Input:focus { background: $primary 40%; }
    Form #says { height: 2; color: $text-primary; }
    Form #says.wrong { color: $text-warning; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "dismiss(None)"),
        Binding("up", "app.focus_previous"),
        Binding("down", "app.focus_next"),
    ]

    def __init__(self, question: str, asked: Sequence[Asked], says: Callable[[Answers], str]) -> None:
        super().__init__()
        self.question = question
        self.asked = asked
        self.says = says

    def compose(self) -> ComposeResult:
        """Put the lines below the question, and what they lead to below them."""
        with Vertical():
            yield Static(self.question, markup=False)
            for one in self.asked:
                with Horizontal():
                    yield Static(one.word, markup=False, classes="word")
                    yield Input(one.text, placeholder=one.example, max_length=_LONGEST, id=f"answer-{one.key}")
            yield Static("", markup=False, id="says")
            yield Static("↑↓: line · enter: take it all · escape: leave it", markup=False)

    def on_mount(self) -> None:
        """Say what the first answers lead to."""
        self._say()

    def answers(self) -> Answers:
        """Give what stands in the lines."""
        return {one.key: self.query_one(f"#answer-{one.key}", Input).value.strip() for one in self.asked}

    def on_input_changed(self) -> None:
        """Say what the answers lead to now."""
        self._say()

    def on_input_submitted(self) -> None:
        """Give the answers; stay where they cannot be."""
        if self._say():
            self.dismiss(self.answers())

    def _say(self) -> bool:
        try:
            text, is_good = self.says(self.answers()), True
        except CellgleanError as error:
            text, is_good = "! " + str(error).replace("\n", " · "), False
        says = self.query_one("#says", Static)
        says.set_class(not is_good, "wrong")
        says.update(text)
        return is_good
