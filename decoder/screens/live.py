"""What the screens must know of a capture that goes on, and how often costly work on it may be done."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from decoder.screens.session import USER_FLAG

if TYPE_CHECKING:
    from collections.abc import Iterable

    from decoder.judgement import Finding, Severity
    from decoder.maps.pack_sheet import Place


@dataclass(frozen=True, slots=True)
class Live:
    """A capture that goes on while it is shown.

    earlier : how many frames fell out of the window that is shown
    in_file : whether those stand in a file
    ended : nothing will come any more
    waits_for : the file that is not there yet
    quiet_s : whole seconds since something came
    trouble : why nothing can be read; empty where it can
    """

    earlier: int = 0
    in_file: bool = True
    ended: bool = False
    waits_for: str | None = None
    quiet_s: int = 0
    trouble: str = ""


@dataclass(slots=True)
class Pace:
    """Work that is done at most every `every_s` seconds, and in no more than `share` of the time, by its own cost."""

    every_s: float
    share: float
    _due_s: float = field(default=float("-inf"))

    def is_due(self, now_s: float) -> bool:
        """Tell whether it may be done now."""
        return now_s >= self._due_s

    def note(self, began_s: float, ended_s: float) -> None:
        """Take when it was done."""
        cost_s = max(ended_s - began_s, 0.0)
        self._due_s = max(began_s + self.every_s, began_s + cost_s / self.share)


class News:
    """Tells findings that were not there before: new ones, graver ones, and ones that were away for `away_s`."""

    def __init__(self, away_s: float) -> None:
        self._away_s = away_s
        self._known: dict[tuple[str, Place | None, str | None], tuple[Severity, float]] = {}

    def of(self, findings: Iterable[Finding], now_s: float) -> tuple[Finding, ...]:
        """Give those of `findings` that are news at `now_s`; the user's own notes never are."""
        known = {key: one for key, one in self._known.items() if now_s - one[1] <= self._away_s}
        new = []
        for finding in findings:
            if finding.code == USER_FLAG:
                continue
            key = (finding.code, finding.place, finding.channel)
            before = known.get(key)
            if before is None or finding.severity > before[0]:
                new.append(finding)
            known[key] = (finding.severity if before is None else max(before[0], finding.severity), now_s)
        self._known = known
        return tuple(new)
