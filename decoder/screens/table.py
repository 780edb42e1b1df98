"""The columns of a page of channels: which fit into a width, and how a row is laid out in them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from decoder.screens.ink import STATE_INKS, Line, Part, fitted
from decoder.screens.symbols import state_words

if TYPE_CHECKING:
    from collections.abc import Sequence

    from decoder.screens.rows import Row

_ROOMY: Final = 100  # from so many columns on, two spaces stand between columns
_SHORTEST_NAME: Final = 8
_WHOLE_NAME: Final = 20  # names up to this length show whole before further columns come in
_LONGEST_NAME: Final = 34
_SHORT_TREND: Final = 8
_LONG_TREND: Final = 60
_STATE: Final = 8
_RIGHT: Final = frozenset({"value", "lowest", "highest", "age"})


@dataclass(frozen=True, slots=True)
class Column:
    """One column: what it shows, how many characters wide."""

    key: str
    width: int


def columns_for(width: int, longest_name: int, longest_place: int) -> tuple[Column, ...]:
    """Choose the columns for `width` characters: name, place, value, unit and state always, the others as they fit.

    Where there is too little room, age goes first, then highest, lowest and the trend; where there is more, names
    show whole, the trend grows, and message and comment come in.
    """
    gap = gap_for(width)
    short_name = max(_SHORTEST_NAME, min(longest_name, _WHOLE_NAME))
    place = max(6, min(longest_place, 12))
    widths = {"name": short_name, "place": place, "value": 9, "unit": 4, "state": _STATE}
    room = width - 2 - sum(widths.values()) - gap * (len(widths) - 1)
    for key, wanted in (("trend", _SHORT_TREND), ("lowest", 7), ("highest", 7), ("age", 6)):
        if room < wanted + gap:
            break
        widths[key] = wanted
        room -= wanted + gap
    more = max(0, min(room, longest_name - short_name, _LONGEST_NAME - short_name))
    widths["name"] += more
    room -= more
    for key in ("age", "lowest", "highest", "value", "lowest", "highest", "value", "value"):
        if key in widths and room > 0:
            widths[key] += 1
            room -= 1
    if "trend" in widths:
        more = max(0, min(room, _LONG_TREND - _SHORT_TREND))
        widths["trend"] += more
        room -= more
    for key, wanted in (("message", 18), ("comment", 20)):
        if room >= wanted + gap:
            widths[key] = wanted
            room -= wanted + gap
    if "comment" in widths:
        widths["comment"] += room
    order = (
        "name",
        "place",
        "value",
        "unit",
        "lowest",
        "highest",
        "trend",
        "state",
        "age",
        "message",
        "comment",
    )
    return tuple(Column(key, widths[key]) for key in order if key in widths)


def gap_for(width: int) -> int:
    """Give the spaces between columns."""
    return 2 if width >= _ROOMY else 1


def head_line(columns: Sequence[Column], gap: int, sort: str, *, downwards: bool, window_words: str) -> Line:
    """Give the line of column titles; an arrow stands behind the one that the rows are sorted by."""
    parts: list[Part] = [("  ", "plain")]
    for column in columns:
        title = column.key
        if column.key == "trend":
            title = f"last {window_words}" if column.width >= len(window_words) + 6 else window_words
        if column.key == sort:
            title += "↓" if downwards else "↑"
        parts += [(fitted(title, column.width, right=column.key in _RIGHT), "head"), (" " * gap, "plain")]
    return Line(tuple(parts[:-1]))


def row_line(columns: Sequence[Column], gap: int, row: Row, drawn_trend: str, *, chosen: bool) -> Line:
    """Give the line of one channel; a flag stands before a channel that a finding names."""
    parts: list[Part] = [(">" if chosen else " ", "strong"), ("⚑" if row.flagged else " ", "warning")]
    ink = STATE_INKS[row.state]
    texts = {
        "name": (row.label, "plain"),
        "place": (row.place, "dim"),
        "value": (row.value, ink if ink != "plain" else "strong"),
        "unit": (row.unit, "dim"),
        "lowest": (row.lowest, "plain"),
        "highest": (row.highest, "plain"),
        "trend": (drawn_trend, "dim"),
        "state": (state_words(row.state), ink),
        "age": (row.age, "dim"),
        "message": (row.message, "dim"),
        "comment": (row.comment, "dim"),
    }
    for column in columns:
        text, kind = texts[column.key]
        parts += [(fitted(text, column.width, right=column.key in _RIGHT), kind), (" " * gap, "plain")]
    return Line(tuple(parts[:-1]), chosen)
