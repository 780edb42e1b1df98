"""What was captured and how much of it could be read: lines, frames, what the map knows, who said what it is."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Final

from decoder.discovery.covering.explained import explained
from decoder.discovery.streams import streams
from decoder.report.texts import short_name, time_words
from decoder.transport.exchanges import exchanges
from decoder.transport.identity import identity
from decoder.transport.iso_tp import conversations

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from decoder.channels import Channels
    from decoder.channels.series import DecodeAccount
    from decoder.report.overview import Fact
    from decoder.transport.identity import IdentityRow

_MOST: Final = 12
_BASES: Final = {
    "utc": "seconds since 1970 (UTC)",
    "local": "dates without zone, taken as UTC",
    "relative": "seconds since the first line or the recorder's zero",
    "summed": "differences between lines, added up",
    "counted": "no stamps: 1 ms a frame",
}


@dataclass(frozen=True, slots=True)
class WireFacts:
    """What was heard beside the broadcast values: who says what it is, and how much of the changing bits is known."""

    identity: tuple[IdentityRow, ...]
    changing_bits: int
    explained_bits: int

    @property
    def buses(self) -> int:
        """On how many buses somebody said what it is."""
        return len({row.bus for row in self.identity})

    @property
    def share(self) -> str:
        """How much of the changing bits the map explains; empty where nothing changes."""
        return f"{self.explained_bits / self.changing_bits:.0%}" if self.changing_bits else ""


def wire_facts(channels: Channels, *, show_vin: bool) -> WireFacts:
    """Put conversations together, and count the bits that the map explains."""
    found = conversations(channels.frames, named=channels.signal_map.reassembled)
    rows = identity(exchanges(channels.frames, found), show_vin=show_vin)
    covered = explained(channels.frames, streams(channels.frames, found.transfers), channels.signal_map)
    return WireFacts(rows, covered.changing_bits, covered.explained_bits)


def capture_facts(channels: Channels) -> Iterator[Fact]:
    """Say what was captured, when, and what became of its lines."""
    account = channels.frames.account
    yield "file", ", ".join(Path(one).name for one in account.paths) or "standard input"
    yield "recorded", recorded_words(channels)
    for base in account.time_bases:
        yield "time stamps", _BASES.get(base, base)
    yield "length", time_words((channels.last_ns - channels.first_ns) / 1e9)
    yield ("buses" if len(channels.frames.bus_names) > 1 else "bus"), ", ".join(channels.frames.bus_names)
    parts = (
        f"{account.frames:,} frames + {account.notes:,} notes + {account.skipped:,} skipped + {account.blank:,} blank"
    )
    yield "lines", f"{account.lines:,} = {parts}"
    for kind, count in list(account.notes_by_kind.items())[:_MOST]:
        yield "notes", f"{count:,} × {kind}"
    for reason, count in list(account.skipped_reasons.items())[:_MOST]:
        first = next((one.line for one in account.skipped_lines if one.reason == reason), None)
        yield "skipped", f"{count:,} × {reason}" + (f", first in line {first:,}" if first is not None else "")
    if account.backwards or account.gaps:
        yield "time faults", f"{account.backwards:,} jumps back, {account.gaps:,} gaps"
    for remark in account.remarks[:_MOST]:
        yield "remark", remark


def recorded_words(channels: Channels) -> str:
    """Say when recording began, in the local time zone, where the stamps say so."""
    bases = set(channels.frames.account.time_bases)
    if not len(channels.frames) or not bases or not bases <= {"utc", "local"}:
        return "the stamps do not say on which day"
    try:
        began = datetime.fromtimestamp(channels.first_ns / 1e9, UTC)
        return moment_words(began.astimezone() if bases == {"utc"} else began, zone=bases == {"utc"})
    except (OverflowError, OSError, ValueError):
        return "the stamps lie outside the calendar"


def moment_words(moment: datetime, *, zone: bool = True) -> str:
    """Write date and time, with the time zone's name and its distance from UTC."""
    words = f"{moment:%Y-%m-%d %H:%M:%S}"
    if not zone:
        return f"{words}, zone not said"
    offset = f"{moment:%z}"
    return f"{words} {moment.tzname() or ''} (UTC{offset[:3]}:{offset[3:5]})"


def decoding_facts(channels: Channels) -> Iterator[Fact]:
    """Say what the map makes of the frames, and what it leaves."""
    account = channels.account
    with_samples = sum(1 for one in channels.values() if len(one))
    for path in channels.signal_map.paths:
        yield "signal map", Path(path).name
    if channels.sheet is not None and channels.sheet.path:
        yield "pack sheet", Path(channels.sheet.path).name
    share = f" ({account.decoded_frames / account.frames:.0%})" if account.frames else ""
    yield "decoded", f"{account.decoded_frames:,} of {account.frames:,} frames{share} into {with_samples:,} channels"
    if account.error_frames or account.remote_frames:
        yield "without samples", f"{account.error_frames:,} error frames, {account.remote_frames:,} remote frames"
    yield from _unknown_identifiers(account)
    yield from _counted("short frames", account.short_frames, "shorter than the map says")
    yield from _counted("long frames", account.long_frames, "longer than the map says")
    yield from _counted("answers", account.broken_payloads, "did not arrive whole")
    yield from _counted("answers", account.refused_answers, "negative")
    if account.unknown_pages:
        pages, frames = len(account.unknown_pages), sum(account.unknown_pages.values())
        yield "unknown pages", f"{pages:,} values of multiplexors in {frames:,} payloads"
    if account.unseen:
        more = len(account.unseen) - _MOST
        names = ", ".join(short_name(one, 40) for one in account.unseen[:_MOST])
        yield "never seen", names + (f" and {more:,} more" if more > 0 else "")
    faults = channels.signal_map.faults
    if faults:
        yield "map faults", f"{len(faults):,} mended, the first: {faults[0]}"


def _unknown_identifiers(account: DecodeAccount) -> Iterator[Fact]:
    unknown = account.unknown_identifiers
    if not unknown:
        return
    most = sorted(unknown.items(), key=lambda item: -item[1])
    several = len({bus for bus, _, _ in unknown}) > 1
    words = [
        f"{can_id:0{8 if extended else 3}X}{f' on {short_name(bus, 20)}' if several else ''} ({count:,})"
        for (bus, can_id, extended), count in most[:_MOST]
    ]
    more = f" and {len(most) - _MOST:,} more" if len(most) > _MOST else ""
    yield "not in the map", f"{len(unknown):,} identifiers, {sum(unknown.values()):,} frames: {', '.join(words)}{more}"


def _counted(word: str, counts: Mapping[str, int], what: str) -> Iterator[Fact]:
    for message, count in sorted(counts.items(), key=lambda item: -item[1])[:_MOST]:
        yield word, f"{short_name(message, 40)}: {count:,} {what}"
