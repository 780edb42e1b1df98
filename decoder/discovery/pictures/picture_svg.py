"""Pictures of payloads as one SVG document that needs nothing else: no scripts, no fonts, light and dark.

What the colours say is written beside it too: a bit that is 1 is filled, one that comes and goes is hatched.
"""

from __future__ import annotations

import textwrap
from html import escape
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.discovery.pictures.bit_strips import BUSY, HIGH, SILENT, strips
from decoder.discovery.pictures.picture_words import NOTATION, bits_text, label, left_out_text, section_text
from decoder.discovery.pictures.proposal_words import proposal_words

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from decoder.discovery.pictures.bit_strips import Strip
    from decoder.discovery.pictures.payload_picture import Group, Line, Picture, Section

# Lengths in pixels of the document.
_FONT_PX: Final = 11
_CHARACTER_PX: Final = 7.2  # no monospaced font in use is wider at this size; common practice, no source
_TEXT_PX: Final = 14
_LINE_PX: Final = 14
_MARGIN_PX: Final = 16
_GAP_PX: Final = 6
_BETWEEN_PX: Final = 12  # the two strips
_STRIPS_PX: Final = 660
_SECTION_PX: Final = 12

_COLUMNS: Final = 289
_CLOSE: Final = 48
_WORDS: Final = 44  # characters in a line beside a bracket

# Colours of the brackets: the set that most colour-blind people can tell apart, Okabe and Ito 2008; from memory.
_KIND_COLOURS: Final = {
    "number": "#0072b2",
    "counter": "#009e73",
    "check": "#d55e00",
    "flag": "#cc79a7",
    "state": "#cc79a7",
    "multiplexor": "#e69f00",
    "text": "#56b4e9",
}
_STYLE: Final = (
    f":root{{color-scheme:light dark}}text{{font:{_FONT_PX}px monospace;fill:#1c1f22;white-space:pre}}"
    ".head{font-weight:bold}.paper{fill:#fff}.field{fill:#eceff1}.one{fill:#2b4a63}.hatch{stroke:#2b4a63}"
    ".rest{stroke:#7a838b;stroke-dasharray:2 3}.still{fill:#c9ced2}.bracket{fill:none;stroke:#7a838b;stroke-width:2}"
    + "".join(f".{kind}{{stroke:{colour}}}" for kind, colour in _KIND_COLOURS.items())
    + "@media screen and (prefers-color-scheme:dark){text{fill:#e6e8ea}.paper{fill:#15181b}.field{fill:#23282d}"
    ".one{fill:#a9c8e2}.hatch{stroke:#a9c8e2}.still{fill:#3c444b}}"
)
_HATCH: Final = (
    '<pattern id="busy" width="4" height="4" patternUnits="userSpaceOnUse">'
    '<path class="hatch" d="M-1 1l2-2M0 4l4-4M3 5l2-2" stroke-width="1.1"/></pattern>'
)
_LEGEND: Final = (
    "Filled: 1. Hatched: comes and goes within a column. Dashed: never changes, with its value. Grey: nothing heard. "
    + NOTATION
)


def svg(title: str, pictures: Sequence[tuple[str, Picture]], first_ns: int) -> str:
    """Give the document.

    title : what stands above all
    pictures : each with its heading
    first_ns : when the capture began; times count from there
    """
    body: list[str] = []
    widest = _characters(title)
    y: float = _MARGIN_PX + _TEXT_PX
    body.append(_text(_MARGIN_PX, y, title, "head"))
    for legend in textwrap.wrap(_LEGEND, 110):
        y += _TEXT_PX
        body.append(_text(_MARGIN_PX, y, legend))
        widest = max(widest, _characters(legend))
    for heading, picture in pictures:
        y += 2 * _TEXT_PX
        body.append(_text(_MARGIN_PX, y, heading, "head"))
        parts, y, right = _picture(picture, y + _SECTION_PX / 2, first_ns)
        body += parts
        widest = max(widest, _characters(heading), right - _MARGIN_PX)
    width, height = round(widest + 2 * _MARGIN_PX), round(y + _MARGIN_PX)
    size = f'width="{width}" height="{height}"'
    return "\n".join(
        [
            f'<svg xmlns="http://www.w3.org/2000/svg" {size} viewBox="0 0 {width} {height}" role="img">',
            f"<title>{escape(title)}</title>",
            f"<style>{_STYLE}</style>",
            f"<defs>{_HATCH}</defs>",
            f'<rect class="paper" {size}/>',
            *body,
            "</svg>",
        ]
    )


