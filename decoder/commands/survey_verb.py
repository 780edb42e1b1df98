"""`survey`: what is on the wire, as a table or as JSON.

The JSON object, schema ``cellglean.survey/1``: capture (path, lines, frames, notes, skipped, blank, buses, first_ns,
last_ns), skipped_lines (line, reason; the first 1000), skipped_reasons (reason -> count), time (backwards, gaps,
equal_stamps), loads and identifiers.

- loads: bus, bit_rate, frames, fd_frames, error_frames, least_percent, most_percent (without and with all possible
  stuff bits; CAN FD and error frames are not in it).
- identifiers, by bus and number: bus, id, extended, frames, lengths (bytes -> frames), period_ms, jitter_ms (null for
  fewer than three frames), burst (frames that come together), first_ns, last_ns, changing_bits (how many ever change),
  changing (hex, a 1 for each bit that does, of the bytes that all frames have), constant (byte -> value), transport
  (null, iso-tp or j1939-tp).
"""

from __future__ import annotations

import argparse
import json
from typing import TYPE_CHECKING, Any

from decoder.commands.options import Verbs, add_capture, add_verb, load_frames
from decoder.commands.output import add_output, put

if TYPE_CHECKING:
    from decoder.discovery.bus_load import BusLoad
    from decoder.discovery.survey import Identifier, Survey
    from decoder.frames import Frames

_USUAL_BIT_RATE = 500_000
_KILO = 1000


def add(verbs: Verbs) -> None:
    """Add the verb."""
    verb = add_verb(
        verbs,
        "survey",
        run,
        "say what is on the wire: identifiers, timing, changing bits, bus load",
        "A period is the usual time between frames, or between bursts. Nine in ten lie within twice the jitter.",
    )
    add_capture(verb)
    verb.add_argument(
        "--bit-rate",
        type=_bit_rate,
        default=_USUAL_BIT_RATE,
        metavar="BIT/S",
        help="what the bus load is reckoned with, such as 250000 or 250k (default 500k)",
    )
    add_output(verb)


def _bit_rate(text: str) -> int:
    """Read a bit rate, with or without k behind it."""
    digits = text.strip().lower()
    factor = _KILO if digits.endswith("k") else 1
    digits = digits.removesuffix("k")
    if not (digits.isascii() and digits.isdecimal() and int(digits) > 0):
        raise argparse.ArgumentTypeError(f"{text!r} is no bit rate, such as 500k")
    return int(digits) * factor


def run(options: argparse.Namespace) -> int:
    """Survey and print."""
    from decoder.discovery.survey import survey

    frames = load_frames(options)
    found = survey(frames, options.bit_rate)
    text = json_text(frames, found) if options.json else "\n".join(text_lines(frames, found))
    put(text, options.out)
    return 0


def text_lines(frames: Frames, found: Survey) -> list[str]:
    """Give what became of the lines, the load of each bus, and one line an identifier."""
    from decoder.commands.words import account_lines, clock, table
    from decoder.transport.heard import heard_lines

    if not len(frames):
        return [*account_lines(frames.account), "No frames."]
    first_ns = int(frames.time_ns[0])
    several = len(frames.bus_names) > 1
    rows = [_row(one, first_ns, several=several) for one in found.identifiers]
    headings = (*(("bus",) if several else ()), *_HEADINGS)
    return [
        *account_lines(frames.account),
        f"{clock(int(frames.time_ns.max()), first_ns)} min, {len(rows):,} identifiers",
        *(_load_line(load) for load in found.loads),
        *(f"{protocol}: {text}" for protocol, text in heard_lines(frames)),
        "",
        *table(rows, headings, _LEFT),
    ]


_HEADINGS = (
    "identifier",
    "frames",
    "period ms",
    "jitter ms",
    "burst",
    "bytes",
    "changing bits",
    "first",
    "last",
    "transport",
    "which bits change",
)
_LEFT = ("bus", "identifier", "bytes", "transport", "which bits change")


def _row(one: Identifier, first_ns: int, *, several: bool) -> tuple[str, ...]:
    from decoder.commands.words import clock
    from decoder.printable import printable

    lengths = sorted(one.lengths)
    return (
        *((printable(one.bus, 20),) if several else ()),
        f"{one.can_id:0{8 if one.extended else 3}X}",
        f"{one.frames:,}",
        "" if one.period_ms is None else f"{one.period_ms:.1f}",
        "" if one.jitter_ms is None else f"{one.jitter_ms:.1f}",
        str(one.burst) if one.burst > 1 else "",
        str(lengths[0]) if len(lengths) == 1 else f"{lengths[0]} to {lengths[-1]}",
        str(one.changing_bits),
        clock(one.first_ns, first_ns),
        clock(one.last_ns, first_ns),
        one.transport or "",
        _changing(one),
    )


def _changing(one: Identifier) -> str:
    """Write a byte as two hex digits, a 1 bit for each bit that changes; a byte at rest as two dots."""
    return " ".join(f"{byte:02X}" if byte else "··" for byte in one.changing)


def _load_line(load: BusLoad) -> str:
    from decoder.printable import printable

    rate = f"{load.bit_rate / _KILO:g} kbit/s"
    left_out = [
        f"{count:,} {what}" for count, what in ((load.fd_frames, "CAN FD"), (load.error_frames, "error")) if count
    ]
    without = f", without {' and '.join(left_out)} frames" if left_out else ""
    return (
        f"{printable(load.bus, 20)}: {load.frames:,} frames, {load.least_percent:.1f} to {load.most_percent:.1f} %"
        f" of {rate}{without}"
    )


def json_text(frames: Frames, found: Survey) -> str:
    """Give the JSON object as text."""
    account = frames.account
    whole = {
        "schema": "cellglean.survey/1",
        "capture": {
            "path": account.paths[0] if len(account.paths) == 1 else list(account.paths),
            "lines": account.lines,
            "frames": account.frames,
            "notes": account.notes,
            "skipped": account.skipped,
            "blank": account.blank,
            "buses": list(frames.bus_names),
            "first_ns": int(frames.time_ns[0]) if len(frames) else None,
            "last_ns": int(frames.time_ns.max()) if len(frames) else None,
        },
        "skipped_lines": [{"line": one.line, "reason": one.reason} for one in account.skipped_lines],
        "skipped_reasons": dict(account.skipped_reasons),
        "time": {
            "backwards": account.backwards,
            "gaps": account.gaps,
            "equal_stamps": account.duplicate_stamps,
        },
        "loads": [_load(load) for load in found.loads],
        "identifiers": [_identifier(one) for one in found.identifiers],
    }
    return json.dumps(whole, indent=1, ensure_ascii=True)


def _load(load: BusLoad) -> dict[str, Any]:
    return {
        "bus": load.bus,
        "bit_rate": load.bit_rate,
        "frames": load.frames,
        "fd_frames": load.fd_frames,
        "error_frames": load.error_frames,
        "least_percent": round(load.least_percent, 3),
        "most_percent": round(load.most_percent, 3),
    }


def _identifier(one: Identifier) -> dict[str, Any]:
    return {
        "bus": one.bus,
        "id": one.can_id,
        "extended": one.extended,
        "frames": one.frames,
        "lengths": {str(length): count for length, count in one.lengths.items()},
        "period_ms": one.period_ms,
        "jitter_ms": one.jitter_ms,
        "burst": one.burst,
        "first_ns": one.first_ns,
        "last_ns": one.last_ns,
        "changing_bits": one.changing_bits,
        "changing": one.changing.hex().upper(),
        "constant": {str(at): value for at, value in one.constant.items()},
        "transport": one.transport,
    }
