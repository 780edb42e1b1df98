"""The pages of channels, one row a channel."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from textual.binding import Binding

from decoder.printable import printable
from decoder.screens.ask import AskText
from decoder.screens.frame import DeskScreen, DeskView
from decoder.screens.ink import Line, cell_len, line, wrapped
from decoder.screens.rows import row_of
from decoder.screens.strip import strip_line
from decoder.screens.symbols import place_words
from decoder.screens.table import columns_for, gap_for, head_line, row_line
from decoder.screens.trend import trend

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from textual.binding import BindingType
    from textual.widget import Widget


class PageStrip(DeskView):
    """The names of the pages."""

    DEFAULT_CSS = "PageStrip { height: 1; }"

    def lines_for(self, width: int, height: int) -> Sequence[Line]:  # noqa: ARG002
        """Give the one line."""
        rows = self.screen.query_one(Page).page_rows
        current = self.desk.title_now
        pages = -(-len(current.names) // rows) if current else 1
        return [strip_line(self.desk.titles, current, self.desk.chosen_row() // rows + 1, pages, width)]


class Page(DeskView):
    """The rows of the page that the chosen channel is on."""

    @property
    def page_rows(self) -> int:
        """How many channels a page holds at this size."""
        return max(self.size.height - 1, 1)

    def lines_for(self, width: int, height: int) -> Sequence[Line]:
        """Make the title line and the rows of one page; no other row is looked at (but for sorting)."""
        desk = self.desk
        names = desk.names()
        if not names:
            return _nothing(self, width)
        chosen = desk.chosen_row()
        first = chosen // self.page_rows * self.page_rows
        shown = names[first : first + max(height - 1, 1)]
        title = desk.title_now
        of_title = title.names if title else ()
        longest = max(cell_len(printable(name, 60)) for name in of_title)
        place = max(len(place_words(desk.channels[name].channel.place)) for name in of_title)
        columns = columns_for(width, longest, place)
        trend_width = next((column.width for column in columns if column.key == "trend"), 0)
        lines = [
            head_line(
                columns,
                gap_for(width),
                desk.sort,
                downwards=desk.downwards,
                window_words=_window(desk.trend_s),
            )
        ]
        for name in shown:
            series = desk.channels[name]
            row = row_of(series, desk.extremes, desk.now_ns, desk.flagged)
            drawn = trend(series, desk.now_ns, desk.trend_s, trend_width)
            lines.append(row_line(columns, gap_for(width), row, drawn, chosen=name == desk.selected))
        return lines


def _window(seconds: float) -> str:
    return f"{seconds:.0f} s" if seconds < 120 else f"{seconds / 60:.0f} min"


def _nothing(view: DeskView, width: int) -> list[Line]:
    """Say why there is no row, and what to do."""
    desk = view.desk
    live = desk.session.live
    if live is not None and live.waits_for is not None:
        text = f"{printable(live.waits_for, 200)} is not there yet; it is shown as soon as it is."
    elif live is not None and not len(desk.channels.frames):
        text = "Nothing came." if live.ended else "No frame came yet; the first one is shown as soon as it comes."
    elif desk.channels:
        text = "No channel fits. Press o to show channels that are not flagged too, / to look for another name."
        if not desk.find:
            text = "No channel is flagged. Press o to show all channels."
    elif not desk.channels.signal_map.messages:
        text = (
            "No channel, because no signal map is open. Open the capture with --map FILE.dbc, or make a map: b: what is"
            " on the bus, and from there the mapping bench. Press i for what the capture holds, x for questions and"
            " answers."
        )
    else:
        text = (
            "No channel, because no frame of the capture has an identifier of the signal map. Check that the map is"
            " for this pack and this bus. Press i for what the capture holds."
        )
    return [line(), *(line(f"  {part}") for part in wrapped(text, width - 4))]


class PagesScreen(DeskScreen):
    """Pages of channels by quantity."""

    KEYS = (
        ("←→", "page"),
        ("↑↓", "row"),
        ("enter", "detail"),
        ("space", "play"),
        ("n p", "finding"),
        ("f", "list"),
        ("c", "cells"),
        ("?", "help"),
        ("x", "answers"),
        ("b", "bus"),
        ("/", "find"),
        ("q", "quit"),
        ("o", "only flagged"),
        ("s", "sort"),
        ("h", "mark"),
        ("m", "note"),
        ("l", "limits"),
        ("g", "go to time"),
        ("tab", "next quantity"),
        ("i", "capture"),
    )
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("left,pageup", "turn(-1)"),
        Binding("right,pagedown", "turn(1)"),
        Binding("up", "move(-1)"),
        Binding("down", "move(1)"),
        Binding("home", "move(-1000000000)"),
        Binding("end", "move(1000000000)"),
        Binding("tab", "turn_title(1)"),
        Binding("shift+tab", "turn_title(-1)"),
        Binding("enter", "app.detail"),
        Binding("o", "only_flagged"),
        Binding("slash", "find"),
        Binding("s", "sort"),
        Binding("S", "reverse"),
    ]

    OWN_KEYS = (
        ("pages of channels", ""),
        ("← →", "page before, next page (page up, page down too); past the last comes the next quantity"),
        ("tab", "next quantity; shift+tab the one before"),
        ("↑ ↓", "choose a row; home and end: the first, the last"),
        ("enter", "detail of the chosen channel; escape goes back"),
        ("/", "find: only channels whose name holds a text"),
        ("o", "only flagged channels (⚑: a finding names it), or all"),
        ("s", "sort by the next column; S turns the order round"),
    )

    def own_part(self) -> Iterable[Widget]:
        """Give the strip of page names and the page."""
        return PageStrip(self.desk, id="strip"), Page(self.desk, id="page")

    def action_turn(self, direction: int) -> None:
        """Turn a page."""
        self.desk.turn(direction, self.query_one(Page).page_rows)
        self.show_moment()

    def action_turn_title(self, direction: int) -> None:
        """Turn to another quantity."""
        self.desk.turn_title(direction)
        self.show_moment()

    def action_move(self, by: int) -> None:
        """Choose another row."""
        self.desk.move(by)
        self.show_moment()

    def action_only_flagged(self) -> None:
        """Show flagged channels only, or all."""
        self.desk.only_flagged = not self.desk.only_flagged
        self.show_moment()

    def action_sort(self) -> None:
        """Sort by the next column."""
        self.desk.next_sort()
        self.say(f"sorted by {self.desk.sort}; S turns the order round")
        self.show_moment()

    def action_reverse(self) -> None:
        """Turn the order round."""
        self.desk.downwards = not self.desk.downwards
        self.show_moment()

    def action_find(self) -> None:
        """Ask for a part of a name."""

        def look(text: str | None) -> None:
            if text is not None:
                self.desk.find = text.strip()
                self.show_moment()

        self.app.push_screen(AskText("Show channels whose name holds (empty: all)", self.desk.find), look)
