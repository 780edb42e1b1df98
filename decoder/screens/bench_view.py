"""The mapping bench as lines: the stream, its fields, the chosen one in words, its bits over time and its channel."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from decoder.discovery.pictures.picture_words import field_text
from decoder.discovery.pictures.proposal_words import proposal_words
from decoder.screens.bench_rows import (
    WHOSE_WORDS,
    FieldRow,
    grip_words,
    meaning_words,
    now_text,
    place_of_field,
    row_of,
    stream_words,
    under_text,
)
from decoder.screens.bench_strips import Strips
from decoder.screens.frame import DeskView
from decoder.screens.ink import Line, Part, cell_len, fitted, line, wrapped
from decoder.screens.list_lines import cells
from decoder.screens.plot import plot
from decoder.screens.table import gap_for

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from decoder.discovery.field_at import StreamKey
    from decoder.discovery.workbench.bench import Bench
    from decoder.discovery.workbench.borders import Grip
    from decoder.discovery.workbench.fields import ListedField
    from decoder.screens.desk import Desk

VIEWS: Final = ("all", "bits", "channel")
_WIDE: Final = 110  # from so many columns on, the bits stand beside the rest
_LOWEST: Final = 7  # below so many lines only the list shows
_FEWEST_FOR_BITS: Final = 15
_TITLES: Final = FieldRow("whose", "field", "under", "what", "scale", "now", "sure")
_RIGHTS: Final = (False, False, False, False, False, True, True)
_INKS: Final = ("plain", "plain", "dim", "strong", "dim", "strong", "dim")
_LABEL: Final = 9
_FEWEST_FOR_MEANING: Final = 36
_WAITING: Final = "looking through all frames …"
_ELSEWHERE: Final = (
    "The work goes on at an identifier that is not among these frames. Press / for one that is; u and U undo and do"
    " again all the same."
)
_NO_STREAM: Final = "No payload to look at: the capture holds no data frame. Press i for what became of its lines."


@dataclass(frozen=True, slots=True)
class Shares:
    """How many lines each part gets; 0 for none."""

    rows: int
    bits: int
    channel: int


def shares_of(height: int, count: int, view: str, *, beside: bool) -> Shares:
    """Share out `height` lines between the list of `count` fields with its titles, the bits and the channel.

    beside : the bits stand beside the rest and take no lines of it
    """
    if view == "bits":
        return Shares(0, height, 0)
    if view == "channel":
        return Shares(0, 0, height)
    if height < _LOWEST:
        return Shares(max(height, 1), 0, 0)
    if beside:
        rows = min(count + 1, height // 2)
        return Shares(rows, 0, height - rows)
    bits = max(height // 3, 5) if height >= _FEWEST_FOR_BITS else 0
    rows = min(count + 1, max((height - bits) // 2, 3))
    return Shares(rows, bits, height - bits - rows)


class BenchView(DeskView):
    """Everything between the top line and the timeline."""

    def __init__(self, desk: Desk, *, id: str | None = None) -> None:  # noqa: A002
        super().__init__(desk, id=id)
        self.grip: Grip = "end"
        self.view = VIEWS[0]
        self.doing = ""
        self._strips: Strips | None = None

    @property
    def page_rows(self) -> int:
        """How many fields a page of the list holds."""
        return max(self.size.height // 3, 1)

    def lines_for(self, width: int, height: int) -> Sequence[Line]:
        """Make the lines that show."""
        session = self.desk.session
        if not session.bench_is_ready:
            return [line(), line(f"  {_WAITING}")]
        bench = session.bench
        key = bench.work.stream
        if key is None or key not in bench.by_key:
            words = _ELSEWHERE if bench.keys else _NO_STREAM
            return [line(), *(line(f"  {part}") for part in wrapped(words, width - 4))]
        if not bench.ready(key):
            return [self._heading(bench, key, width), line(f"  {_WAITING}")]
        lines = [self._heading(bench, key, width), *self._facts(bench, width)]
        room = height - len(lines)
        beside = width >= _WIDE and self.view == "all"
        if not beside:
            return [*lines, *self._parts(bench, key, (width, room), bits_beside=False)]
        left = width * 11 // 20
        bits = self._bits(bench, key, (left, room))
        rest = self._parts(bench, key, (width - left - 1, room), bits_beside=True)
        return [*lines, *_side_by_side(bits, rest, left, room)]

    def _heading(self, bench: Bench, key: StreamKey, width: int) -> Line:
        count = len(bench.work.meanings)
        right = f" {self.doing} " if self.doing else f" {count:,} of yours " if count else " none of yours yet "
        words = f" {stream_words(bench, key)}"
        ink = "key" if self.doing else "dim"
        return line((fitted(words, max(width - cell_len(right), 0)), "head"), (right, ink))

    def _facts(self, bench: Bench, width: int) -> list[Line]:
        """Say in two lines where the chosen field lies, what it means, and what the arrows move."""
        at, listed = bench.work.at, self.chosen(bench)
        if at is None or listed is None:
            hint = "↑↓ choose a field · a adds one · / another identifier · ? all keys"
            return [line((fitted(f" {hint}", width), "plain")), line()]
        first = f" {WHOSE_WORDS[listed.whose]} {place_of_field(at)}"
        if listed.whose == "mine":
            second = f" {meaning_words(listed.meaning)}"
            moves = f" ←→ {grip_words(self.grip, at)} "
            room = width - cell_len(moves)
            if room > _FEWEST_FOR_MEANING:
                return [line((fitted(first, width), "strong")), line(fitted(second, room), (moves, "key"))]
        elif listed.whose == "map":
            second = " in the signal map: the bench adds to a map and changes nothing in it"
        else:
            known = proposal_words(listed.proposal) if listed.proposal is not None else ""
            moves = " enter takes it as yours "
            room = max(width - cell_len(moves), 0)
            second = fitted(f" {known or 'nothing more is known of it'}", room)
            return [line((fitted(first, width), "strong")), line(second, (moves, "key"))]
        return [line((fitted(first, width), "strong")), line(fitted(second, width))]

    def chosen(self, bench: Bench) -> ListedField | None:
        """Give the chosen field as it is listed."""
        key, at = bench.work.stream, bench.work.at
        if key is None or at is None:
            return None
        return next((one for one in bench.fields(key) if one.at == at), None)

    def _parts(self, bench: Bench, key: StreamKey, size: tuple[int, int], *, bits_beside: bool) -> list[Line]:
        width, height = size
        fields = bench.fields(key)
        shares = shares_of(height, max(len(fields), 1), self.view, beside=bits_beside)
        lines = self._list(bench, fields, width, shares.rows) if shares.rows else []
        if shares.bits:
            drawn = self._bits(bench, key, (width, shares.bits))
            lines += drawn + [line()] * (shares.bits - len(drawn))
        if shares.channel > 1:
            lines += self._channel(bench, key, width, shares.channel)
        return lines

    def _list(self, bench: Bench, fields: Sequence[ListedField], width: int, height: int) -> list[Line]:
        at = bench.work.at
        count = max(height - 1, 1)
        row = next((number for number, one in enumerate(fields) if one.at == at), 0)
        first = min(max(row - count // 2, 0), max(len(fields) - count, 0))
        shown = fields[first : first + count]
        widths = column_widths(width, fields)
        gap = gap_for(width)
        head = [(text, "head") for text in _TITLES]
        lines = [Line(tuple(cells(head, widths, _RIGHTS, gap, " ")))][: height - 1] if height > 1 else []
        if not fields:
            words = "no field yet: a adds one" if bench.carvings.get(bench.work.stream) else self.doing or "…"  # type: ignore[arg-type]
            lines.append(line((f"  {words}", "dim")))
        for one in shown:
            texts = row_of(one, bench.channel(one), self.desk.now_ns)
            inks = ["chosen"] * len(texts) if one.at == at else _INKS
            mark = ">" if one.at == at else " "
            parts = cells(list(zip(texts, inks, strict=True)), widths, _RIGHTS, gap, mark)
            lines.append(
                Line(tuple((text, "chosen" if one.at == at and ink == "plain" else ink) for text, ink in parts))
            )
        return lines + [line()] * (height - len(lines))

    def _bits(self, bench: Bench, key: StreamKey, size: tuple[int, int]) -> list[Line]:
        if self._strips is None or self._strips.bench is not bench:
            self._strips = Strips(bench, self.desk.channels.first_ns)
        return self._strips.lines(key, bench.work.at, self.desk.now_ns, size)

    def _channel(self, bench: Bench, key: StreamKey, width: int, height: int) -> list[Line]:
        """Draw the chosen field as a channel."""
        listed = self.chosen(bench)
        if listed is None:
            return [line()] * height
        series = bench.channel(listed)
        if series is None:
            words = "not shown: holds a vehicle identification number; --show-vin shows it"
            if not bench.is_hidden(listed.at):
                words = _WAITING
            return [line((f"  {words}", "dim")), *[line()] * (height - 1)]
        desk, head = self.desk, self.desk.playhead
        from_ns, to_ns = head.first_ns - 1, head.last_ns
        if desk.history_s is not None:
            from_ns, to_ns = head.now_ns - int(desk.history_s * 1e9), head.now_ns
        title = f"{field_text(listed.at.field)}{under_text(listed.at.multiplexor)}"
        now = now_text(listed.meaning, series, desk.now_ns, raw=False)
        count = bench.count_of(key, listed.at.multiplexor)
        some = f"· {len(series):,} of {count:,} payloads " if 0 < len(series) < count else ""
        words = f"── {title} · now {now} {some}"
        size = (width - _LABEL - 2, max(height - 2, 1))
        drawn = plot(series, from_ns, max(to_ns, from_ns + 1), head.now_ns, desk.channels.first_ns, size)
        lines = [line((fitted(words + "─" * max(width - cell_len(words), 0), width), "dim"))]
        for label, text in zip(drawn.labels, drawn.lines, strict=True):
            lines.append(line((fitted(label, _LABEL, right=True), "dim"), ("│", "dim"), (text, "plain")))
        lines.append(line((" " * (_LABEL + 1) + drawn.axis, "dim")))
        return lines[:height]


def column_widths(width: int, fields: Iterable[ListedField]) -> list[int]:
    """Give the columns' widths, 0 for one that does not show; what is left goes to what a field is."""
    listed = list(fields)
    place = max((len(field_text(one.at.field)) for one in listed), default=5)
    under = max((len(under_text(one.at.multiplexor)) for one in listed), default=0)
    sure = 5 if any(one.proposal is not None for one in listed) else 0
    widths = {"whose": 7, "field": max(place, 5), "under": max(under, 5) if under else 0, "what": 14, "scale": 0}
    widths |= {"now": 10, "sure": 0}
    gap = gap_for(width)
    room = width - 2 - sum(widths.values()) - gap * (sum(map(bool, widths.values())) - 1)
    for name, wanted in (("scale", 14), ("sure", sure)):
        if wanted and room >= wanted + gap:
            widths[name] = wanted
            room -= wanted + gap
    widths["what"] += max(min(room, 20), 0)
    return list(widths.values())


def _side_by_side(left: Sequence[Line], right: Sequence[Line], width: int, height: int) -> list[Line]:
    """Put two columns of lines beside each other, with a rule between them."""
    lines = []
    for number in range(height):
        parts = _padded(left[number].parts if number < len(left) else (), width)
        more = right[number].parts if number < len(right) else ()
        lines.append(Line((*parts, ("│", "dim"), *more)))
    return lines


def _padded(parts: Sequence[Part], width: int) -> Sequence[Part]:
    used = sum(cell_len(text) for text, _ in parts)
    if used <= width:
        return (*parts, (" " * (width - used), "plain"))
    kept: list[Part] = []
    for text, ink in parts:
        room = width - sum(cell_len(one) for one, _ in kept)
        kept.append((fitted(text, min(cell_len(text), room)), ink))
    return kept
