"""`exchanges`: questions and answers as a table or as JSON.

The JSON object, schema ``cellglean.exchanges/1``: exchanges, in the order in which they began, each with time_ns, bus,
asker and answerer (each null, or id, extended, address), service, identifier, name, request, answer, outcome, reason,
latency_ms, functional, pending, text; and identity: bus, answerer, service, identifier, name, text, time_ns.

- time_ns is the first frame of the request; of the answer, where the request was not heard. latency_ms runs from the
  last frame of the request to the first frame of the final answer.
- service and identifier are numbers; identifier is null where the service has none. name is the standard's word for
  the service, in identity that for the identifier.
- request and answer are hex, null where not heard; of a broken one, what arrived. Bytes of a vehicle identification
  number are written ``**``, unless --show-vin is given.
- outcome is answered, refused, pending, unanswered, broken or silent; reason is null where there is none.
- pending counts how often the answerer asked for more time. text is what the answer says in words, null for none.
- What the options keep out is neither in exchanges nor in identity.
"""

from __future__ import annotations

import argparse
import json
import shutil
import sys
from typing import TYPE_CHECKING, Any

from decoder.commands.options import Verbs, add_capture, add_map, add_show_vin, add_verb, load_frames, load_maps
from decoder.commands.output import add_output, put

if TYPE_CHECKING:
    from collections.abc import Sequence

    from decoder.transport.exchange import End, Exchange
    from decoder.transport.identity import IdentityRow

_MORE = """\
Outcomes: answered; refused (with the reason); pending (told to wait, and the final answer never came); unanswered
(nothing within 5 s or before the capture ended); broken (question or answer did not arrive whole); silent (the
question waived its answer, and none came).
What broke it: missing (frames are not there), sequence (frames out of order), time-out (the next frame came more than
1 s later), overflow (the receiver refused the length), cut off (the capture begins or ends inside).
On a terminal lines are cut to its width; in a file or a pipe they are whole."""
_HEX = 16
_WIDE = 110  # columns; a narrower terminal does without service names and lengths
_NARROWEST = 40  # columns; a terminal that says it has fewer is not believed


def add(verbs: Verbs) -> None:
    """Add the verb."""
    verb = add_verb(verbs, "exchanges", run, "say who asked whom, what came back and how long it took", _MORE)
    add_capture(verb)
    add_map(verb)
    verb.add_argument(
        "--identifier",
        action="append",
        default=[],
        type=hexadecimal,
        metavar="HEX",
        help="only about this identifier of a service, such as F190; may be given several times",
    )
    verb.add_argument(
        "--end",
        action="append",
        default=[],
        type=hexadecimal,
        metavar="HEX",
        help="only where this CAN identifier, such as 6EA, asks or answers; may be given several times",
    )
    verb.add_argument("--failed", action="store_true", help="only refused, pending, unanswered and broken ones")
    add_show_vin(verb)
    add_output(verb)


def hexadecimal(text: str) -> int:
    """Read a number in hex, with or without 0x in front."""
    digits = text.strip().lower().removeprefix("0x")
    if not digits or not all(digit in "0123456789abcdef" for digit in digits):
        raise argparse.ArgumentTypeError(f"{text!r} is not a number in hex, such as F190 or 6EA")
    return int(digits, _HEX)


def run(options: argparse.Namespace) -> int:
    """Put the exchanges together and print them."""
    from decoder.transport.exchanges import exchanges
    from decoder.transport.identity import identity
    from decoder.transport.iso_tp import conversations

    named = load_maps(options).reassembled
    frames = load_frames(options)
    everything = exchanges(frames, conversations(frames, named=named))
    kept = [one for one in everything if _is_kept(one, options)]
    known = identity(kept, show_vin=options.show_vin)
    if options.json:
        text = json_text(kept, known, show_vin=options.show_vin)
    else:
        first_ns = int(frames.time_ns[0]) if len(frames) else 0
        on_screen = not options.out and sys.stdout.isatty()
        columns = shutil.get_terminal_size().columns if on_screen else _WIDE
        lines = text_lines(
            kept, known, of=len(everything), first_ns=first_ns, show_vin=options.show_vin, narrow=columns < _WIDE
        )
        text = "\n".join(_cut(lines, columns) if on_screen else lines)
    put(text, options.out)
    return 0


def _is_kept(exchange: Exchange, options: argparse.Namespace) -> bool:
    from decoder.transport.exchanges import FAILED

    if options.failed and exchange.outcome not in FAILED:
        return False
    if options.identifier and not any(number in options.identifier for number in _identifiers(exchange)):
        return False
    ends = {end.can_id for end in (exchange.asker, exchange.answerer) if end is not None}
    return not options.end or not ends.isdisjoint(options.end)


def _identifiers(exchange: Exchange) -> tuple[int, ...]:
    """Give all identifiers that an exchange is about: a request may list several."""
    from decoder.transport.services import identifiers_of_request

    if exchange.request is not None:
        return identifiers_of_request(exchange.request)
    return () if exchange.identifier is None else (exchange.identifier,)


