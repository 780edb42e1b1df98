"""The questions and answers of a capture: a list, the chosen one in full, and what the answerers say they are."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar, Final

from textual.binding import Binding

from decoder.printable import printable
from decoder.screens.exchange_rows import (
    NO_EXCHANGES,
    ExchangeList,
    asked_words,
    counted_words,
    full_lines,
    outcome_words,
    reason_parts,
    says_words,
    service_words,
    took_words,
    whence,
)
from decoder.screens.frame import DeskScreen
from decoder.screens.ink import Line, Part, cell_len, fitted, line, wrapped
from decoder.screens.list_lines import cells, in_full, part_shown
from decoder.screens.list_screen import ListScreen, ListView
from decoder.screens.symbols import time_words
from decoder.screens.table import gap_for

if TYPE_CHECKING:
    from collections.abc import Sequence

    from textual.binding import BindingType

    from decoder.screens.desk import Desk
    from decoder.transport.exchange import Exchange
    from decoder.transport.identity import IdentityRow

_OUTCOME_INKS: Final = {
    "refused": "caution",
    "pending": "caution",
    "unanswered": "caution",
    "broken": "warning",
    "silent": "dim",
}
_HEAD_LINES: Final = 2  # what is counted, and the titles of the columns
_TALL: Final = 28  # from so many lines on, what the answerers say they are is a table, else a line
_LOWEST: Final = 14  # below so many lines, only the list shows
_WORD: Final = 10
_FIELDS: Final = ("time", "from → to", "asked", "service", "bytes", "took ms", "outcome", "what it says")
_RIGHTS: Final = tuple(field in {"time", "bytes", "took ms"} for field in _FIELDS)


@dataclass(frozen=True, slots=True)
class Room:
    """How many lines each part of the screen gets."""

    identity: int
    rows: int
    full: int


def room_for(height: int, identities: int, *, whole: bool) -> Room:
    """Share out `height` lines; `whole`: the chosen exchange takes the room of the list."""
    if whole:
        return Room(0, 0, height)
    if height < _LOWEST:
        return Room(0, max(height - _HEAD_LINES, 1), 0)
    identity = min(identities, 1)
    if identities and height >= _TALL:
        identity = min(identities, height // 4) + 1
    full = min(max(height // 3, 9 if height > 18 else 7), 14)
    return Room(identity, height - identity - full - _HEAD_LINES, full)


class ExchangesView(ListView):
    """Everything between the top line and the timeline."""

    def __init__(self, desk: Desk, listed: ExchangeList, *, id: str | None = None) -> None:  # noqa: A002
        super().__init__(desk, id=id)
        self.listed = listed

    @property
    def room(self) -> Room:
        """How the lines are shared out at this size."""
        return room_for(self.size.height, len(self.desk.session.talk.identity), whole=self.whole)

    @property
    def page_rows(self) -> int:
        """How many exchanges show at once."""
        return self.room.rows

    def lines_for(self, width: int, height: int) -> Sequence[Line]:  # noqa: ARG002
        """Make the lines that show; no other exchange is looked at."""
        session = self.desk.session
        if not session.talk_is_ready:
            return [line(), line("  putting questions and answers together …")]
        if not session.talk.exchanges:
            return [line(), *(line(f"  {part}") for part in wrapped(NO_EXCHANGES, width - 4))]
        room, exchange = self.room, self.listed.exchange
        lines: list[Line] = []
        if room.identity:
            lines += identity_lines(session.talk.identity, width, room.identity)
        if room.rows:
            lines += self._list(width, room.rows)
        if room.full and exchange is not None:
            if not self.whole:
                lines.append(line(("─" * width, "dim")))
            lines += self._full(exchange, width, room.full - (not self.whole))
        return lines

    def _list(self, width: int, rows: int) -> list[Line]:
        listed, exchanges = self.listed, self.desk.session.talk.exchanges
        shown, row = listed.shown(), listed.row()
        first = row // rows * rows
        widths = column_widths(width, listed.sides_width())
        pages = -(-len(shown) // rows)
        page = f" page {first // rows + 1} of {pages} " if pages > 1 else ""
        lines = [self._count(width), head_line(widths, width, page)]
        if not shown:
            good_ones = "o to show those that came to a good end too, " if listed.only_failed else ""
            text = f"No exchange fits. Press {good_ones}/ to look for something else."
            if not listed.find:
                text = "No exchange failed. Press o to show all."
            lines += [line(f"  {part}") for part in wrapped(text, width - 4)]
        for number in range(first, min(first + rows, len(shown))):
            lines.append(self._row(exchanges[shown[number]], widths, width, chosen=number == row))
        return lines + [line()] * (rows + _HEAD_LINES - len(lines))

    def _count(self, width: int) -> Line:
        listed, exchanges = self.listed, self.desk.session.talk.exchanges
        filters = ["only failed"] * listed.only_failed
        if listed.find:
            filters.append(f"holds '{printable(listed.find, 16)}'")
        right = f" {' · '.join(filters)} " if filters else ""
        words = counted_words(exchanges, " · ")
        if listed.narrowed:
            words = f"{len(listed.shown()):,} of {len(exchanges):,} exchanges"
        return line((fitted(f" {words}", max(width - cell_len(right), 0)), "head"), (right, "caution"))

    def _row(self, exchange: Exchange, widths: Sequence[int], width: int, *, chosen: bool) -> Line:
        desk = self.desk
        ink = _OUTCOME_INKS.get(exchange.outcome, "plain")
        said = (*reason_parts(exchange), says_words(exchange, show_vin=desk.session.show_vin))
        texts: tuple[Part, ...] = (
            (time_words((exchange.time_ns - desk.channels.first_ns) / 1e9), "plain"),
            (self.listed.sides_of(exchange), "plain"),
            (asked_words(exchange), "strong"),
            (exchange.name, "plain"),
            (str(len(exchange.answer)) if exchange.answer else "", "plain"),
            (took_words(exchange.latency_ms), "plain"),
            (exchange.outcome, ink),
            (" · ".join(part for part in said if part), "plain"),
        )
        return Line(tuple(cells(texts, widths, _RIGHTS, gap_for(width), ">" if chosen else " ")), chosen)

    def _full(self, exchange: Exchange, width: int, height: int) -> list[Line]:
        desk = self.desk
        given = full_lines(exchange, desk.session.talk, desk.channels.first_ns, show_vin=desk.session.show_vin)
        outcome_ink = _OUTCOME_INKS.get(exchange.outcome, "plain")
        inked = [(word, text, outcome_ink if word == "outcome" else "plain") for word, text in given]
        self.top, shown = part_shown(in_full(inked, width, _WORD), self.top, height, _WORD, whole=self.whole)
        return shown


def column_widths(width: int, sides_width: int) -> tuple[int, ...]:
    """Give the columns' widths in the order of `_FIELDS`, 0 for one that does not show; the last takes the rest."""
    gap = gap_for(width)
    fixed = [11, max(min(sides_width, 21, width - 50), 9), 7, 0, 0, 7, 10]
    used = 1 + sum(fixed) + gap * 5
    if width - used >= 46:
        fixed[4] = 5
        used += 5 + gap
    if width - used >= 60:
        fixed[3] = min(width - used - 40, 30)
        used += fixed[3] + gap
    return (*fixed, max(width - used - gap, 0))


