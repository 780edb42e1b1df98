"""The line that names the pages: the current one in brackets with its number, others around it as they fit."""

from __future__ import annotations

from typing import TYPE_CHECKING

from decoder.screens.ink import Line, Part, cell_len, fitted

if TYPE_CHECKING:
    from collections.abc import Sequence

    from decoder.screens.rows import Title

_BETWEEN = " · "


def strip_line(shown: Sequence[Title], current: Title | None, page: int, pages: int, width: int) -> Line:
    """Give the line for `width` characters; `page` of `pages` is the current title's, counted from 1."""
    if current is None:
        return Line((("no channels", "dim"),))
    texts = [_words(title) for title in shown]
    here = shown.index(current)
    number = f" {page}/{pages}" if pages > 1 else ""
    texts[here] = f"[{_words(current, number)}]"
    first, last = _window([cell_len(text) for text in texts], here, width - 4)
    parts: list[Part] = [("‹ " if first else "  ", "dim")]
    for place in range(first, last + 1):
        if place > first:
            parts.append((_BETWEEN, "dim"))
        parts.append(
            (
                fitted(texts[place], min(cell_len(texts[place]), width - 4)),
                "head" if place == here else "plain",
            )
        )
    parts.append((" ›" if last + 1 < len(texts) else "", "dim"))
    return Line(tuple(parts))


def _words(title: Title, number: str = "") -> str:
    return f"{title.title}{number}" + (f" ⚑{title.flagged}" if title.flagged else "")


def _window(widths: Sequence[int], here: int, room: int) -> tuple[int, int]:
    """Give the first and last title that fit into `room` together with the one at `here`."""
    first = last = here
    used = widths[here]
    while True:
        # What comes next is of more use than what was before.
        if last + 1 < len(widths) and used + len(_BETWEEN) + widths[last + 1] <= room:
            last += 1
            used += len(_BETWEEN) + widths[last]
        elif first > 0 and used + len(_BETWEEN) + widths[first - 1] <= room:
            first -= 1
            used += len(_BETWEEN) + widths[first]
        else:
            return first, last