def text_lines(
    kept: Sequence[Exchange],
    known: Sequence[IdentityRow],
    *,
    of: int,
    first_ns: int,
    show_vin: bool = False,
    narrow: bool = False,
) -> list[str]:
    """Give counts, what the answerers say they are, and one line an exchange.

    of : how many there are in all
    narrow : without the columns that can be done without
    """
    from decoder.commands.words import table, wrapped
    from decoder.screens.exchange_rows import NO_EXCHANGES, counted_words

    if not of:
        return wrapped(NO_EXCHANGES, 100)
    if not kept:
        return [f"None of {of:,} exchanges is as asked for. Without --identifier, --end and --failed all are shown."]
    lines = [counted_words(kept) + (f" (of {of:,})" if len(kept) < of else "")]
    several = len({one.bus for one in kept}) > 1
    if known:
        lines += [
            "",
            "To quote when ordering a part",
            *_identity_table(known, several=several),
        ]
    headings = ("time", "bus", *_HEADINGS)
    left_out = {*(() if several else ("bus",)), *(("service", "bytes") if narrow else ())}
    columns = [number for number, heading in enumerate(headings) if heading not in left_out]
    rows = [_row(one, first_ns, show_vin=show_vin) for one in kept]
    shown = [[row[number] for number in columns] for row in rows]
    return [*lines, "", *table(shown, [headings[number] for number in columns], _LEFT)]


_IDENTITY_HEADINGS = ("name", "identifier", "text", "from")
_HEADINGS = ("from > to", "asked", "service", "bytes", "took ms", "outcome", "what it says")
_LEFT = ("name", "identifier", "text", "from", "bus", *_HEADINGS[:3], *_HEADINGS[5:])


def _identity_table(known: Sequence[IdentityRow], *, several: bool) -> list[str]:
    from decoder.commands.words import table
    from decoder.printable import printable

    rows = [
        (
            row.name or "-",
            row.asked_as,
            printable(row.text),
            f"{row.answerer} on {printable(row.bus, 20)}" if several else str(row.answerer),
        )
        for row in known
    ]
    return table(rows, _IDENTITY_HEADINGS, _LEFT)


def _row(exchange: Exchange, first_ns: int, *, show_vin: bool) -> tuple[str, ...]:
    from decoder.printable import printable
    from decoder.screens.exchange_rows import asked_words, reason_parts, says_words, sides, took_words
    from decoder.screens.symbols import time_words

    said = says_words(exchange, show_vin=show_vin)
    return (
        time_words((exchange.time_ns - first_ns) / 1e9),
        printable(exchange.bus, 20),
        sides(exchange, ">"),
        asked_words(exchange),
        exchange.name,
        str(len(exchange.answer)) if exchange.answer else "",
        took_words(exchange.latency_ms),
        exchange.outcome,
        "; ".join([*reason_parts(exchange, "x"), *([said] if said else [])]),
    )


def _cut(lines: Sequence[str], columns: int) -> list[str]:
    """Cut lines to the terminal's width; one of a table that breaks cannot be read."""
    if columns < _NARROWEST:
        return list(lines)
    return [line if len(line) <= columns else f"{line[: columns - 1]}…" for line in lines]


def json_text(kept: Sequence[Exchange], known: Sequence[IdentityRow], *, show_vin: bool = False) -> str:
    """Give the JSON object as text."""
    whole = {
        "schema": "cellglean.exchanges/1",
        "exchanges": [_exchange(one, show_vin=show_vin) for one in kept],
        "identity": [_identity(row) for row in known],
    }
    return json.dumps(whole, indent=1, ensure_ascii=True)


def _exchange(exchange: Exchange, *, show_vin: bool) -> dict[str, Any]:
    from decoder.transport.meaning import answer_hex, meaning, request_hex

    request, answer = exchange.request, exchange.answer
    return {
        "time_ns": exchange.time_ns,
        "bus": exchange.bus,
        "asker": _end(exchange.asker),
        "answerer": _end(exchange.answerer),
        "service": exchange.service,
        "identifier": exchange.identifier,
        "name": exchange.name,
        "request": None if request is None else request_hex(request, show_vin=show_vin).replace(" ", ""),
        "answer": None if answer is None else answer_hex(request, answer, show_vin=show_vin).replace(" ", ""),
        "outcome": exchange.outcome,
        "reason": exchange.reason or None,
        "latency_ms": exchange.latency_ms,
        "functional": exchange.functional,
        "pending": exchange.pending,
        "text": meaning(request, answer, show_vin=show_vin) or None,
    }


def _identity(row: IdentityRow) -> dict[str, Any]:
    return {
        "bus": row.bus,
        "answerer": _end(row.answerer),
        "service": row.service,
        "identifier": row.identifier,
        "name": row.name,
        "text": row.text,
        "time_ns": row.time_ns,
    }


def _end(end: End | None) -> dict[str, Any] | None:
    return None if end is None else {"id": end.can_id, "extended": end.extended, "address": end.address}
