"""What is on the wire: the load of each bus, a list of identifiers, and the chosen one in full."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar, Final

from textual.binding import Binding

from decoder.discovery.workbench.edits import show_stream
from decoder.printable import printable
from decoder.screens.ink import Line, Part, cell_len, line, wrapped
from decoder.screens.list_lines import cells, in_full, part_shown
from decoder.screens.list_screen import ListScreen, ListView
from decoder.screens.survey_rows import (
    NO_IDENTIFIERS,
    UNEXPLAINED,
    IdentifierList,
    SurveyRow,
    first_channel,
    full_lines,
    identifier_words,
    load_parts,
    names_of,
    row_of,
    unexplained_of,
)
from decoder.screens.table import gap_for

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from textual.binding import BindingType

    from decoder.screens.desk import Desk
    from decoder.screens.session import Wire

_LOWEST: Final = 14  # below so many lines, only the list shows
_TALL: Final = 30
_WORD: Final = 8
_RIGHT: Final = frozenset({"frames", "load", "burst", "length", "bits", "open"})
_INKS: Final = {"identifier": "strong", "marks": "dim", "transport": "dim"}
_TITLES: Final = {
    "bus": "bus",
    "identifier": "id",
    "frames": "frames",
    "load": "load %",
    "period": "period ± jitter ms",
    "burst": "burst",
    "length": "bytes",
    "bits": "bits",
    "open": "open/s",
    "marks": "changing",
    "transport": "transport",
    "message": "message",
}
_SORTED_COLUMNS: Final = {
    "identifier": "identifier",
    "frames": "frames",
    "period": "period",
    "changing bits": "bits",
    "load": "load",
    UNEXPLAINED: "open",
}
_SHORT_MESSAGE: Final = 11
_SHORT_MARKS: Final = 8


@dataclass(frozen=True, slots=True)
class Needs:
    """The columns that the longest text of each kind takes; 0 for what no identifier has."""

    bus: int
    identifier: int
    frames: int
    burst: int
    marks: int
    transport: int
    message: int

    @classmethod
    def of(cls, wire: Wire) -> Needs:
        """Measure all identifiers."""
        found, loads = wire.survey.identifiers, wire.survey.loads
        return cls(
            bus=max(cell_len(printable(load.bus, 12)) for load in loads) if len(loads) > 1 else 0,
            identifier=8 if any(one.extended for one in found) else 3,
            frames=max((len(f"{one.frames:,}") for one in found), default=0),
            burst=5 if any(one.burst > 1 for one in found) else 0,
            marks=max((max(one.lengths) for one in found), default=0),
            transport=9 if any(one.transport for one in found) else 0,
            message=max((cell_len(names_of(messages)) for messages in wire.messages), default=0),
        )


def column_widths(width: int, needs: Needs, sort: str = "") -> Mapping[str, int]:
    """Give the columns' widths, 0 for one that does not show.

    Identifier, frames, period and changing bits always show; then, as far as there is room, the message, how many
    bytes, the transport, bursts and the load, which comes first where the rows are sorted by it. What is left goes to
    the marks of long payloads and to the message.
    """
    gap = gap_for(width)
    widths = dict.fromkeys(_TITLES, 0)
    widths |= {
        "identifier": needs.identifier,
        "frames": max(needs.frames, 7),
        "period": 19,
        "bits": 5,
        "marks": _SHORT_MARKS,
    }
    widths["bus"] = needs.bus and max(needs.bus, 3)
    room = width - 1 - sum(widths.values()) - gap * (sum(map(bool, widths.values())) - 1)
    wanted = (
        ("load", 7 if sort == "load" else 0),
        ("open", 7 if sort == UNEXPLAINED else 0),
        ("message", min(max(needs.message, 7), _SHORT_MESSAGE) if needs.message else 0),
        ("length", 5),
        ("transport", needs.transport),
        ("burst", needs.burst),
        ("load", 0 if sort == "load" else 7),
        ("open", 0 if sort == UNEXPLAINED else 7),
    )
    for field, least in wanted:
        if least and room >= least + gap:
            widths[field] = least
            room -= least + gap
    marks = min(max(needs.marks - _SHORT_MARKS, 0), max(room, 0))
    widths["marks"] += marks
    if widths["message"]:
        widths["message"] += max(room - marks, 0)
    return widths


def head_line(widths: Mapping[str, int], width: int, sort: str, *, downwards: bool) -> Line:
    """Give the titles of the columns; an arrow stands at the one that the rows are sorted by."""
    titles = dict(_TITLES)
    arrow, field = "↓" if downwards else "↑", _SORTED_COLUMNS[sort]
    # The period's title begins where its numbers do and is as wide as its column.
    titles["period"] = f"{arrow if sort == 'period' else ' '}{titles['period']}"
    if field != "period":
        titles[field] += arrow
    return Line(tuple(_parts(SurveyRow(**titles), dict.fromkeys(titles, "head"), widths, width, " ")))


def _parts(row: SurveyRow, inks: Mapping[str, str], widths: Mapping[str, int], width: int, mark: str) -> Sequence[Part]:
    texts = [(text, inks.get(field, "plain")) for field, text in zip(row._fields, row, strict=True)]
    rights = [field in _RIGHT for field in row._fields]
    return list(cells(texts, [widths[field] for field in row._fields], rights, gap_for(width), mark))


def _rule(width: int, note: str) -> Line:
    """Draw a rule with a note near its right end."""
    after = 1 if note else 0
    return line(("─" * max(width - cell_len(note) - after, 0), "dim"), (note, "head"), ("─" * after, "dim"))


def _joined(parts: Sequence[str], width: int) -> list[str]:
    """Join parts into lines of at most `width` columns, cut between parts."""
    lines = [""]
    for part in parts:
        trial = f"{lines[-1]} · {part}" if lines[-1] else part
        if lines[-1] and cell_len(trial) > width:
            lines.append(f"  {part}")
        else:
            lines[-1] = trial
    return lines


class SurveyView(ListView):
    """Everything between the top line and the timeline."""

    def __init__(self, desk: Desk, listed: IdentifierList, *, id: str | None = None) -> None:  # noqa: A002
        super().__init__(desk, id=id)
        self.listed = listed
        self._needs: tuple[Wire, Needs] | None = None

    @property
    def needs(self) -> Needs:
        """What the columns need, measured once for each state of the capture."""
        wire = self.desk.session.wire
        if self._needs is None or self._needs[0] is not wire:
            self._needs = (wire, Needs.of(wire))
        return self._needs[1]

    @property
    def _full_height(self) -> int:
        """How many lines one in full gets, with the rule above it; only the rule in a low terminal."""
        height = self.size.height
        if height < _LOWEST:
            return 1
        return 13 if height >= _TALL else 10 if height > _LOWEST + 4 else 7

    @property
    def page_rows(self) -> int:
        """How many identifiers show at once."""
        used = len(self._loads(self.size.width)) + 1 + self._full_height
        return max(self.size.height - used, 1)

    def lines_for(self, width: int, height: int) -> Sequence[Line]:
        """Make the lines that show; no other identifier is looked at."""
        session = self.desk.session
        if not (session.wire_is_ready and session.bench_is_ready):
            return [line(), line("  looking through all frames …")]
        number = self.listed.number
        if self.whole and number is not None:
            return self._full(number, width, height)
        lines = self._loads(width)
        if not session.wire.survey.identifiers:
            return [*lines, line(), *(line(f"  {part}") for part in wrapped(NO_IDENTIFIERS, width - 4))]
        lines += self._list(width, self.page_rows)
        lines.append(_rule(width, self._note(self.page_rows)))
        if self._full_height > 1 and number is not None:
            lines += self._full(number, width, self._full_height - 1)
        return lines

    def _loads(self, width: int) -> list[Line]:
        """Give a line a bus, more where one does not hold it; of many buses the first, and how many more."""
        given = load_parts(self.desk.session.wire.survey)
        most = max(self.size.height // 6, 1)
        shown = given if len(given) <= most else [*given[: most - 1], [f"… {len(given) - most + 1} more buses"]]
        return [line((f" {part}", "head")) for parts in shown for part in _joined(parts, width - 1)]

    def _list(self, width: int, rows: int) -> list[Line]:
        listed, wire = self.listed, self.desk.session.wire
        shown, row = listed.shown(), listed.row()
        widths = column_widths(width, self.needs, listed.sort)
        first = row // rows * rows
        lines = [head_line(widths, width, listed.sort, downwards=listed.falling)]
        if not shown:
            lines.append(line("  No identifier fits. Press / to look for something else."))
        for at in range(first, min(first + rows, len(shown))):
            one, messages = wire.survey.identifiers[shown[at]], wire.messages[shown[at]]
            unexplained = unexplained_of(self.desk.session, shown[at])
            words = row_of(one, messages, unexplained, has_load=wire.survey.length_s > 0)
            lines.append(Line(tuple(_parts(words, _INKS, widths, width, ">" if at == row else " ")), at == row))
        return lines + [line()] * (rows + 1 - len(lines))

    def _note(self, rows: int) -> str:
        """Say what narrows the list and which page shows; empty where all show at once."""
        listed = self.listed
        count, pages = len(listed.shown()), -(-len(listed.shown()) // rows)
        notes = []
        if listed.narrowed:
            notes.append(f"{count:,} of {len(self.desk.session.wire.keys):,} hold '{printable(listed.find, 16)}'")
        if pages > 1:
            notes.append(f"page {listed.row() // rows + 1} of {pages}")
        return f" {' · '.join(notes)} " if notes else ""

    def _full(self, number: int, width: int, height: int) -> list[Line]:
        desk = self.desk
        room = width - _WORD - 1
        has_map = bool(desk.channels.signal_map.messages)
        given = full_lines(number, desk.session.wire, desk.channels.first_ns, room, has_map=has_map)
        inked = [(word, text, "plain" if word and word != "change" else "dim") for word, text in given]
        self.top, shown = part_shown(in_full(inked, width, _WORD), self.top, height, _WORD, whole=self.whole)
        return shown


class SurveyScreen(ListScreen):
    """All identifiers."""

    KEYS = (
        ("esc", "back"),
        ("↑↓", "choose"),
        ("o", "map it"),
        ("enter", "its channel"),
        ("s", "sort"),
        ("/", "find"),
        ("v", "in full"),
        ("?", "help"),
        ("←→", "page"),
        ("x", "answers"),
        ("i", "capture"),
        ("f", "findings"),
        ("c", "cells"),
        ("q", "quit"),
    )
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("s", "sort"),
        Binding("S", "reverse"),
        Binding("o", "bench"),
    ]
    OWN_KEYS = (
        ("what is on the bus", ""),
        ("↑ ↓", "choose an identifier; home and end: the first, the last; ← → turn a page"),
        ("o", "open it on the mapping bench, where its fields are found, named and saved to a signal map"),
        ("enter", "the first channel that comes from it, or the bench where none does; escape there leads back"),
        ("/", "find: only identifiers whose number, message, signals, bus or transport hold a text; escape: all again"),
        ("s", "sort by identifier, frames, period, changing bits, load, open; S turns the order round"),
        ("open/s", "changes of bits a second that neither the signal map nor your work on the bench explains"),
        ("v", "the chosen one in full; ← → turn its pages, escape goes back to the list"),
        ("·▁▂▃▄▅▆▇█", "a mark a byte: from none to all eight of its bits change; ? where not all frames have the byte"),
        ("± jitter", "nine in ten times from frame to frame, or burst to burst, lie in a span of twice this"),
        ("load", "from no stuff bits to all that are possible, if the bus runs at the bit rate named"),
    )
    QUESTION = "Show identifiers that hold (number, message, signal, bus, transport; empty: all)"

    def __init__(self, desk: Desk) -> None:
        self.listed = IdentifierList(desk.session)
        super().__init__(desk, self.listed, SurveyView(desk, self.listed, id="survey"))

    @property
    def ready(self) -> bool:
        """Whether the capture is surveyed."""
        session = self.desk.session
        return session.wire_is_ready and session.bench_is_ready

    def prepare(self) -> None:
        """Survey the capture, and what of it is unexplained."""
        _ = self.desk.session.wire
        _ = self.desk.session.bench

    async def action_there(self) -> None:
        """Show the first channel that comes from the chosen identifier."""
        number = self.listed.number if self.ready else None
        if number is None:
            return
        wire = self.desk.session.wire
        one = wire.survey.identifiers[number]
        name = first_channel(one, wire.messages[number], self.desk.channels)
        if name is None:
            await self.action_bench()
            return
        self.desk.choose(name)
        await self.run_action("app.detail")

    async def action_bench(self) -> None:
        """Open the chosen identifier on the mapping bench."""
        number = self.listed.number if self.ready else None
        if number is None:
            return
        session = self.desk.session
        one, bench = session.wire.survey.identifiers[number], session.bench
        keys = bench.of_identifier(one.bus, one.can_id, extended=one.extended)
        if not keys:
            self.say(f"{identifier_words(one)} has no payload that could be mapped")
            return
        if bench.work.stream not in keys:
            bench.look(show_stream(bench.work, max(keys, key=bench.unexplained)))
        await self.run_action("app.open('bench')")

    def action_sort(self) -> None:
        """Sort by the next column."""
        self.listed.next_sort()
        self.say(f"sorted by {self.listed.sort}; S turns the order round")
        self.show_moment()

    def action_reverse(self) -> None:
        """Turn the order round."""
        self.listed.downwards = not self.listed.downwards
        self.show_moment()
