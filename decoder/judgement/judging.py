"""All judgements of a capture, in one order, one cause told once."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from decoder.judgement.cells.cell_table import cell_table
from decoder.judgement.cells.imbalance import imbalance_findings
from decoder.judgement.cells.resistances import resistance_findings
from decoder.judgement.cells.self_discharge import self_discharge_findings
from decoder.judgement.cells.spreads import spread_findings
from decoder.judgement.cells.taps import tap_findings
from decoder.judgement.charging.charge import charge_findings
from decoder.judgement.clock_jumps import JumpingClock, without_jumps
from decoder.judgement.electrics.contactors import contactor_findings
from decoder.judgement.electrics.insulation import insulation_findings
from decoder.judgement.electrics.interlock import interlock_findings
from decoder.judgement.electrics.keep_alive import keep_alive_findings
from decoder.judgement.electrics.precharge import precharge_findings
from decoder.judgement.finding import Finding, Judgement
from decoder.judgement.folding import folded
from decoder.judgement.recording.failed_checks import check_findings
from decoder.judgement.recording.lost_frames import lost_frame_findings
from decoder.judgement.sensors.pressure import pressure_findings
from decoder.judgement.sensors.runaway import runaway_findings
from decoder.judgement.sensors.single_channels import channel_findings
from decoder.judgement.sensors.temperature_rise import temperature_rise_findings
from decoder.judgement.sensors.temperatures import temperature_findings
from decoder.judgement.sums.map_suspects import map_findings
from decoder.judgement.sums.module_sums import module_sums
from decoder.maps.pack_sheet import Place

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from decoder.channels import Channels
    from decoder.judgement.notes import Note


# What is judged of channels each on their own, and what of all cells side by side.
_OF_CHANNELS: Final = (
    temperature_findings,
    temperature_rise_findings,
    pressure_findings,
    contactor_findings,
    precharge_findings,
    interlock_findings,
    insulation_findings,
    keep_alive_findings,
    lost_frame_findings,
    check_findings,
)
_OF_CELLS: Final = (
    imbalance_findings,
    self_discharge_findings,
    tap_findings,
    resistance_findings,
    charge_findings,
    map_findings,
    module_sums,
)


def judge(channels: Channels, notes: Sequence[Note] = ()) -> Judgement:
    """Judge a decoded capture by its pack sheet, and add what the user marked.

    Judging adds findings and changes no value.
    """
    not_judged: dict[str, str] = {}
    found, clock = _found(channels, not_judged)
    standing = folded(found) if clock is None else map(clock.as_said, folded(found))
    ordered = sorted([*standing, *_user_flags(channels, notes)], key=_order)
    return Judgement(tuple(ordered), not_judged)


def _found(as_captured: Channels, not_judged: dict[str, str]) -> tuple[list[Finding], JumpingClock | None]:
    """Ask all rooms; times are those of a clock that never jumps back."""
    channels, clock = without_jumps(as_captured)
    table = cell_table(channels)
    found = [*channel_findings(channels), *runaway_findings(channels, table, not_judged)]
    found += spread_findings(channels, not_judged, table)
    for room in _OF_CHANNELS:
        found += room(channels, not_judged)
    if table is not None:
        for cell_room in _OF_CELLS:
            found += cell_room(channels, table, not_judged)
    if not any(len(series) for series in channels.values()):
        not_judged["channel-low"] = not_judged["channel-high"] = "no channel has a sample"
    return found, clock


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
