"""One channel: its history with limits, and the frame and bits that its value comes from."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from textual.binding import Binding

from decoder.printable import printable
from decoder.screens.facts import facts_of
from decoder.screens.frame import DeskScreen, DeskView
from decoder.screens.ink import SEVERITY_INKS, Line, Part, fitted, line, wrapped
from decoder.screens.plot import plot
from decoder.screens.rows import moment_of
from decoder.screens.symbols import severity_words, time_words

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from textual.binding import BindingType
    from textual.widget import Widget

    from decoder.channels import Series

_LABEL = 10
_WORD = 8
_SHORTEST_PLOT = 5


class Detail(DeskView):
    """The chosen channel."""

    def lines_for(self, width: int, height: int) -> Sequence[Line]:
        """Put the heading, the picture and the facts below each other; the picture takes the room that is left."""
        series = self.desk.chosen
        if series is None:
            return [line(), line("  No channel is chosen.")]
        below = self._facts(series, width)
        room = height - 1 - len(below)
        picture = self._picture(series, width, max(room, _SHORTEST_PLOT))
        return [self._heading(series, width), *picture, *below]

    def _heading(self, series: Series, width: int) -> Line:
        desk, channel = self.desk, series.channel
        quantity = channel.quantity or "quantity not known"
        where = ""
        if desk.channels.sheet is not None and channel.place.module is not None:
            where = desk.channels.sheet.where_in_case(channel.place.module) or ""
        name = printable(channel.name, 60)
        rest = f" · {quantity} · {printable(str(channel.place), 40)}" + (f" · {printable(where, 80)}" if where else "")
        return line((f" {name}", "head"), fitted(rest, max(width - len(name) - 1, 0)))

    def _picture(self, series: Series, width: int, rows: int) -> list[Line]:
        desk, head = self.desk, self.desk.playhead
        if desk.history_s is None:
            from_ns, to_ns = head.first_ns - 1, head.last_ns
        else:
            from_ns, to_ns = head.now_ns - int(desk.history_s * 1e9), head.now_ns
        drawn = plot(
            series,
            from_ns,
            max(to_ns, from_ns + 1),
            head.now_ns,
            desk.channels.first_ns,
            (width - _LABEL - 2, rows - 1),
        )
        lines = []
        for label, text in zip(drawn.labels, drawn.lines, strict=True):
            ink = "high" if label.startswith("▲") else "low" if label.startswith("▼") else "dim"
            lines.append(line((fitted(label, _LABEL, right=True), ink), ("│", "dim"), text))
        lines.append(line((" " * (_LABEL + 1) + drawn.axis, "dim")))
        self.remarks = drawn.remarks
        return lines

    def _facts(self, series: Series, width: int) -> list[Line]:
        desk = self.desk
        moment = moment_of(series, desk.now_ns)
        extremes = desk.extremes.at(series, moment.index)
        lines = []
        for fact in facts_of(desk.channels, series.channel.name, desk.now_ns, extremes):
            if fact.word in {"", "payload", "bits"}:
                ink = "dim" if not fact.word else "strong"
                lines.append(line((fact.word.rjust(_WORD) + "  ", "head"), (fitted(fact.text, width - 10), ink)))
                continue
            for number, part in enumerate(wrapped(fact.text, width - _WORD - 3, 3)):
                lines.append(line(((fact.word if not number else "").rjust(_WORD) + "  ", "head"), part))
        lines += self._findings(series, width)
        return lines

    def _findings(self, series: Series, width: int) -> list[Line]:
        """Give the gravest findings about this channel."""
        name = series.channel.name
        about = [finding for finding in self.desk.findings if name in (finding.channel, *finding.channels)]
        lines = []
        for number, finding in enumerate(about[:3]):
            since = time_words((finding.from_ns - self.desk.channels.first_ns) / 1e9)
            more = f" · and {len(about) - 3} more" if number == 2 and len(about) > 3 else ""
            word: Part = (("finding" if not number else "").rjust(_WORD) + "  ", "head")
            text = f"{severity_words(finding.severity)} {finding.code} from {since}"
            if finding.code == "user-flag":
                text += f": {printable(finding.explanation, 100)}"
            lines.append(line(word, (fitted(text + more, width - _WORD - 3), SEVERITY_INKS[finding.severity])))
        return lines


class DetailScreen(DeskScreen):
    """A channel's detail."""

    KEYS = (
        ("esc", "back"),
        ("↑↓", "channel"),
        (", .", "sample"),
        ("space", "play"),
        ("w", "window"),
        ("m", "mark"),
        ("l", "limits"),
        ("?", "all keys"),
        ("n p", "finding"),
        ("g", "go to time"),
        ("f", "findings"),
        ("c", "cells"),
    )
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("up,left", "move(-1)"),
        Binding("down,right", "move(1)"),
    ]

    def own_part(self) -> Iterable[Widget]:
        """Give the one view."""
        return (Detail(self.desk, id="detail"),)

    def action_move(self, by: int) -> None:
        """Show the next channel of the same page."""
        self.desk.move(by)
        self.show_moment()
