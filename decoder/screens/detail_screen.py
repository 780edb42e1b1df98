"""One channel: its history with limits, and the frame and bits that its value comes from."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from textual.binding import Binding

from decoder.printable import printable
from decoder.screens.cells import in_case
from decoder.screens.facts import Fact, facts_of
from decoder.screens.frame import DeskScreen, DeskView
from decoder.screens.ink import SEVERITY_INKS, Line, Part, cell_len, fitted, line, wrapped
from decoder.screens.plot import plot
from decoder.screens.session import USER_FLAG
from decoder.screens.symbols import severity_words, time_words

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from textual.binding import BindingType
    from textual.widget import Widget

    from decoder.channels import Series

_LABEL = 10
_WORD = 8
_LOWEST_PLOT = 6
_MOST_FINDINGS = 3


class Detail(DeskView):
    """The chosen channel."""

    def lines_for(self, width: int, height: int) -> Sequence[Line]:
        """Put the heading, the picture and the facts below each other; the picture takes the room that is left."""
        series = self.desk.chosen
        if series is None:
            return [line(), line("  No channel is chosen.")]
        so_far, show_vin = self._so_far(series), self.desk.session.show_vin
        facts = facts_of(self.desk.channels, series.channel.name, self.desk.now_ns, so_far, show_vin=show_vin)
        findings = self._findings(series, width)
        # Where there is little room, what says least about the moment is left out, before the picture gets too low.
        below = [*self._fact_lines(facts, width), *findings]
        for word in ("comment", "taken as", "so far"):
            if height - 1 - len(below) >= _LOWEST_PLOT:
                break
            facts = tuple(fact for fact in facts if fact.word != word)
            below = [*self._fact_lines(facts, width), *findings]
        room = max(height - 1 - len(below), _LOWEST_PLOT)
        picture = self._picture(series, width, room)
        return [self._heading(series, width), *picture, *below]

    def _so_far(self, series: Series) -> tuple[float, float]:
        return self.desk.extremes.at(series, series.index_at(self.desk.now_ns))

    def _heading(self, series: Series, width: int) -> Line:
        """Tell what it is and where it sits, as fully as fits."""
        channel, sheet = series.channel, self.desk.channels.sheet
        name = f" {printable(channel.name, 60)}"
        quantity = f" · {channel.quantity or 'quantity not known'}"
        place = f" · {printable(str(channel.place), 40)}"
        module = channel.place.module
        where = sheet.where_in_case(module) if sheet is not None and module is not None else None
        long = f" · {printable(where, 80)}" if where else ""
        room = max(width - cell_len(name), 0)
        rests = (quantity + place + long, quantity + place + in_case(sheet, module), place)
        return line((name, "head"), fitted(next((one for one in rests if cell_len(one) <= room), place), room))

    def _picture(self, series: Series, width: int, rows: int) -> list[Line]:
        desk, head = self.desk, self.desk.playhead
        if desk.history_s is None:
            from_ns, to_ns = head.first_ns - 1, head.last_ns
        else:
            from_ns, to_ns = head.now_ns - int(desk.history_s * 1e9), head.now_ns
        size = (width - _LABEL - 2, rows - 1)
        drawn = plot(series, from_ns, max(to_ns, from_ns + 1), head.now_ns, desk.channels.first_ns, size)
        lines = []
        for label, text in zip(drawn.labels, drawn.lines, strict=True):
            ink = "high" if label.startswith("▲") else "low" if label.startswith("▼") else "dim"
            lines.append(line((fitted(label, _LABEL, right=True), ink), ("│", "dim"), text))
        lines.append(line((" " * (_LABEL + 1) + drawn.axis, "dim")))
        return lines

    def _fact_lines(self, facts: Sequence[Fact], width: int) -> list[Line]:
        lines = []
        room = width - _WORD - 1
        for fact in facts:
            if fact.word in {"", "payload", "bits"}:
                ink = "dim" if not fact.word else "strong"
                lines.append(line((fact.word.rjust(_WORD) + " ", "head"), (fitted(fact.text.rstrip(), room), ink)))
                continue
            for number, part in enumerate(wrapped(fact.text, room, 3)):
                lines.append(line(((fact.word if not number else "").rjust(_WORD) + " ", "head"), part))
        return lines

    def _findings(self, series: Series, width: int) -> list[Line]:
        """Give the gravest findings about this channel."""
        name = series.channel.name
        about = [finding for finding in self.desk.findings if name in (finding.channel, *finding.channels)]
        lines = []
        for number, finding in enumerate(about[:_MOST_FINDINGS]):
            since = time_words((finding.from_ns - self.desk.channels.first_ns) / 1e9)
            left = len(about) - _MOST_FINDINGS
            more = f" · and {left} more" if number == _MOST_FINDINGS - 1 and left > 0 else ""
            word: Part = (("finding" if not number else "").rjust(_WORD) + " ", "head")
            text = f"{severity_words(finding.severity)} {finding.code} from {since}"
            if finding.code == USER_FLAG:
                text += f": {printable(finding.explanation, 100)}"
            lines.append(line(word, (fitted(text + more, width - _WORD - 1), SEVERITY_INKS[finding.severity])))
        return lines


class DetailScreen(DeskScreen):
    """A channel's detail."""

    KEYS = (
        ("esc", "back"),
        ("↑↓", "channel"),
        (", .", "sample"),
        ("space", "play"),
        ("w", "window"),
        ("h", "mark"),
        ("m", "note"),
        ("l", "limits"),
        ("?", "all keys"),
        ("n p", "finding"),
        ("g", "go to time"),
        ("f", "findings"),
        ("c", "cells"),
        ("x", "questions"),
    )
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("up,left", "move(-1)"),
        Binding("down,right", "move(1)"),
    ]

    OWN_KEYS = (
        ("a channel in detail", ""),
        ("↑ ↓", "channel before, next channel of the same quantity (← → too); escape goes back"),
    )

    def own_part(self) -> Iterable[Widget]:
        """Give the one view."""
        return (Detail(self.desk, id="detail"),)

    def action_move(self, by: int) -> None:
        """Show the next channel of the same page."""
        self.desk.move(by)
        self.show_moment()
