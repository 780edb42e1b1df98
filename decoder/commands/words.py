"""A decoded and judged capture in words: the tables that verbs print where no screen is wanted."""

from __future__ import annotations

from typing import TYPE_CHECKING

from decoder.judgement.finding import DIGITS, SEVERITY_SYMBOLS
from decoder.maps.pack_sheet import Place
from decoder.printable import printable
from decoder.screens.account_lines import payload_words, unknown_page_words
from decoder.screens.exchange_rows import counted_words, identity_words

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Sequence

    from decoder.account import Account
    from decoder.channels import Channels
    from decoder.judgement import Finding, Judgement
    from decoder.screens.session import Talk
    from decoder.transport.exchange import Exchange

_WRAP = 100
_LONGEST = 1e9  # larger values are written with an exponent
_MOST_EACH = 5


def table(rows: Sequence[Sequence[str]], headings: Sequence[str], left: Collection[str] = ()) -> list[str]:
    """Line up columns, two blanks between; columns that hold only numbers stand right, but for those in `left`."""
    widths = [max(len(row[column]) for row in [headings, *rows]) for column in range(len(headings))]
    right = [
        heading not in left and all(_is_number(row[column]) for row in rows) for column, heading in enumerate(headings)
    ]
    lines = []
    for row in [headings, *rows]:
        cells = [
            text.rjust(width) if numeric else text.ljust(width)
            for text, width, numeric in zip(row, widths, right, strict=True)
        ]
        lines.append("  ".join(cells).rstrip())
    return lines


def _is_number(text: str) -> bool:
    return not text or text[0].isdigit() or text[0] in "-+"


def clock(time_ns: int, first_ns: int) -> str:
    """Give a time as minutes and seconds since the capture's first frame."""
    tenths = round((time_ns - first_ns) / 1e8)
    sign, tenths = ("-", -tenths) if tenths < 0 else ("", tenths)
    return f"{sign}{tenths // 600}:{tenths % 600 / 10:04.1f}"


def amount(value: float | None, unit: str) -> str:
    """Give a value with its unit and a sensible count of digits."""
    if value is None:
        return ""
    digits = f".{DIGITS.get(unit, 1)}f" if abs(value) < _LONGEST else ".4g"
    return f"{value:{digits}} {printable(unit, 8)}".rstrip()


def account_lines(account: Account) -> Iterator[str]:
    """Say what became of the lines of a capture."""
    yield (
        f"{account.lines:,} lines: {account.frames:,} frames + {account.notes:,} notes "
        f"+ {account.skipped:,} skipped + {account.blank:,} blank"
    )
    for kind, count in account.notes_by_kind.items():
        yield f"  note: {count:,} x {printable(kind)}"
    for reason, count in account.skipped_reasons.items():
        first = next((one.line for one in account.skipped_lines if one.reason == reason), None)
        yield f"  skipped: {count:,} x {printable(reason)}" + (f" (first in line {first})" if first else "")
    odd = [
        f"{account.backwards:,} jumps back" if account.backwards else "",
        f"{account.gaps:,} gaps" if account.gaps else "",
        f"{account.duplicate_stamps:,} equal stamps" if account.duplicate_stamps else "",
    ]
    if any(odd):
        yield "  time: " + ", ".join(text for text in odd if text)
    for remark in account.remarks:
        yield f"  {printable(remark)}"


def decoding_lines(channels: Channels) -> Iterator[str]:
    """Say what the map explains of the frames, and what it does not."""
    account = channels.account
    with_samples = sum(1 for series in channels.values() if len(series))
    silent = len(channels) - with_samples
    without = f", {silent:,} more have no samples" if silent else ""
    yield f"{account.decoded_frames:,} frames decoded into {with_samples:,} channels{without}"
    if account.unknown_identifiers:
        frames = sum(account.unknown_identifiers.values())
        yield f"  not in the map: {len(account.unknown_identifiers):,} identifiers, {frames:,} frames"
    if account.error_frames or account.remote_frames:
        yield f"  {account.error_frames:,} error frames and {account.remote_frames:,} remote frames carry no samples"
    for (message, selector, value), count in list(account.unknown_pages.items())[:_MOST_EACH]:
        yield f"  {unknown_page_words(channels, message, selector, value, count)}"
    if len(account.unknown_pages) > _MOST_EACH:
        yield f"  and {len(account.unknown_pages) - _MOST_EACH:,} more pages not in the map"
    for name, count in account.short_frames.items():
        yield f"  {printable(name)}: {count:,} frames shorter than the map says"
    for name, count in account.long_frames.items():
        yield f"  {printable(name)}: {count:,} frames longer than the map says"
    for text in payload_words(account):
        yield f"  {text}"
    if account.unseen:
        yield "  in the map but never seen: " + ", ".join(printable(name) for name in account.unseen[:8])


