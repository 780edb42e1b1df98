"""The whole capture as one bar: where findings begin and last, and where the moment shown stands."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from decoder.screens.symbols import SEVERITY_SYMBOLS

if TYPE_CHECKING:
    from collections.abc import Sequence

    from decoder.judgement import Finding, Severity

QUIET: Final = "─"
LASTING: Final = "━"
CURSOR: Final = "┃"


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
    characters = [QUIET] * max(width, 0)
    gravest: list[Severity | None] = [None] * max(width, 0)
    if not characters:
        return "", ()
    mildest_first = sorted(findings, key=lambda finding: finding.severity)
    for finding in mildest_first:
        start = column_of(finding.from_ns, first_ns, last_ns, width)
        for column in range(start, column_of(finding.to_ns, first_ns, last_ns, width) + 1):
            characters[column], gravest[column] = LASTING, finding.severity
    for finding in mildest_first:
        start = column_of(finding.from_ns, first_ns, last_ns, width)
        characters[start], gravest[start] = SEVERITY_SYMBOLS[finding.severity], finding.severity
    return "".join(characters), tuple(gravest)