def head_line(widths: Sequence[int], width: int, page: str) -> Line:
    """Give the titles of the columns, and which page shows."""
    left = (*widths[:-1], max(widths[-1] - cell_len(page), 0))
    titles = [(field, "head") for field in _FIELDS]
    return Line((*cells(titles, left, _RIGHTS, gap_for(width), " "), (page, "dim")))


def identity_lines(rows: Sequence[IdentityRow], width: int, height: int) -> list[Line]:
    """Give what the answerers say they are in `height` lines: what fits into one, or a table."""
    if height == 1:
        return [_identity_line(rows, width)]
    shown = rows if len(rows) < height else rows[: height - 2]
    name = min(max(cell_len(row.name) for row in shown), max(width - 60, 20))
    text = max(cell_len(row.text) for row in shown)
    lines = [line((" to quote when ordering a part", "head"))]
    for row in shown:
        rest = f"{fitted(row.name, name)}  {fitted(row.text, text)}  from {whence(row, rows)}"
        lines.append(line((f"  {row.asked_as:<6}", "key"), fitted(rest, width - 8)))
    if len(shown) < len(rows):
        lines.append(line((f"  … {len(rows) - len(shown)} more: press i", "dim")))
    return lines


def _identity_line(rows: Sequence[IdentityRow], width: int) -> Line:
    parts: list[Part] = [(" to quote", "head")]
    used = cell_len(parts[0][0])
    for number, row in enumerate(rows):
        left = f" +{len(rows) - number}: press i"
        key, text = f" {row.asked_as} ", row.text
        needed = cell_len(key) + cell_len(text) + 1
        if used + needed + (cell_len(left) if number + 1 < len(rows) else 0) > width:
            parts.append((left, "dim"))
            break
        parts += [(key, "key"), (f"{text} ", "plain")]
        used += needed
    return Line(tuple(parts))


class ExchangesScreen(ListScreen):
    """All questions and answers."""

    KEYS = (
        ("esc", "back"),
        ("↑↓", "choose"),
        ("enter", "go there"),
        ("o", "only failed"),
        ("/", "find"),
        ("v", "in full"),
        ("?", "help"),
        ("←→", "page"),
        ("i", "capture"),
        ("f", "findings"),
        ("c", "cells"),
        ("q", "quit"),
    )
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("o", "only_failed"),
    ]
    OWN_KEYS = (
        ("questions and answers", ""),
        ("↑ ↓", "choose one, the moment goes with it; home and end: the first, the last; ← → turn a page"),
        ("enter", "the screen below, at the moment of the chosen one"),
        ("/", "find: only those that hold an identifier, a word of the standard, an outcome; escape: all again"),
        ("o", "only failed ones, or all"),
        ("v", "the chosen one in full; ← → turn its pages, escape goes back to the list"),
    )
    QUESTION = "Show exchanges that hold (identifier, name, number, outcome; empty: all)"

    def __init__(self, desk: Desk) -> None:
        self.listed = ExchangeList(desk.session)
        super().__init__(desk, self.listed, ExchangesView(desk, self.listed, id="exchanges"))

    @property
    def ready(self) -> bool:
        """Whether questions and answers are put together."""
        return self.desk.session.talk_is_ready

    def prepare(self) -> None:
        """Put questions and answers together."""
        _ = self.desk.session.talk

    def chosen_changed(self) -> None:
        """Put the playhead on the chosen exchange."""
        exchange = self.listed.exchange
        if exchange is not None:
            self.desk.playhead.go_to(exchange.time_ns)

    def action_there(self) -> None:
        """Show the channels at the moment of the chosen exchange."""
        if self.ready and self.listed.exchange is not None:
            self.chosen_changed()
            said = f"{service_words(self.listed.exchange)} · {outcome_words(self.listed.exchange)}"
            self.app.pop_screen()
            if isinstance(self.app.screen, DeskScreen):
                self.app.screen.say(f"at {time_words(self.desk.now_s)}: {said}")

    def action_only_failed(self) -> None:
        """Show only exchanges that did not come to a good end, or all."""
        self.listed.only_failed = not self.listed.only_failed
        self.show_moment()
