"""All judgements of a capture, in one order, one cause told once."""

from __future__ import annotations

from typing import TYPE_CHECKING

from decoder.judgement.finding import Finding, Judgement
from decoder.judgement.folding import folded
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
    ordered = sorted([*folded(found), *_user_flags(channels, notes)], key=_order)
    return Judgement(tuple(ordered), not_judged)


def _order(finding: Finding) -> tuple[int, int, float, int]:
    """Put the gravest first; among those the longest: what is there all the time before what comes and goes."""
    excess = abs(finding.value / finding.limit) if finding.value is not None and finding.limit else 0.0
    return -finding.severity, finding.from_ns - finding.to_ns, -excess, finding.from_ns


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