def talk_lines(talk: Talk) -> Iterator[str]:
    """Count questions and answers, and say what the answerers say they are and what else is on the wire."""
    if talk.exchanges:
        yield counted_words(talk.exchanges)
    for row in talk.identity:
        yield f"  {identity_words(row, talk.identity)}"
    for protocol, text in talk.also_heard:
        yield f"{protocol}: {text}"


def attribute_lines(channels: Channels, exchanges: Sequence[Exchange]) -> Iterator[str]:
    """Name messages that describe single frames where the identifier carries answers."""
    answering = {(one.answerer.can_id, one.answerer.extended) for one in exchanges if one.answerer is not None}
    for message in channels.signal_map.messages:
        plain = not (message.is_reassembled or message.exceeds_a_frame)
        if plain and (message.can_id, message.extended) in answering:
            name = printable(message.name)
            yield f"  {name} describes single frames, yet its identifier carries answers (attribute CellgleanPayload)"


def finding_lines(judgement: Judgement, first_ns: int) -> list[str]:
    """Give the findings, gravest first: a table and below each row its explanation."""
    if not judgement.findings:
        return ["No findings."]
    headings = ("", "severity", "code", "place", "value", "limit", "from", "to")
    rows = table([_finding_row(finding, first_ns) for finding in judgement.findings], headings)
    lines = [rows[0]]
    for row, finding in zip(rows[1:], judgement.findings, strict=True):
        lines.append(row)
        also = f" (also {', '.join(finding.also)})" if finding.also else ""
        advice = f" Next: {finding.advice}." if finding.advice else ""
        text = f"{printable(finding.explanation)}{also}.{advice} Limit: {printable(finding.source)}."
        lines.extend(f"     {line}" for line in wrapped(text, _WRAP))
    return lines


def _finding_row(finding: Finding, first_ns: int) -> tuple[str, ...]:
    return (
        SEVERITY_SYMBOLS[finding.severity],
        finding.severity.word,
        finding.code,
        str(finding.place if finding.place is not None else Place()),
        amount(finding.value, finding.unit),
        amount(finding.limit, finding.unit),
        clock(finding.from_ns, first_ns),
        clock(finding.to_ns, first_ns),
    )


def wrapped(text: str, width: int) -> list[str]:
    """Break text into lines."""
    import textwrap

    return textwrap.wrap(text, width) or [""]


def not_judged_lines(judgement: Judgement) -> Iterator[str]:
    """Say what could not be judged, and why."""
    for code, reason in judgement.not_judged.items():
        yield f"not judged: {code}: {printable(reason)}"


def module_lines(channels: Channels) -> list[str]:
    """Give one row a module: cells, lowest and highest cell at the capture's last scan, where it sits."""
    from decoder.judgement.modules import module_rows

    rows = module_rows(channels)
    if not rows:
        return []
    headings = ("module", "cells", "lowest V", "cell", "highest V", "cell", "spread V", "largest V", "in the case")
    return table(
        [
            (
                str(row.module),
                str(row.cells),
                f"{row.lowest_v:.3f}",
                str(row.lowest_cell or ""),
                f"{row.highest_v:.3f}",
                str(row.highest_cell or ""),
                f"{row.spread_v:.3f}",
                f"{row.largest_spread_v:.3f}",
                row.where or "",
            )
            for row in rows
        ],
        headings,
    )


def role_lines(channels: Channels) -> list[str]:
    """Say of each channel what it is taken for, where it is, its limits, and which rule says so."""
    rows = []
    for name, series in channels.items():
        channel = series.channel
        ends = [amount(limit.value, channel.unit) if limit else "" for limit in (channel.low, channel.high)]
        rows.append(
            (printable(name, 40), channel.quantity or "-", str(channel.place), *ends, printable(channel.role.rule))
        )
    return table(rows, ("channel", "quantity", "place", "low", "high", "by which rule")) if rows else ["No channels."]


def result_lines(channels: Channels, judgement: Judgement, *, show_vin: bool = False) -> list[str]:
    """Give the whole result as text."""
    from decoder.screens.session import Talk

    account = channels.frames.account
    talk = Talk.of(channels.frames, channels.signal_map.reassembled, show_vin=show_vin)
    paths = ", ".join(printable(path) for path in account.paths) or "capture"
    pack = channels.sheet.name if channels.sheet is not None and channels.sheet.name else None
    modules = module_lines(channels)
    length = clock(channels.last_ns, channels.first_ns)
    return [
        f"{printable(pack)}: {paths}" if pack else paths,
        f"{length} min on {', '.join(printable(name) for name in channels.frames.bus_names)}",
        "",
        *account_lines(account),
        *decoding_lines(channels),
        *attribute_lines(channels, talk.exchanges),
        *talk_lines(talk),
        *(["", "Cells by module, last and largest spread while the pack was steady", *modules] if modules else []),
        "",
        "Findings",
        *finding_lines(judgement, channels.first_ns),
        *not_judged_lines(judgement),
        "",
        "High voltage kills: trained people only, by the maker's procedure. This judgement replaces no measurement.",
    ]
