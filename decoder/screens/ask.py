"""Small questions over a screen: a text, a note with its severity, a pair of limits."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, ClassVar, Final

from textual.binding import Binding
from textual.containers import Vertical
from textual.screen import ModalScreen
from textual.widgets import Input, Static

from decoder.judgement.finding import Severity
from decoder.screens.symbols import severity_words

if TYPE_CHECKING:
    from textual.app import ComposeResult
    from textual.binding import BindingType

_CSS: Final = """
{name} {{ align: center bottom; background: $background 40%; }}
{name} > Vertical {{
    height: auto; width: 100%; max-width: 100; background: $surface; padding: 0 1; border: round $accent;
}}
{name} Static {{ height: auto; width: 100%; }}
{name} Input, {name} Input:focus {{ border: none; height: 1; padding: 0; background: $boost; }}
"""
_LONGEST: Final = 400


class AskText(ModalScreen[str | None]):
    """Ask for one line of text; escape gives ``None``."""

    DEFAULT_CSS = _CSS.format(name="AskText")
    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape", "dismiss(None)")]

    def __init__(self, question: str, text: str = "") -> None:
        super().__init__()
        self.question = question
        self.text = text

    def compose(self) -> ComposeResult:
        """Put the question above the answer."""
        with Vertical():
            yield Static(self.question, markup=False)
            yield Input(self.text, max_length=_LONGEST, id="answer")
            yield Static("enter: take it · escape: leave it", markup=False)

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Give the text."""
        self.dismiss(event.value)


class AskNote(ModalScreen[tuple[str, Severity] | None]):
    """Ask for the text of a note and how grave it is."""

    DEFAULT_CSS = _CSS.format(name="AskNote")
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "dismiss(None)"),
        Binding("up", "graver(1)"),
        Binding("down", "graver(-1)"),
    ]

    def __init__(self, about: str) -> None:
        super().__init__()
        self.about = about
        self.severity = Severity.CAUTION

    def compose(self) -> ComposeResult:
        """Put what it is about above the text, and the severity below."""
        with Vertical():
            yield Static(f"Note that {self.about} is out of range. Your note:", markup=False)
            yield Input(max_length=_LONGEST, id="answer")
            yield Static(self._severity_line(), markup=False, id="severity")

    def _severity_line(self) -> str:
        return f"{severity_words(self.severity)} (up, down: change) · enter: keep it · escape: leave it"

    def action_graver(self, by: int) -> None:
        """Take the next graver (1) or milder (-1) severity."""
        self.severity = Severity(min(max(self.severity + by, Severity.NOTICE), Severity.DANGER))
        self.query_one("#severity", Static).update(self._severity_line())

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Give text and severity."""
        self.dismiss((event.value.strip() or "out of range", self.severity))


class AskLimits(ModalScreen[tuple[float | None, float | None] | None]):
    """Ask for the limits of a channel; what is left as it was or empty is given as ``None``."""

    DEFAULT_CSS = _CSS.format(name="AskLimits")
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "dismiss(None)"),
        Binding("up", "app.focus_previous"),
        Binding("down", "app.focus_next"),
    ]

    def __init__(self, name: str, unit: str, low: float | None, high: float | None) -> None:
        super().__init__()
        self.channel_name = name
        self.unit = unit
        self.before = ["" if limit is None else f"{limit:.6g}" for limit in (low, high)]

    def compose(self) -> ComposeResult:
        """Put both limits below each other."""
        unit = f" in {self.unit}" if self.unit else ""
        with Vertical():
            yield Static(f"Limits of {self.channel_name}{unit}. Low limit:", markup=False)
            yield Input(self.before[0], max_length=40, id="low")
            yield Static("High limit:", markup=False)
            yield Input(self.before[1], max_length=40, id="high")
            yield Static(
                "tab: the other one · enter: write to the pack sheet · escape: leave it",
                markup=False,
                id="hint",
            )

    def on_input_submitted(self) -> None:
        """Give the limits that were changed; stay where one is not a number."""
        texts = [self.query_one(f"#{end}", Input).value.strip() for end in ("low", "high")]
        try:
            low, high = (_limit(text, before) for text, before in zip(texts, self.before, strict=True))
        except ValueError as error:
            self.query_one("#hint", Static).update(f"! {error}")
            return
        self.dismiss((low, high))


def _limit(text: str, before: str) -> float | None:
    """Read one limit. Raises `ValueError` with what is wrong."""
    if text == before:
        return None
    if not text:
        raise ValueError("a limit cannot be taken away here: write another one, or edit the pack sheet")
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise ValueError(f"'{text}' is no number; expected one such as 4.15")
    return value