def _picture(picture: Picture, y: float, first_ns: int) -> tuple[list[str], float, float]:
    """Draw one picture from `y` on; give its parts, where it ends, and how far it reaches to the right."""
    lines = [line for section in picture.sections for group in section.groups for line in group.lines]
    left = _MARGIN_PX + max((_characters(bits_text(line)) for line in lines), default=0) + _GAP_PX
    parts: list[str] = []
    right = left + _STRIPS_PX
    for section in picture.sections:
        if section.groups:
            some, y, reach = _section(section, section_text(section, picture.stream), left, y, first_ns)
            parts += some
            right = max(right, reach)
    if picture.left_out:
        y += _TEXT_PX
        parts.append(_text(left, y, left_out_text(picture.left_out)))
    return parts, y, right


def _section(section: Section, title: str, left: float, y: float, first_ns: int) -> tuple[list[str], float, float]:
    parts: list[str] = []
    right = left + _STRIPS_PX
    if title:
        y += _TEXT_PX
        parts.append(_text(_MARGIN_PX, y, title))
        right = max(right, _MARGIN_PX + _characters(title))
    shown = strips(section.time_ns, section.data, section.drawn_bits, _COLUMNS, _CLOSE)
    places = _places(shown, left)
    y += _TEXT_PX
    for strip, (x, column_px) in zip(shown, places, strict=True):
        parts += _caption(strip, x, column_px, y, first_ns)
    y += _GAP_PX
    for group in section.groups:
        some, y, reach = _group(group, shown, places, left, y)
        parts += some
        right = max(right, reach)
    return parts, y, right


def _places(shown: Sequence[Strip], left: float) -> list[tuple[float, float]]:
    """Give where each strip begins, and how wide its columns are."""
    if len(shown) == 1:
        return [(left, _STRIPS_PX / shown[0].columns)]
    close_px = 192
    whole_px = _STRIPS_PX - close_px - _BETWEEN_PX
    return [(left, whole_px / shown[0].columns), (left + whole_px + _BETWEEN_PX, close_px / shown[1].columns)]


def _caption(strip: Strip, x: float, column_px: float, y: float, first_ns: int) -> Iterator[str]:
    begin, end = (f"{(time_ns - first_ns) / 1e9:.1f} s" for time_ns in (strip.begin_ns, strip.end_ns))
    if strip.each:
        yield _text(x, y, f"{strip.columns} in a row from {begin}")
        return
    yield _text(x, y, begin)
    if strip.begin_ns == strip.end_ns:
        return
    width = column_px * strip.columns
    step = f"{(strip.end_ns - strip.begin_ns) / 1e9 / strip.columns:.3g} s a column"
    yield _text(x + width / 2, y, step, anchor="middle")
    yield _text(x + width, y, end, anchor="end")


