"""The case seen from above: where each module sits, and what was found in it."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING

from decoder.judgement.finding import SEVERITY_SYMBOLS, Severity
from decoder.judgement.modules import module_rows
from decoder.report.texts import number_words, place_words, title_of

if TYPE_CHECKING:
    from decoder.channels import Channels
    from decoder.judgement import Finding, Judgement


@dataclass(frozen=True, slots=True)
class FoundHere:
    """One finding of a module; `number` is that of the list of findings."""

    number: int
    severity: str
    symbol: str
    text: str


@dataclass(frozen=True, slots=True)
class CaseModule:
    """One module: `severity` is the signal word of its gravest finding, empty where nothing was found.

    `is_gravest`: no other module has a finding that comes before all of this one's.
    """

    module: int
    severity: str
    symbol: str
    is_gravest: bool
    found: tuple[FoundHere, ...]
    facts: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class CasePicture:
    """`rows` as the pack sheet has them, the front row first; `elsewhere`: modules that it gives no place.

    `whole_pack`: what was found that sits in no module, notices left out.
    """

    front: str
    rows: tuple[tuple[CaseModule, ...], ...]
    elsewhere: tuple[CaseModule, ...]
    whole_pack: tuple[FoundHere, ...]
    widest: int


def case_picture(channels: Channels, judgement: Judgement) -> CasePicture:
    """Sort findings by module, and modules by where they sit."""
    found = _found_by_module(judgement)
    facts = {
        row.module: (
            f"{row.cells} cells",
            f"lowest {number_words(row.lowest_v, 3)} V" + (f" (cell {row.lowest_cell})" if row.lowest_cell else ""),
            f"spread {number_words(row.spread_v * 1e3, 0)} mV",
        )
        for row in module_rows(channels)
    }
    rows = channels.sheet.rows if channels.sheet is not None else ()
    placed = {module for row in rows for module in row}
    gravest = next(iter(found), None)

    def drawn(module: int) -> CaseModule:
        worst = found[module][0][1].severity if module in found else None
        return CaseModule(
            module,
            worst.word if worst is not None else "",
            SEVERITY_SYMBOLS[worst] if worst is not None else "",
            module == gravest,
            tuple(_here(number, finding) for number, finding in found.get(module, ())),
            facts.get(module, ()),
        )

    return CasePicture(
        front=(channels.sheet.front if channels.sheet is not None else None) or "",
        rows=tuple(tuple(drawn(module) for module in row) for row in rows),
        elsewhere=tuple(drawn(module) for module in sorted((set(found) | set(facts)) - placed)),
        whole_pack=tuple(
            _here(number, finding)
            for number, finding in enumerate(judgement.findings, start=1)
            if (finding.place is None or finding.place.module is None) and finding.severity > Severity.NOTICE
        ),
        widest=max((len(row) for row in rows), default=1),
    )


def _found_by_module(judgement: Judgement) -> dict[int, list[tuple[int, Finding]]]:
    """Give the numbered findings of each module; the module of the gravest one first."""
    found: dict[int, list[tuple[int, Finding]]] = defaultdict(list)
    for number, finding in enumerate(judgement.findings, start=1):
        if finding.place is not None and finding.place.module is not None:
            found[finding.place.module].append((number, finding))
    return dict(found)


def _here(number: int, finding: Finding) -> FoundHere:
    at = place_words(finding, short=True)
    where = "" if at == "pack" else f", {at}"
    return FoundHere(
        number, finding.severity.word, SEVERITY_SYMBOLS[finding.severity], f"{title_of(finding.code)}{where}"
    )
