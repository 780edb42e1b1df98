"""The bits of a stream over time with the fields in brackets, line by line; those of the chosen field stand out."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.discovery.pictures.bit_strips import Strip, in_a_row, whole_time
from decoder.discovery.pictures.payload_picture import picture
from decoder.discovery.pictures.picture_text import bracket, caption, drawn
from decoder.discovery.pictures.picture_words import bits_text, field_text, label, selector_text
from decoder.discovery.proposal import Carving
from decoder.discovery.workbench.fields import as_proposals
from decoder.screens.bench_rows import what_text
from decoder.screens.ink import Line, fitted, line

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from decoder.discovery.field_at import FieldAt, StreamKey
    from decoder.discovery.pictures.payload_picture import Group, Picture, Section
    from decoder.discovery.pictures.payload_picture import Line as BitLine
    from decoder.discovery.proposal import Proposal, Selector
    from decoder.discovery.workbench.bench import Bench
    from decoder.discovery.workbench.fields import ListedField

_MOST_LINES: Final = 4096  # of a payload of 4095 bytes at rest; more are never looked at
_CLOSE_SHARE: Final = 3
_FEWEST_CLOSE, _MOST_CLOSE = 8, 40
_FEWEST_COLUMNS: Final = 16
_NARROW_LABEL, _WIDE_LABEL = 18, 26
_ROOMY: Final = 90


@dataclass(frozen=True, eq=False, slots=True)
class Row:
    """A line of the picture with what it belongs to; without a line, the heading of its section."""

    section: Section
    group: Group | None = None
    number: int = 0
    line: BitLine | None = None


def _rows(whole: Picture) -> Iterator[Row]:
    for section in whole.sections:
        if section.groups:
            yield Row(section)
        for group in section.groups:
            for number, one in enumerate(group.lines):
                yield Row(section, group, number, one)


def _bits(rows: Iterable[Row], section: Section) -> Iterator[int]:
    """Give the bits of a section that are drawn over time."""
    for row in rows:
        if row.section is section and row.line is not None and not row.line.value:
            yield from row.line.bits


class Strips:
    """Draws the payload of a stream; what bits did over the whole time is worked out once for each width."""

    def __init__(self, bench: Bench, first_ns: int) -> None:
        self.bench = bench
        self.first_ns = first_ns
        self._tones: tuple[object, dict[int, Strip]] = (None, {})

    def lines(self, key: StreamKey, chosen: FieldAt | None, now_ns: int, size: tuple[int, int]) -> list[Line]:
        """Draw into `size` = width x height characters, around the chosen field where not all of it fits."""
        width, height = size
        fields = self._shown_fields(key, chosen)
        proposals = as_proposals(fields)
        by_id = {id(proposal): one for proposal, one in zip(proposals, fields, strict=True)}
        stream = self.bench.seen(key)
        if not len(stream.data):
            return [line(("  no payload", "dim"))]
        carving = Carving(stream, proposals, stream.row[:0])
        drawn_all = picture(carving, _MOST_LINES, self.bench.hidden(key))
        rows = list(_rows(drawn_all))
        first, last = _window([_is_chosen(row, by_id, chosen) for row in rows], height - 1)
        rows = rows[first:last]
        bits_of = {id(row.section): [*_bits(rows, row.section)] for row in rows}
        if not rows:
            return []
        gutter = max(len(bits_text(row.line)) if row.line else 0 for row in rows)
        beside = _WIDE_LABEL if width >= _ROOMY else _NARROW_LABEL
        columns = max(width - gutter - beside - 4, _FEWEST_COLUMNS)
        close = min(max(columns // _CLOSE_SHARE, _FEWEST_CLOSE), _MOST_CLOSE)
        strips: dict[int, tuple[Strip, ...]] = {}
        for row in rows:
            if id(row.section) not in strips:
                selector = _of_one_value(row.section)
                bits = bits_of[id(row.section)]
                strips[id(row.section)] = self._strips(key, selector, bits, (columns - close - 1, close), now_ns)
        lines = [] if rows[0].line is None else [_heading(rows[0].section, strips, gutter, self.first_ns)]
        for row in rows:
            if row.line is None:
                lines.append(_heading(row.section, strips, gutter, self.first_ns))
            else:
                is_chosen = _is_chosen(row, by_id, chosen)
                lines.append(_drawn_line(row, strips[id(row.section)], by_id, (gutter, beside), is_chosen=is_chosen))
        return lines

    def _shown_fields(self, key: StreamKey, chosen: FieldAt | None) -> list[ListedField]:
        """Give what all payloads have and what stands under the chosen one's value; the chosen one owns its bits."""
        fields = self.bench.fields(key)
        selectors = [one.at.multiplexor for one in fields if one.at.multiplexor is not None]
        wanted = chosen.multiplexor if chosen is not None else None
        if wanted is None and selectors:
            wanted = selectors[0]
        shown = [one for one in fields if one.at.multiplexor in (None, wanted)]
        return sorted(shown, key=lambda one: one.at != chosen)

    def _strips(
        self, key: StreamKey, selector: Selector | None, bits: Sequence[int], columns: tuple[int, int], now_ns: int
    ) -> tuple[Strip, ...]:
        """Give the strips of some bits: the whole time, and payloads in a row up to the moment shown."""
        recent = self.bench.in_a_row(key, selector, now_ns, columns[1])
        if not len(recent.data):
            return ()
        close = in_a_row(recent.time_ns, recent.data, bits)
        return self._whole(key, selector, bits, columns[0]), _filled(close, columns[1])

    def _whole(self, key: StreamKey, selector: Selector | None, bits: Iterable[int], columns: int) -> Strip:
        stream = self.bench.seen(key, selector)
        known_for = (id(self.bench), key, selector, columns)
        cached = self._tones[1] if self._tones[0] == known_for else {}
        missing = [bit for bit in bits if bit not in cached]
        if missing or not cached:
            strip = whole_time(stream.time_ns, stream.data, missing or [0], columns)
            cached |= dict.fromkeys(missing or [0], strip)
        self._tones = (known_for, cached)
        any_one = next(iter(cached.values()))
        return replace(any_one, tones={bit: cached[bit].tones[bit] for bit in bits})


