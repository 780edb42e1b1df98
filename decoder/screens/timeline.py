"""The whole capture as one bar: where findings begin and last, and where the moment shown stands."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.judgement.finding import SEVERITY_SYMBOLS, Severity
from decoder.screens.ink import cell_len, fitted

if TYPE_CHECKING:
    from collections.abc import Sequence

    from decoder.judgement import Finding

QUIET: Final = "─"
LASTING: Final = "━"
CURSOR: Final = "┃"
MARK: Final = "▾"
LOOP: Final = "═"
LOOP_START: Final = "╞"
LOOP_END: Final = "╡"
QUIET_ROW: Final = " "
_SHORTEST_LABEL: Final = 4
_SHOWN_OF_LOOP: Final = 2


def column_of(time_ns: int, first_ns: int, last_ns: int, width: int) -> int:
    """Give the column of a moment on a bar of `width` columns."""
    if last_ns <= first_ns or width < 1:
        return 0
    return min(max((time_ns - first_ns) * width // (last_ns - first_ns), 0), width - 1)


def bar(
    findings: Sequence[Finding], first_ns: int, last_ns: int, width: int
) -> tuple[str, tuple[Severity | None, ...]]:
    """Draw the findings: a heavy line while one lasts, its symbol where it begins, the gravest on top.

    Gives the characters and, for each column, the gravest severity there.
    """
    if width < 1:
        return "", ()
    gravest = np.zeros(width, np.int8)
    starts = np.zeros(width, np.int8)
    for finding in sorted(findings, key=lambda finding: finding.severity):
        first = column_of(finding.from_ns, first_ns, last_ns, width)
        gravest[first : column_of(finding.to_ns, first_ns, last_ns, width) + 1] = finding.severity
        starts[first] = finding.severity
    shown = np.where(starts > 0, starts, gravest)
    characters = "".join(
        SEVERITY_SYMBOLS[Severity(start)] if start else LASTING if lasting else QUIET
        for start, lasting in zip(starts.tolist(), gravest.tolist(), strict=True)
    )
    return characters, tuple(Severity(severity) if severity else None for severity in shown.tolist())


def mark_row(
    marks: Sequence[tuple[int, str]], loop: tuple[int, int] | None, first_ns: int, last_ns: int, width: int
) -> list[tuple[str, bool]]:
    """Draw marks, in order of time as (moment in ns, label), with their labels as they fit, and the loop.

    Gives `width` columns as pieces of text, each with whether it belongs to the loop. A label stands right of its mark,
    that of the last one left of it where there is more room; close marks have none.
    """
    columns = {column_of(moment, first_ns, last_ns, width): label for moment, label in marks}
    places = sorted(columns)
    row = [QUIET_ROW] * width
    start = end = -1
    if loop is not None:
        start, end = (column_of(moment, first_ns, last_ns, width) for moment in loop)
        row[start : end + 1] = [LOOP] * (end + 1 - start)
        row[start], row[end] = LOOP_START, LOOP_END
    free = 0
    for place, after in zip(places, [*places, width + 1][1:], strict=True):
        label = columns[place]
        # Of a loop something must show beside the label that stands in it.
        room = after - place - 2 - (_SHOWN_OF_LOOP if start <= place < end else 0)
        before = place - free - 1
        row[place] = MARK
        length = min(cell_len(label), room)
        if place == places[-1] and length < cell_len(label) and before > room:
            length = min(cell_len(label), before)
            row[place - length : place] = _cells(label, length)
        elif length >= min(cell_len(label), _SHORTEST_LABEL):
            free = place + 1 + length
            row[place + 1 : free] = _cells(label, length)
        else:
            free = place + 1
    return [(cell, cell in {LOOP, LOOP_START, LOOP_END}) for cell in row]


def _cells(label: str, length: int) -> list[str]:
    """Give a label as the texts of `length` columns; the second column of a wide character is empty."""
    text = fitted(label, length)
    cells: list[str] = []
    for character in text:
        columns = cell_len(character)
        if columns == 0 and cells:
            cells[-1] += character
        else:
            cells += [character, *[""] * (columns - 1)]
    return (cells + [" "] * length)[:length]
