"""What stands around every screen: the top line, the timeline, messages and the key help."""

from __future__ import annotations

from collections import Counter
from pathlib import PurePath
from typing import TYPE_CHECKING, ClassVar, Final

from textual.binding import Binding
from textual.screen import Screen

from decoder.judgement.finding import SEVERITY_SYMBOLS
from decoder.printable import printable
from decoder.screens.desk import Same
from decoder.screens.ink import SEVERITY_INKS, Line, LineView, Part, cell_len, fitted, line, wrapped
from decoder.screens.symbols import time_words
from decoder.screens.timeline import CURSOR, bar, column_of, mark_row

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from textual.app import ComposeResult
    from textual.widget import Widget

    from decoder.judgement.finding import Severity
    from decoder.screens.desk import Desk


class DeskView(LineView):
    """A line-drawn widget over the desk."""

    def __init__(self, desk: Desk, *, id: str | None = None) -> None:  # noqa: A002  (textual's name)
        super().__init__(id=id)
        self.desk = desk


class TopLine(DeskView):
    """Which pack, which capture, how many frames and channels, which buses; and what the pages leave out."""

    DEFAULT_CSS = "TopLine { height: 1; background: $panel; }"

    def lines_for(self, width: int, height: int) -> Sequence[Line]:  # noqa: ARG002
        """Give the one line."""
        session, channels = self.desk.session, self.desk.channels
        name = PurePath(session.capture_path).name if session.capture_path else "standard input"
        sheet = channels.sheet
        pack = printable(sheet.name, 40) if sheet and sheet.name else "cellglean"
        buses = ", ".join(printable(bus, 12) for bus in channels.frames.bus_names[:4]) or "no bus"
        filters = []
        if self.desk.only_flagged:
            filters.append("only flagged")
        if self.desk.find:
            filters.append(f"name holds '{printable(self.desk.find, 16)}'")
        right = f" {' · '.join(filters)} " if filters else ""
        rest = f" · {printable(name, 40)} · {_frame_words(self.desk)} · {len(channels)} channels · {buses}"
        room = width - cell_len(right)
        return [
            line(
                (fitted(f" {pack}", min(room, len(pack) + 1)), "head"),
                fitted(rest, max(room - len(pack) - 1, 0)),
                (right, "caution"),
            )
        ]


class Timeline(DeskView):
    """The whole capture as a bar with its findings, and what is known about the moment shown; above it the marks."""

    DEFAULT_CSS = "Timeline { height: 2; background: $panel; }"

    def __init__(self, desk: Desk, *, id: str | None = None) -> None:  # noqa: A002
        super().__init__(desk, id=id)
        self._bar: tuple[object, str, tuple[Severity | None, ...]] = (None, "", ())
        self._marks: tuple[object, Line] = (None, Line())

    def redraw(self) -> None:
        """Draw anew, with a line of marks where there are any."""
        height = 3 if self._has_marks() else 2
        if self.styles.height is None or self.styles.height.value != height:
            self.styles.height = height
        super().redraw()

    def lines_for(self, width: int, height: int) -> Sequence[Line]:  # noqa: ARG002
        """Give the marks if there are any, the bar and the line below it."""
        marks = [self._mark_line(width)] if self._has_marks() else []
        return [*marks, self._bar_line(width), self._words_line(width)]

    def _has_marks(self) -> bool:
        return bool(self.desk.session.mark_book.marks) or self.desk.playhead.loop is not None

    def _mark_line(self, width: int) -> Line:
        head, book = self.desk.playhead, self.desk.session.mark_book
        key = (book.marks, head.loop, head.first_ns, head.last_ns, width)
        if self._marks[0] != key:
            moments = [(book.moment_ns(mark), printable(mark.label)) for mark in book.marks]
            inside = [one for one in moments if head.first_ns <= one[0] <= head.last_ns]
            row = mark_row(inside, head.loop, head.first_ns, head.last_ns, width)
            self._marks = (key, Line(tuple((text, "key" if loops else "user") for text, loops in row)))
        return self._marks[1]

    def _bar_line(self, width: int) -> Line:
        head = self.desk.playhead
        key = (Same(self.desk.session.judgement), width, head.first_ns, head.last_ns)
        if self._bar[0] != key:
            self._bar = (key, *bar(self.desk.findings, head.first_ns, head.last_ns, width))
        _, characters, gravest = self._bar
        cursor = column_of(head.now_ns, head.first_ns, head.last_ns, width)
        parts: list[Part] = []
        for column, (character, severity) in enumerate(zip(characters, gravest, strict=True)):
            if column == cursor:
                parts.append((CURSOR, "key"))
            else:
                parts.append((character, SEVERITY_INKS[severity] if severity else "dim"))
        return Line(tuple(parts))

    def _words_line(self, width: int) -> Line:
        desk, head = self.desk, self.desk.playhead
        total_s = (head.last_ns - desk.channels.first_ns) / 1e9
        playing = ("playing" if head.playing else live_words(desk)) + " in a loop" * (head.loop is not None)
        speed = "" if desk.is_live else f" ×{head.speed:g}"
        parts: list[Part] = [
            (f" {time_words(desk.now_s)}", "strong"),
            (f" of {time_words(total_s)} · ", "plain"),
            (playing + speed, "key" if head.playing or desk.is_live else "plain"),
            (" · ", "dim"),
        ]
        parts += _counted(desk)
        used = sum(cell_len(text) for text, _ in parts)
        live = desk.session.live
        if live is not None and live.trouble and width - used > 12:
            words = printable(live.trouble.replace("\n", " · "), 300)
            return Line((*parts, (fitted(f" · ! {words}", width - used), "danger")))
        lasting = [f for f in desk.findings if f.from_ns <= head.now_ns <= f.to_ns]
        if lasting and width - used > 12:
            now = f" · now {SEVERITY_SYMBOLS[lasting[0].severity]} {lasting[0].code} {desk.place_of(lasting[0])}"
            if len(lasting) > 1:
                now += f" +{len(lasting) - 1}"
            parts.append((fitted(now, width - used), SEVERITY_INKS[lasting[0].severity]))
        return Line(tuple(parts))


