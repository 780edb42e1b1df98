"""Widgets drawn line by line from plain text: only the lines on screen are made, and nothing is read as markup."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import groupby
from typing import TYPE_CHECKING, ClassVar

from rich.cells import cell_len as _cell_len
from rich.cells import set_cell_size
from rich.segment import Segment
from rich.style import Style
from textual.strip import Strip
from textual.widget import Widget

from decoder.channels import State
from decoder.judgement.finding import Severity

if TYPE_CHECKING:
    from collections.abc import Sequence

Part = tuple[str, str]

# Inks beside the plain one. Each stands beside a symbol or a word that says the same.
INKS = (
    "dim",
    "strong",
    "head",
    "key",
    "low",
    "high",
    "old",
    "notice",
    "caution",
    "warning",
    "danger",
    "user",
)
STATE_INKS = {
    State.OK: "plain",
    State.STUCK: "old",
    State.LOW: "low",
    State.HIGH: "high",
    State.STALE: "old",
    State.ABSENT: "old",
}
SEVERITY_INKS = {severity: severity.word for severity in Severity}


def cell_len(text: str) -> int:
    """Give the columns that `text` takes in a terminal."""
    return _cell_len(text)


@dataclass(frozen=True, slots=True)
class Line:
    """One line of text parts, each with its ink; `chosen` lines stand out over their whole width."""

    parts: tuple[Part, ...] = ()
    chosen: bool = False


def line(*parts: Part | str, chosen: bool = False) -> Line:
    """Make a line of text parts; bare text is plain."""
    return Line(tuple((part, "plain") if isinstance(part, str) else part for part in parts), chosen)


def fitted(text: str, width: int, *, right: bool = False) -> str:
    """Cut or fill `text` to exactly `width` columns; a cut ends in an ellipsis."""
    length = cell_len(text)
    if length > width:
        return set_cell_size(text, width - 1) + "…" if width > 0 else ""
    return " " * (width - length) + text if right else text + " " * (width - length)


def wrapped(text: str, width: int, most: int = 99) -> list[str]:
    """Break text into lines of at most `width` columns, at spaces where there are any; at most `most` lines."""
    lines: list[str] = []
    current = ""
    for word in text.split(" "):
        trial = f"{current} {word}" if current else word
        if cell_len(trial) <= width:
            current = trial
            continue
        if current:
            lines.append(current)
        current = word
        while cell_len(current) > width > 0:
            head = set_cell_size(current, width)
            lines.append(head)
            current = current[len(head.rstrip()) or 1 :]
    lines.append(current)
    if len(lines) > most:
        lines = [*lines[: most - 1], fitted(" ".join(lines[most - 1 :]), width)]
    return lines


class LineView(Widget):
    """A widget whose lines are made by `lines_for` when it is next painted after `redraw`."""

    COMPONENT_CLASSES: ClassVar[set[str]] = {f"ink--{name}" for name in (*INKS, "chosen")}
    DEFAULT_CSS = """
    LineView { width: 1fr; height: 1fr; }
    LineView > .ink--dim { color: $foreground 65%; }
    LineView > .ink--strong { text-style: bold; }
    LineView > .ink--head { color: $text-primary; text-style: bold; }
    LineView > .ink--key { color: $text-accent; text-style: bold; }
    LineView > .ink--low { color: $text-accent; text-style: bold; }
    LineView > .ink--high { color: $text-error; text-style: bold; }
    LineView > .ink--old { color: $foreground 75%; text-style: italic; }
    LineView > .ink--notice { color: $text-primary; }
    LineView > .ink--caution { color: $text-warning; }
    LineView > .ink--warning { color: $text-warning; text-style: bold; }
    LineView > .ink--danger { color: $text-error; text-style: bold; }
    LineView > .ink--user { color: $text-success; }
    LineView > .ink--chosen { background: $primary 25%; text-style: bold; }
    """

    _lines: Sequence[Line] | None = None

    def __init__(self, *, id: str | None = None) -> None:  # noqa: A002  (textual's name)
        super().__init__(id=id)
        self._inks: dict[str, Style] = {}

    def lines_for(self, width: int, height: int) -> Sequence[Line]:
        """Make the lines to show in a room of `width` x `height` characters; further ones are not shown."""
        raise NotImplementedError

    def redraw(self) -> None:
        """Make the lines anew at the next paint; any number of calls before it cost one."""
        self._lines = None
        self.refresh()

    def on_resize(self) -> None:
        """Fit the lines to the new size."""
        self.redraw()

    def render_line(self, y: int) -> Strip:
        """Paint one line."""
        width = self.size.width
        if self._lines is None:
            self._lines = self.lines_for(width, self.size.height)
        base = self.rich_style
        if y >= len(self._lines):
            return Strip.blank(width, base)
        shown = self._lines[y]
        if shown.chosen:
            base += self._ink("chosen")
        # Neighbours in the same ink are painted as one.
        runs = [
            ("".join(text for text, _ in parts), ink) for ink, parts in groupby(shown.parts, key=lambda part: part[1])
        ]
        segments = [Segment(text, base if ink == "plain" else base + self._ink(ink)) for text, ink in runs if text]
        return Strip(segments).adjust_cell_length(width, base)

    def notify_style_update(self) -> None:
        """Mix the inks anew when colours change."""
        self._inks = {}
        super().notify_style_update()

    def _ink(self, name: str) -> Style:
        ink = self._inks.get(name)
        if ink is None:
            styles = self.get_component_styles(f"ink--{name}")
            ground = self.background_colors[1]
            # Terminals know no half-transparent colours: they are mixed with the ground here.
            color = (ground + styles.color).rich_color if styles.has_rule("color") else None
            bgcolor = (ground + styles.background).rich_color if styles.has_rule("background") else None
            ink = self._inks[name] = Style(color=color, bgcolor=bgcolor) + styles.text_style
        return ink
