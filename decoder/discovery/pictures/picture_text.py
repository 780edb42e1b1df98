"""The picture of a payload as lines of text: two bits a line, a column of time a character, brackets at the right."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING, Final

from decoder.discovery.pictures.bit_strips import BUSY, HIGH, LOW, SILENT, strips
from decoder.discovery.pictures.picture_words import bits_text, label, left_out_text, section_text
from decoder.discovery.pictures.proposal_words import proposal_words

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from decoder.discovery.pictures.bit_strips import Strip
    from decoder.discovery.pictures.payload_picture import Group, Line, Picture, Section

LEGEND: Final = (
    "Bits (byte.bit) over time, two a line: █ 1, blank 0, ▒ comes and goes within a column (▘ ▖ half a line), "
    "┄ never changes, · nothing heard. Left: the whole time; right: single payloads in a row."
)
NARROWEST: Final = 60  # columns; below that the picture keeps this width
WIDEST: Final = 200

_GLYPHS: Final = {
    (LOW, LOW): " ",
    (HIGH, LOW): "▀",
    (LOW, HIGH): "▄",
    (HIGH, HIGH): "█",
    (BUSY, BUSY): "▒",
    (BUSY, LOW): "▘",
    (LOW, BUSY): "▖",
    (BUSY, HIGH): "▙",
    (HIGH, BUSY): "▛",
    (SILENT, SILENT): "·",
}
_THIN: Final = "┄"
_FEWEST_COLUMNS: Final = 24  # both strips together
_CLOSE_SHARE: Final = 3  # the close-up takes one in so many columns
_FEWEST_CLOSE, _MOST_CLOSE = 12, 48
_SHORTEST_LABEL: Final = 12


def picture_lines(picture: Picture, width: int, first_ns: int) -> list[str]:
    """Draw a picture into `width` columns; times count from `first_ns`."""
    width = min(max(width, NARROWEST), WIDEST)
    groups = [group for section in picture.sections for group in section.groups]
    if not groups:
        return [left_out_text(picture.left_out)] if picture.left_out else []
    gutter = max(len(bits_text(line)) for group in groups for line in group.lines)
    beside = _label_width(groups, width)
    columns = max(width - gutter - beside - 4, _FEWEST_COLUMNS)
    lines: list[str] = []
    for section in picture.sections:
        if section.groups:
            title = section_text(section, picture.stream)
            lines += [title] if title else []
            lines += _section_lines(section, gutter, columns, beside, first_ns)
    if picture.left_out:
        lines.append(" " * (gutter + 1) + left_out_text(picture.left_out))
    return lines


def _label_width(groups: Sequence[Group], width: int) -> int:
    """Give what the labels need, and what the words below them like to have on a wide terminal."""
    needed = max(_SHORTEST_LABEL, *(len(label(group)) for group in groups))
    liked = max(len(_words(group)) for group in groups if len(group.lines) > 1) if _any_tall(groups) else 0
    return max(needed, min(liked, width // 4))


def _any_tall(groups: Sequence[Group]) -> bool:
    return any(len(group.lines) > 1 for group in groups)


def _words(group: Group) -> str:
    return proposal_words(group.proposals[0]) if group.kind == "field" and not group.piece else ""


def _section_lines(section: Section, gutter: int, columns: int, beside: int, first_ns: int) -> Iterator[str]:
    close = min(max(columns // _CLOSE_SHARE, _FEWEST_CLOSE), _MOST_CLOSE)
    shown = strips(section.time_ns, section.data, section.drawn_bits, columns, close)
    captions = [caption(strip, first_ns).ljust(strip.columns) for strip in shown]
    yield f"{'':{gutter}} {' '.join(captions)}".rstrip()
    for group in section.groups:
        notes = _notes(group, beside)
        for number, line in enumerate(group.lines):
            bits = "│".join(drawn(line, strip, first=at == 0) for at, strip in enumerate(shown))
            side = bracket(number, len(group.lines)) if notes else "│"
            note = notes[number] if number < len(notes) else ""
            yield f"{bits_text(line):>{gutter}}│{bits}{side} {note}".rstrip()


def caption(strip: Strip, first_ns: int) -> str:
    """Say which time a strip shows; as much as fits above it."""
    begin, end = (f"{(time_ns - first_ns) / 1e9:.1f}" for time_ns in (strip.begin_ns, strip.end_ns))
    if strip.begin_ns == strip.end_ns:
        texts = [f"{begin} s"]
    elif strip.each:
        texts = [f"{strip.columns} in a row from {begin} s", f"close-up {begin} s", f"{begin} s"]
    else:
        step = f"{(strip.end_ns - strip.begin_ns) / 1e9 / strip.columns:.3g} s a column"
        texts = [_spread(strip.columns, f"{begin} s", step, f"{end} s"), _spread(strip.columns, begin, "", f"{end} s")]
    return next((text for text in texts if text and len(text) <= strip.columns), "")


def _spread(columns: int, left: str, middle: str, right: str) -> str:
    """Set three texts at the ends and in the middle of a row; nothing if they do not fit."""
    room = columns - len(left) - len(right)
    return f"{left}{middle:^{room}}{right}" if room >= len(middle) + 2 else ""


def _notes(group: Group, beside: int) -> list[str]:
    """Give the label, and what is known of the field on the lines below it, if all of it fits."""
    named = label(group)
    if not named:
        return []
    words = textwrap.wrap(_words(group), beside)
    return [named, *words] if len(words) < len(group.lines) else [named]


def bracket(number: int, of: int) -> str:
    """Give what holds a group's lines together, at one of its lines."""
    if of == 1:
        return "╴"
    return "┐" if number == 0 else "┘" if number == of - 1 else "│"


def drawn(line: Line, strip: Strip, *, first: bool) -> str:
    """Draw one line of a strip; what never changed is told in the first one."""
    if line.value:
        room = strip.columns - 4
        value = line.value if len(line.value) <= room else f"{line.value[: room - 1]}…"
        return f"{_THIN} {value} ".ljust(strip.columns, _THIN) if first else _THIN * strip.columns
    top = strip.tones[line.bits[0]].tolist()
    bottom = strip.tones[line.bits[-1]].tolist()
    return "".join(map(_GLYPHS.__getitem__, zip(top, bottom, strict=True)))