def live_words(desk: Desk) -> str:
    """Say whether the moment goes on with the capture, and if nothing comes."""
    live = desk.session.live
    if live is None or not desk.is_live:
        return "paused"
    if not live.quiet_s:
        return "live"
    return f"live, silent for {live.quiet_s} s" if live.quiet_s < 120 else f"live, silent for {live.quiet_s // 60} min"


def _frame_words(desk: Desk) -> str:
    """Count the frames shown; where earlier ones are no longer, say where they are."""
    live, count = desk.session.live, len(desk.channels.frames)
    if live is None or not live.earlier:
        return f"{count:,} frames"
    return f"last {count:,} frames, earlier ones {'in the file' if live.in_file else 'are gone'}"


def _counted(desk: Desk) -> Iterable[Part]:
    counts = Counter(finding.severity for finding in desk.findings)
    if not counts:
        yield "no findings", "plain"
    for number, severity in enumerate(sorted(counts, reverse=True)):
        yield f"{' ' * bool(number)}{SEVERITY_SYMBOLS[severity]}{counts[severity]}", SEVERITY_INKS[severity]


class Message(LineView):
    """What has just happened or gone wrong, until the next key; no line where there is nothing to say."""

    DEFAULT_CSS = "Message { height: auto; max-height: 3; background: $boost; display: none; }"

    def __init__(self) -> None:
        super().__init__(id="message")
        self.text = ""
        self.trouble = False

    def say(self, text: str, *, trouble: bool = False) -> None:
        """Show `text`; an empty one takes the line away."""
        if text == self.text and trouble == self.trouble:
            return
        self.text, self.trouble = text, trouble
        self.display = bool(text)
        self.styles.height = min(len(self._wrapped(max(self.app.size.width, 20))), 3)
        self.redraw()

    def lines_for(self, width: int, height: int) -> Sequence[Line]:  # noqa: ARG002
        """Give the text, broken to the width."""
        ink = "danger" if self.trouble else "strong"
        return [line((text, ink)) for text in self._wrapped(width)]

    def _wrapped(self, width: int) -> list[str]:
        words = printable(self.text.replace("\n", " · "))
        # Under trouble stands what to do, so it gets one line more.
        broken = wrapped(f"{'! ' if self.trouble else ''}{words}", width - 2, 3 if self.trouble else 2)
        return [f" {part}" for part in broken]


class Keys(LineView):
    """The keys that matter most on this screen."""

    DEFAULT_CSS = "Keys { height: 1; background: $panel; }"

    def __init__(self, keys: Sequence[tuple[str, str]]) -> None:
        super().__init__(id="keys")
        self.keys = keys

    def lines_for(self, width: int, height: int) -> Sequence[Line]:  # noqa: ARG002
        """Give as many keys as fit."""
        parts: list[Part] = []
        used = 0
        for key, word in self.keys:
            length = cell_len(key) + cell_len(word) + 3
            if used + length > width + 1:
                break
            parts += [(f" {key}", "key"), (f" {word} ", "plain")]
            used += length
        return [Line(tuple(parts))]


# The keys of a screen that is a list: `move`, `page` and `there` are its actions.
LIST_BINDINGS: Final = (
    Binding("up", "move(-1)"),
    Binding("down", "move(1)"),
    Binding("left,pageup", "page(-1)"),
    Binding("right,pagedown", "page(1)"),
    Binding("home", "move(-1000000000)"),
    Binding("end", "move(1000000000)"),
    Binding("enter", "there"),
)


class DeskScreen(Screen[None]):
    """A screen with the desk's top line above, and timeline, messages and key help below its own part."""

    KEYS: ClassVar[Sequence[tuple[str, str]]] = ()
    OWN_KEYS: ClassVar[
        Sequence[tuple[str, str]]
    ] = ()  # its own keys in the key list, as (key, what it does), a title first

    def __init__(self, desk: Desk) -> None:
        super().__init__()
        self.desk = desk

    def own_part(self) -> Iterable[Widget]:
        """Give the widgets between top line and timeline."""
        raise NotImplementedError

    def compose(self) -> ComposeResult:
        """Put the parts below each other."""
        yield TopLine(self.desk, id="top")
        yield from self.own_part()
        yield Message()
        yield Timeline(self.desk, id="timeline")
        yield Keys(self.KEYS)

    def show_moment(self) -> None:
        """Draw anew what depends on the moment or on what is chosen."""
        for view in self.query(LineView):
            view.redraw()

    def on_screen_resume(self) -> None:
        """Show what changed while another screen was on top."""
        self.show_moment()

    def say(self, text: str, *, trouble: bool = False) -> None:
        """Show a message."""
        self.query_one(Message).say(text, trouble=trouble)
