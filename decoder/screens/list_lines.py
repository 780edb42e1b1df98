"""The lines of a list: cells side by side in columns, and the chosen one in full as far as there is room for it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from decoder.screens.ink import Line, Part, fitted, line, wrapped

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence


def cells(texts: Sequence[Part], widths: Sequence[int], rights: Sequence[bool], gap: int, mark: str) -> Iterator[Part]:
    """Give a row's parts: the mark, then each cell in its width, to the right where `rights` says so.

    A width of 0 leaves the column out.
    """
    yield mark, "strong"
    before = False
    for (text, ink), width, right in zip(texts, widths, rights, strict=True):
        if not width:
            continue
        if before:
            yield " " * gap, "plain"
        before = True
        yield fitted(text, width, right=right), ink


def in_full(given: Iterable[tuple[str, str, str]], width: int, word_width: int) -> list[Line]:
    """Give lines of (word, text, ink), the text broken to the width; a word takes `word_width` columns."""
    lines = []
    for word, text, ink in given:
        for number, part in enumerate(wrapped(text, width - word_width - 1)):
            lines.append(line((f" {'' if number else word}".ljust(word_width), "key"), (part, ink)))
    return lines


def part_shown(lines: Sequence[Line], top: int, height: int, word_width: int, *, whole: bool) -> tuple[int, list[Line]]:
    """Give the first line that shows and the `height` lines from there on; the last one tells if more follow.

    whole : the whole screen is for these lines, so that they can be read page by page
    """
    top = max(min(top, len(lines) - height), 0) if whole else 0
    shown, left = list(lines[top : top + height]), len(lines) - top - height
    if left <= 0:
        return top, shown
    more = f"… {left + 1} more lines: {'→' if whole else 'v shows all'}"
    return top, [*shown[:-1], line((f"{'':<{word_width}}{more}", "dim"))]
