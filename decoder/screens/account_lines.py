"""What the capture is and what became of its lines and frames, as lines of text."""

from __future__ import annotations

from typing import TYPE_CHECKING

from decoder.printable import printable
from decoder.screens.exchange_rows import counted_words, identity_words
from decoder.screens.symbols import time_words

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from decoder.channels import Channels
    from decoder.channels.series import DecodeAccount
    from decoder.screens.session import Session

_MOST_EACH = 200
_WIDE_BITS = 16
_BASES = {
    "utc": "seconds since 1970 (UTC)",
    "local": "dates without zone, taken as UTC",
    "relative": "seconds since the first line or the recorder's zero",
    "summed": "differences between lines, added up",
    "counted": "no stamps: 1 ms a frame",
}


def account_lines(session: Session) -> list[tuple[str, str]]:
    """Give lines as (word, text); a word alone is a heading."""
    parts = (_capture, _identity, _time, _decoded, _map, _not_judged)
    return [line for part in parts for line in part(session)]


def _capture(session: Session) -> Iterator[tuple[str, str]]:
    account = session.channels.frames.account
    yield "capture", ""
    for path in account.paths or (session.capture_path or "standard input",):
        yield "file", printable(path, 200)
    parts = (
        f"{account.frames:,} frames + {account.notes:,} notes + {account.skipped:,} skipped + {account.blank:,} blank"
    )
    yield "lines", f"{account.lines:,} = {parts}"
    for kind, count in account.notes_by_kind.items():
        yield "notes", f"{count:,} × {printable(kind, 100)}"
    for reason, count in account.skipped_reasons.items():
        yield "skipped", f"{count:,} × {printable(reason, 150)}"
    for skipped in account.skipped_lines[:_MOST_EACH]:
        yield "", f"line {skipped.line} of {printable(skipped.path, 60)}: {printable(skipped.reason, 150)}"
    for remark in account.remarks:
        yield "remark", printable(remark, 200)


def _identity(session: Session) -> Iterator[tuple[str, str]]:
    talk = session.talk
    if talk.exchanges:
        yield "questions", ""
        yield "exchanges", counted_words(talk.exchanges)
    for number, row in enumerate(talk.identity):
        yield "to quote" if number == 0 else "", identity_words(row, talk.identity)
    if talk.also_heard:
        yield "also on the wire", ""
    yield from talk.also_heard[:_MOST_EACH]


def _time(session: Session) -> Iterator[tuple[str, str]]:
    channels, account = session.channels, session.channels.frames.account
    yield "time", ""
    for base in account.time_bases:
        yield "stamps", _BASES.get(base, base)
    yield "lasts", time_words((channels.last_ns - channels.first_ns) / 1e9)
    yield (
        "faults",
        f"{account.backwards:,} × backwards, {account.gaps:,} gaps, {account.duplicate_stamps:,} equal stamps",
    )
    for fault in account.time_faults[:_MOST_EACH]:
        yield (
            "",
            f"line {fault.line} of {printable(fault.path, 60)}: {fault.kind} by {fault.by_ns / 1e9:.3f} s",
        )


def _decoded(session: Session) -> Iterator[tuple[str, str]]:
    account = session.channels.account
    yield "decoded", ""
    yield (
        "frames",
        (
            f"{account.decoded_frames:,} of {account.frames:,} are in the signal map;"
            f" {account.remote_frames:,} remote, {account.error_frames:,} error frames"
        ),
    )
    for (bus, can_id, extended), count in _most(account.unknown_identifiers):
        yield (
            "unknown",
            f"identifier {can_id:0{8 if extended else 3}X} on {printable(bus, 20)}: {count:,} frames",
        )
    for (message, selector, value), count in _most(account.unknown_pages):
        yield "unknown", unknown_page_words(session.channels, message, selector, value, count)
    for message, count in _most(account.short_frames):
        yield "short", f"{printable(message, 40)}: {count:,} frames with fewer bytes than the map says"
    for message, count in _most(account.long_frames):
        yield "long", f"{printable(message, 40)}: {count:,} frames with more bytes than the map says"
    for text in payload_words(account):
        yield "answers", text
    for message in account.unseen[:_MOST_EACH]:
        yield "unseen", f"{printable(message, 40)}: in the map, not in the capture"


def unknown_page_words(channels: Channels, message: str, selector: str, value: int, count: int) -> str:
    """Say that the map has no page for a multiplexor's value; wide values in hex, as answers are written."""
    signals = [s for m in channels.signal_map.messages if m.name == message for s in m.signals if s.name == selector]
    bits = signals[0].field.length if signals else 0
    shown = f"{value:0{bits // 4}X} hex" if bits >= _WIDE_BITS and value >= 0 else str(value)
    what = "answer" if any(m.name == message and m.is_reassembled for m in channels.signal_map.messages) else "frame"
    plural = "" if count == 1 else "s"
    which = f"{printable(selector, 40)} {shown}"
    return f"{printable(message, 40)}: {count:,} {what}{plural} with {which}, a page not in the map"


def payload_words(account: DecodeAccount) -> Iterator[str]:
    """Say which payloads of several frames gave no samples."""
    for message, count in account.broken_payloads.items():
        yield f"{printable(message, 40)}: {count:,} did not arrive whole"
    for message, count in account.refused_answers.items():
        yield f"{printable(message, 40)}: {count:,} negative answer{'' if count == 1 else 's'}"


def _most(
    counts: Mapping[tuple[str, int, bool], int] | Mapping[tuple[str, str, int], int] | Mapping[str, int],
) -> list:  # type: ignore[type-arg]
    """Give the most frequent first."""
    return sorted(counts.items(), key=lambda item: -item[1])[:_MOST_EACH]


def _map(session: Session) -> Iterator[tuple[str, str]]:
    signal_map = session.channels.signal_map
    yield "signal map", ""
    for path, encoding in zip(signal_map.paths, signal_map.encodings, strict=False):
        yield "file", f"{printable(path, 150)} ({printable(encoding, 20)})"
    if not signal_map.messages:
        yield "", "no signal map is open: nothing is decoded"
    for fault in signal_map.faults[:_MOST_EACH]:
        yield "fault", printable(str(fault), 300)
    if session.sheet_path is not None:
        yield "pack sheet", printable(str(session.sheet_path), 200)
    if session.notes_file is not None:
        yield "notes in", printable(str(session.notes_file), 200)


def _not_judged(session: Session) -> Iterator[tuple[str, str]]:
    if session.judgement.not_judged:
        yield "not judged", ""
    for code, reason in session.judgement.not_judged.items():
        yield code, printable(reason, 200)
