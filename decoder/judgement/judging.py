"""All judgements of a capture, in one order, one cause told once."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from decoder.judgement.finding import Finding, Judgement
from decoder.judgement.single_channels import channel_findings
from decoder.judgement.spreads import spread_findings
from decoder.maps.pack_sheet import Place

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from decoder.channels import Channels
    from decoder.judgement.notes import Note


def judge(channels: Channels, notes: Sequence[Note] = ()) -> Judgement:
    """Judge a decoded capture by its pack sheet, and add what the user marked.

    Judging adds findings and changes no value.
    """
    not_judged: dict[str, str] = {}
    found = [*channel_findings(channels), *spread_findings(channels, not_judged)]
    if not any(len(series) for series in channels.values()):
        not_judged["channel-low"] = not_judged["channel-high"] = "no channel has a sample"
    ordered = sorted([*_folded(found), *_user_flags(channels, notes)], key=_order)
    return Judgement(tuple(ordered), not_judged)


def _order(finding: Finding) -> tuple[int, int, float, int]:
    """Put the gravest first; among those the longest: what is there all the time before what comes and goes."""
    excess = abs(finding.value / finding.limit) if finding.value is not None and finding.limit else 0.0
    return -finding.severity, finding.from_ns - finding.to_ns, -excess, finding.from_ns


def _folded(found: Sequence[Finding]) -> Iterator[Finding]:
    """Fold a spread over the pack into the module's spread that explains it at the same time."""
    module_spreads = [finding for finding in found if finding.code == "module-spread"]
    explained = {id(f): m for f in found if f.code == "pack-spread" for m in module_spreads if _explains(m, f)}
    also = {id(module): ("pack-spread",) for module in explained.values()}
    for finding in found:
        if id(finding) not in explained:
            yield replace(finding, also=also[id(finding)]) if id(finding) in also else finding


def _explains(module: Finding, pack: Finding) -> bool:
    """Tell whether a module's spread goes with a cell that makes the pack's spread, at an overlapping time."""
    return (
        module.from_ns <= pack.to_ns
        and pack.from_ns <= module.to_ns
        and bool(set(module.channels) & set(pack.channels))
    )


def _user_flags(channels: Channels, notes: Sequence[Note]) -> Iterator[Finding]:
    for note in notes:
        at_ns = None if note.time_s is None else channels.first_ns + round(note.time_s * 1e9)
        known = note.channel is not None and note.channel in channels
        yield Finding(
            code="user-flag",
            severity=note.severity,
            place=channels[note.channel].channel.place if known and note.channel else Place(),
            value=None,
            limit=None,
            unit="",
            from_ns=channels.first_ns if at_ns is None else at_ns,
            to_ns=channels.last_ns if at_ns is None else at_ns,
            channel=note.channel,
            channels=(note.channel,) if note.channel else (),
            explanation=note.text,
            source="marked by the user",
        )