def _of_one_value(section: Section) -> Selector | None:
    """Give the selector whose payloads are drawn."""
    selector = section.selector
    if selector is None or section.shown is None:
        return selector
    return replace(selector, value=section.shown) if selector.value is None else selector


def _window(chosen: Sequence[bool], height: int) -> tuple[int, int]:
    """Give which lines show: from the first on, or so that the chosen ones are in their middle."""
    if len(chosen) <= height or True not in chosen:
        return 0, max(height, 0)
    begin = chosen.index(True)
    end = len(chosen) - chosen[::-1].index(True)
    first = min(max((begin + end - height) // 2, 0), len(chosen) - height, begin)
    return first, first + height


def _is_chosen(row: Row, by_id: Mapping[int, ListedField], chosen: FieldAt | None) -> bool:
    """Tell whether a line shows bits of the chosen field."""
    if chosen is None or row.line is None or row.group is None or row.group.kind not in {"field", "flags", "rest"}:
        return False
    if not any(_owner(proposal, by_id) == chosen for proposal in row.group.proposals):
        return False
    return not set(row.line.bits).isdisjoint(chosen.field.bit_numbers())


def _owner(proposal: Proposal, by_id: Mapping[int, ListedField]) -> FieldAt | None:
    found = by_id.get(id(proposal))
    return None if found is None else found.at


def _note(group: Group, by_id: Mapping[int, ListedField]) -> str:
    """Name what a bracket holds: as the list does, where it is one field."""
    found = by_id.get(id(group.proposals[0])) if group.proposals else None
    count = len(group.proposals)
    if group.kind == "under":
        return f"{count} multiplexed"
    if group.kind != "field" or found is None or group.piece:
        return label(group).split("  ")[0].split(",")[0]
    if found.whose == "carved":
        return f"{found.proposal.kind if found.proposal else ''} {field_text(found.at.field)}"
    return f"{'●' if found.whose == 'mine' else '■'} {what_text(found)}"


def _filled(strip: Strip, columns: int) -> Strip:
    """Give a strip with as many columns as there is room for, blank ones behind the payloads there are."""
    missing = columns - strip.columns
    if missing <= 0:
        return strip
    blank = np.zeros(missing, np.uint8)
    return replace(strip, columns=columns, tones={bit: np.append(row, blank) for bit, row in strip.tones.items()})


def _heading(section: Section, strips: Mapping[int, Sequence[Strip]], gutter: int, first_ns: int) -> Line:
    """Give the times above what all payloads have, and the value above what stands under one."""
    if section.selector is not None:
        return line((f" {'':{gutter}} under {selector_text(section.selector)}", "head"))
    captions = " ".join(caption(strip, first_ns).ljust(strip.columns) for strip in strips[id(section)])
    return line((f" {'':{gutter}} {captions}", "dim"))


def _drawn_line(
    row: Row,
    shown: Sequence[Strip],
    by_id: Mapping[int, ListedField],
    widths: tuple[int, int],
    *,
    is_chosen: bool,
) -> Line:
    """Draw one line; `widths` are those of the bits' names and of the labels."""
    assert row.line is not None
    assert row.group is not None
    gutter, beside = widths
    one, group = row.line, row.group
    note = fitted(_note(group, by_id), beside) if not row.number else " " * beside
    side = bracket(row.number, len(group.lines)) if label(group) else "│"
    text = "│".join(drawn(one, strip, first=at == 0) for at, strip in enumerate(shown))
    ink = "key" if is_chosen else "plain"
    return line(
        (">" if is_chosen else " ", "strong"),
        (f"{bits_text(one):>{gutter}}", "strong" if is_chosen else "dim"),
        ("│", "dim"),
        (text, ink),
        (f"{side} ", ink if is_chosen else "dim"),
        (note, ink),
    )
