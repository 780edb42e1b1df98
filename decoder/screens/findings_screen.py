"""The list of findings, and what is known about the chosen one."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from textual.binding import Binding

from decoder.judgement.finding import DIGITS
from decoder.maps.pack_sheet import Place
from decoder.printable import printable
from decoder.screens.frame import LIST_BINDINGS, DeskScreen, DeskView
from decoder.screens.ink import SEVERITY_INKS, Line, Part, cell_len, fitted, line, wrapped
from decoder.screens.session import USER_FLAG
from decoder.screens.symbols import NOTHING, age_words, number_words, severity_words, time_words

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from textual.binding import BindingType
    from textual.widget import Widget

    from decoder.judgement import Finding

_CODE = 20  # columns of the code, the longest with a blank behind it
_ROOMY = 100  # from so many columns on, limit and duration have columns of their own


class FindingList(DeskView):
    """One line a finding, gravest first, the page that the chosen one is on."""

    @property
    def page_rows(self) -> int:
        """How many findings show at once."""
        return max(self.size.height - 1, 1)

    def lines_for(self, width: int, height: int) -> Sequence[Line]:
        """Make the lines of one page."""
        findings = self.desk.findings
        if not findings:
            return [line(), line("  No findings: nothing that could be judged is out of range.")]
        chosen = min(self.desk.finding or 0, len(findings) - 1)
        rows = max(height - 1, 1)
        first = chosen // rows * rows
        lines = [_head(width, first // rows + 1, -(-len(findings) // rows))]
        shown = range(first, min(first + rows, len(findings)))
        lines.extend(self._line(findings[number], width, chosen=number == chosen) for number in shown)
        return lines

    def _line(self, finding: Finding, width: int, *, chosen: bool) -> Line:
        desk = self.desk
        owned = desk.session.is_users_own(finding)
        since = time_words((finding.from_ns - desk.channels.first_ns) / 1e9)
        ink = SEVERITY_INKS[finding.severity]
        what = printable(finding.channel or "", 60)
        if finding.code == USER_FLAG:
            what = f"{what} {printable(finding.explanation, 100)}".strip()
        parts: list[Part] = [
            (">" if chosen else " ", "strong"),
            (fitted(severity_words(finding.severity), 10), ink),
            (fitted(finding.code, _CODE), "plain"),
            (fitted("yours" if owned else "", 6), "user"),
            (fitted(desk.place_of(finding), 8), "plain"),
            (fitted(_value_words(finding.value, finding.unit), 10, right=True), "strong"),
        ]
        if width >= _ROOMY:
            lasts = age_words((finding.to_ns - finding.from_ns) / 1e9)
            parts += [
                (fitted(_value_words(finding.limit, finding.unit), 12, right=True), "plain"),
                (fitted(since, 12, right=True), "plain"),
                (fitted(lasts, 10, right=True), "plain"),
            ]
        else:
            parts.append((fitted(since, 11, right=True), "plain"))
        used = sum(cell_len(text) for text, _ in parts) + 2
        return Line((*parts, ("  ", "plain"), (fitted(what, max(width - used, 0)), "dim")), chosen)


def _head(width: int, page: int, pages: int) -> Line:
    number = f"page {page} of {pages}" if pages > 1 else ""
    text = " " + fitted("severity", 10) + fitted("finding", _CODE) + fitted("", 6) + fitted("place", 8)
    text += fitted("value", 10, right=True)
    if width >= _ROOMY:
        text += fitted("limit", 12, right=True) + fitted("from", 12, right=True) + fitted("lasts", 10, right=True)
    else:
        text += fitted("from", 11, right=True)
    if width - len(text) - len(number) > 12:
        text += "  channel"
    return line((fitted(text, max(width - len(number) - 1, 0)), "head"), (number, "dim"))


def _value_words(value: float | None, unit: str) -> str:
    if value is None:
        return NOTHING
    return f"{number_words(value, DIGITS.get(unit, 2))} {printable(unit, 8)}".strip()


class Explanation(DeskView):
    """The chosen finding in full."""

    DEFAULT_CSS = "Explanation { height: 30%; min-height: 9; max-height: 15; border-top: solid $panel-lighten-2; }"
    shows_not_judged = False

    def lines_for(self, width: int, height: int) -> Sequence[Line]:
        """Give what, how long, where, why, and where the limit comes from."""
        findings = self.desk.findings
        if not findings or self.shows_not_judged:
            return self._not_judged(width)
        finding = findings[min(self.desk.finding or 0, len(findings) - 1)]
        first_ns = self.desk.channels.first_ns
        span = f"{time_words((finding.from_ns - first_ns) / 1e9)} to {time_words((finding.to_ns - first_ns) / 1e9)}"
        parts = [severity_words(finding.severity), finding.code, _value_words(finding.value, finding.unit)]
        if finding.limit is not None:
            parts.append(f"limit {_value_words(finding.limit, finding.unit)}")
        head = f"{' · '.join(parts)} · {span}"
        where = self._where(finding)
        foot = [f" next: {part}" if not at else f" {part}" for at, part in enumerate(_advice(finding, width))]
        foot.append(f" source: {printable(finding.source, 300)}")
        if finding.also:
            foot.append(f" explains also: {', '.join(finding.also)}")
        body = wrapped(printable(finding.explanation, 1000), width - 2)
        place = wrapped(f"where: {where}", width - 2, 2) if where else []
        room = max(height - 1 - len(place) - len(foot), 1)
        lines = [line((f" {part}", SEVERITY_INKS[finding.severity])) for part in wrapped(head, width - 2, 2)]
        room -= len(lines) - 1
        if len(body) > room:
            body = wrapped(printable(finding.explanation, 1000), width - 2, max(room, 1))
        lines += [line(f" {part}") for part in body]
        lines += [line((f" {part}", "strong")) for part in place]
        return lines + [line((fitted(part, width), "dim")) for part in foot]

    def _where(self, finding: Finding) -> str:
        sheet = self.desk.channels.sheet
        if finding.place is None or finding.place == Place():
            return ""
        module = finding.place.module
        case = sheet.where_in_case(module) if sheet is not None and module is not None else None
        return printable(f"{finding.place}" + (f", {case}" if case else ""), 200)

    def _not_judged(self, width: int) -> list[Line]:
        reasons = self.desk.session.judgement.not_judged
        if not reasons:
            return [line(" All that this program judges could be judged.")]
        texts = [f"{code}: {printable(reason, 300)}" for code, reason in reasons.items()]
        return [
            line((" not judged:", "head")),
            *(line(f" {part}") for text in texts for part in wrapped(text, width - 2)),
        ]


def _advice(finding: Finding, width: int) -> list[str]:
    """Give what to check next, in two lines at most."""
    return wrapped(finding.advice, width - 8, 2) if finding.advice else []


class FindingsScreen(DeskScreen):
    """All findings."""

    KEYS = (
        ("esc", "pages"),
        ("↑↓", "choose"),
        ("enter", "go there"),
        ("n p", "in time"),
        ("u", "take back"),
        ("y", "not judged"),
        ("space", "play"),
        ("?", "all keys"),
        ("h", "mark"),
        ("M", "note"),
        ("c", "cells"),
        ("i", "capture"),
    )
    BINDINGS: ClassVar[list[BindingType]] = [
        *LIST_BINDINGS,
        Binding("u", "take_back"),
        Binding("y", "not_judged"),
    ]

    OWN_KEYS = (
        ("list of findings", ""),
        ("↑ ↓", "choose a finding; home and end: the gravest, the mildest; ← → turn a page"),
        ("enter", "go to its moment, and to its channel in detail; escape there leads back"),
        ("u", "take it back, if it is a note of yours"),
        ("y", "what could not be judged, and why; again: back to the finding"),
    )

    def own_part(self) -> Iterable[Widget]:
        """Give the list and the explanation."""
        return FindingList(self.desk, id="list"), Explanation(self.desk, id="explanation")

    def action_move(self, by: int) -> None:
        """Choose another finding."""
        findings = self.desk.findings
        if findings:
            self.desk.finding = min(max((self.desk.finding or 0) + by, 0), len(findings) - 1)
            self.show_moment()

    def action_page(self, direction: int) -> None:
        """Turn a page."""
        self.action_move(direction * self.query_one(FindingList).page_rows)

    async def action_there(self) -> None:
        """Go to the moment and the channel of the chosen finding."""
        if self.desk.findings:
            self.desk.jump(min(self.desk.finding or 0, len(self.desk.findings) - 1))
            await self.run_action("app.detail")

    def action_not_judged(self) -> None:
        """Show what could not be judged, or the finding again."""
        explanation = self.query_one(Explanation)
        explanation.shows_not_judged = not explanation.shows_not_judged
        self.show_moment()

    async def action_take_back(self) -> None:
        """Take a note of one's own back."""
        await self.run_action("app.take_back")