def _group(
    group: Group, shown: Sequence[Strip], places: Sequence[tuple[float, float]], left: float, y: float
) -> tuple[list[str], float, float]:
    notes = _notes(group)
    height = max(_LINE_PX * len(group.lines), _TEXT_PX * len(notes))
    line_px = height / len(group.lines)
    parts = [
        f'<rect class="field" x="{_n(x)}" y="{_n(y)}" width="{_n(column_px * strip.columns)}" height="{_n(height)}"/>'
        for strip, (x, column_px) in zip(shown, places, strict=True)
    ]
    for number, line in enumerate(group.lines):
        top = y + number * line_px
        middle = top + line_px / 2 + _FONT_PX / 3
        parts.append(_text(left - _GAP_PX, middle, bits_text(line), anchor="end"))
        parts += _rest(line, shown, places, top + line_px / 2) if line.value else []
    for strip, place in zip(shown, places, strict=True):
        parts += _bits(group, strip, place, y, line_px)
    x = left + _STRIPS_PX + _GAP_PX
    right = x
    if notes:
        bent = 5
        kind = group.proposals[0].kind if group.proposals else ""
        parts.append(f'<path class="bracket {kind}" d="M{_n(x)} {_n(y + 1)}h{bent}v{_n(height - 2)}h-{bent}"/>')
        text_x = x + bent + _GAP_PX
        spare = (height - _TEXT_PX * len(notes)) / 2 if len(notes) == 1 else 0
        for number, note in enumerate(notes):
            parts.append(_text(text_x, y + spare + _TEXT_PX * number + _FONT_PX, note))
            right = max(right, text_x + _characters(note))
    return parts, y + height + 3, right


def _notes(group: Group) -> list[str]:
    """Give the label and what is known: of a field, and of each of several flags."""
    named = label(group)
    if not named:
        return []
    if group.piece or group.kind not in {"field", "rest"} or len(group.proposals) > 1:
        return [named]
    return [named, *textwrap.wrap(proposal_words(group.proposals[0]), _WORDS)]


def _rest(line: Line, shown: Sequence[Strip], places: Sequence[tuple[float, float]], y: float) -> Iterator[str]:
    """Draw the thin line of bits that never change, behind its value."""
    (x, column_px), strip = places[0], shown[0]
    room = int(column_px * strip.columns / _CHARACTER_PX) - 4
    value = line.value if len(line.value) <= room else f"{line.value[: room - 1]}…"
    yield _text(x + _GAP_PX, y + _FONT_PX / 3, value)
    begin = x + 2 * _GAP_PX + _characters(value)
    for (left, width), one in zip(places, shown, strict=True):
        end = left + width * one.columns
        yield f'<path class="rest" d="M{_n(max(begin, left))} {_n(y)}H{_n(end)}"/>'


def _bits(group: Group, strip: Strip, place: tuple[float, float], y: float, line_px: float) -> Iterator[str]:
    """Draw the bits of a group over one strip: one path for each tone."""
    paths: dict[int, list[str]] = {HIGH: [], BUSY: [], SILENT: []}
    for number, line in enumerate(group.lines):
        if line.value:
            continue
        bit_px = line_px / len(line.bits)
        for at, bit in enumerate(line.bits):
            top = y + number * line_px + at * bit_px
            for tone, path in paths.items():
                path.extend(_runs(strip.tones[bit] == tone, place, top, bit_px - 0.5))
    for tone, style in ((HIGH, 'class="one"'), (BUSY, 'fill="url(#busy)"'), (SILENT, 'class="still"')):
        if paths[tone]:
            yield f'<path {style} d="{"".join(paths[tone])}"/>'


def _runs(on: NDArray[np.bool_], place: tuple[float, float], y: float, height: float) -> Iterator[str]:
    x, column_px = place
    edges = np.flatnonzero(np.diff(on, prepend=False, append=False)).tolist()
    for begin, end in zip(edges[::2], edges[1::2], strict=True):
        width = (end - begin) * column_px
        yield f"M{_n(x + begin * column_px)} {_n(y)}h{_n(width)}v{_n(height)}h-{_n(width)}z"


def _n(pixels: float) -> str:
    return f"{pixels:.1f}".removesuffix(".0")


def _characters(text: str) -> float:
    return len(text) * _CHARACTER_PX


def _text(x: float, y: float, text: str, style: str = "", anchor: str = "") -> str:
    more = (f' class="{style}"' if style else "") + (f' text-anchor="{anchor}"' if anchor else "")
    return f'<text x="{_n(x)}" y="{_n(y)}"{more}>{escape(text)}</text>'
