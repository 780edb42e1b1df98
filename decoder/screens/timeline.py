"""The whole capture as one bar: where findings begin and last, and where the moment shown stands."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.judgement.finding import SEVERITY_SYMBOLS, Severity

if TYPE_CHECKING:
    from collections.abc import Sequence

    from decoder.judgement import Finding

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
