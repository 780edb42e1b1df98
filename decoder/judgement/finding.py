"""What a finding is, and how grave one can be.

The signal words and their order are those of ANSI Z535.6: notice, caution, warning, danger.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from typing import TYPE_CHECKING, Final

from decoder.judgement.advice import ADVICE

if TYPE_CHECKING:
    from collections.abc import Mapping

    from decoder.maps.pack_sheet import Place


class Severity(IntEnum):
    """How grave a finding is."""

    NOTICE = 1
    CAUTION = 2
    WARNING = 3
    DANGER = 4

    @property
    def word(self) -> str:
        """The signal word in lower case."""
        return self.name.lower()


# How findings are written everywhere: a symbol beside the word, one column wide, and decimals by unit.
SEVERITY_SYMBOLS: Final = {
    Severity.NOTICE: "○",
    Severity.CAUTION: "◇",
    Severity.WARNING: "◆",
    Severity.DANGER: "■",
}
DIGITS: Final = {
    "V": 3,
    "A": 1,
    "Ah": 1,
    "degC": 1,
    "degC/s": 2,
    "%": 2,
    "kPa": 1,
    "kW": 1,
    "kohm": 0,
    "ohm/V": 0,
    "mohm": 2,
    "mV/h": 1,
    "s": 2,
}


@dataclass(frozen=True, slots=True)
class Finding:
    """A judged fact: what, how grave, where, how much against what limit, from when to when, and why it matters.

    `channel` is ``None`` where a finding is about several channels; `channels` names all that it rests on. `value` and
    `limit` are in `unit`; `value` is the worst one. `also` holds the codes of findings that this one explains.
    `source` says where the limit comes from.
    """

    code: str
    severity: Severity
    place: Place | None
    value: float | None
    limit: float | None
    unit: str
    from_ns: int
    to_ns: int
    explanation: str
    source: str
    channel: str | None = None
    channels: tuple[str, ...] = ()
    worst_ns: int | None = None
    also: tuple[str, ...] = ()

    @property
    def advice(self) -> str:
        """What to check next, with the pack made safe; empty where there is nothing to say."""
        at_wake_up = self.code == "channel-absent" and self.severity is Severity.NOTICE
        return "" if at_wake_up else ADVICE.get(self.code, "")


@dataclass(frozen=True, slots=True)
class Judgement:
    """All findings, gravest first, and what could not be judged: code -> reason."""

    findings: tuple[Finding, ...]
    not_judged: Mapping[str, str]

    def at_least(self, severity: Severity) -> tuple[Finding, ...]:
        """Give the findings that are at least so grave."""
        return tuple(finding for finding in self.findings if finding.severity >= severity)
