"""`draft`: what was found written into a signal map and a pack sheet, new ones or such as are there already."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from decoder.commands.noted import add_readings, readings_of, whole_and_part
from decoder.commands.options import Verbs, add_capture, add_verb, likelihood
from decoder.commands.output import columns
from decoder.errors import UsageError
from decoder.printable import printable

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from decoder.discovery.drafting import Drafted
    from decoder.discovery.drafts.accepting import Accepted, Found
    from decoder.discovery.field_at import Sampled
    from decoder.discovery.pinned import Pinned
    from decoder.discovery.proposal import Stream
    from decoder.discovery.readings import Reading
    from decoder.frames import Frames
    from decoder.transport.transfers import Transfers

_MORE = """\
Nothing that stands in the map or the sheet is lost or changed: lines are put between its lines, and the file as it was
is kept beside it (.bak). Without --take, the capture is carved, inferred and, with readings, pinned here. With --take
what infer, pin and carve wrote with --json counts instead; take entries out of these files that you do not believe."""
_UNSEEN_WIDTH = 80
# Cells whose sum nothing else tells are told as less likely than 0.9, and were right in all of the counted trials.
LIKELY_ENOUGH = 0.8
_MOST_LEFT_OUT = 20
_MOST_CELLS = 1000
_DIGITS = 6
_MOST_NAMES = 4


def add(verbs: Verbs) -> None:
    """Add the verb."""
    verb = add_verb(verbs, "draft", run, "write what was found into a signal map and a pack sheet", _MORE)
    add_capture(verb)
    verb.add_argument("--map", required=True, metavar="M.dbc", help="signal map to add to; made if it is not there")
    verb.add_argument("--sheet", metavar="P.toml", help="pack sheet to add to; made if it is not there")
    add_readings(verb)
    verb.add_argument(
        "--take",
        action="append",
        default=[],
        metavar="FILE",
        help="what infer, pin or carve wrote with --json; may be given several times",
    )
    verb.add_argument(
        "--at-least",
        type=likelihood,
        default=LIKELY_ENOUGH,
        metavar="P",
        help=f"take what is at least so likely, 0 to 1 (default {LIKELY_ENOUGH})",
    )
    verb.add_argument(
        "--cells-per-module",
        type=_cells,
        metavar="N",
        help="cells in each module, such as 14, or 14,14,12 module by module; without it readings tell",
    )
    verb.add_argument("--show", action="store_true", help="print the lines that would be added, and write nothing")


def _cells(text: str) -> int | tuple[int, ...]:
    """Read a number, or one for each module."""
    numbers = []
    for part in text.split(","):
        digits = part.strip()
        if not (digits.isascii() and digits.isdecimal() and len(digits) < _DIGITS and 0 < int(digits) <= _MOST_CELLS):
            raise argparse.ArgumentTypeError(
                f"{text!r} is no number of cells, such as 14, or 14,14,12 module by module"
            )
        numbers.append(int(digits))
    return numbers[0] if len(numbers) == 1 else tuple(numbers)


def run(options: argparse.Namespace) -> int:
    """Find, choose, write, and say what was done."""
    from decoder.discovery.drafting import draft
    from decoder.discovery.drafts.accepting import accepted
    from decoder.discovery.field_at import Sampled, key_of
    from decoder.discovery.streams import streams
    from decoder.maps.sheet_add import PackFacts, read_or_new
    from decoder.transport.iso_tp import conversations

    if options.take and (options.readings or options.reading):
        raise UsageError(
            "readings and --take do not go together", advice="pin the readings with --json --out, and take that file"
        )
    sheet = read_or_new(Path(options.sheet))[0] if options.sheet else None
    frames, first_ns = whole_and_part(options)
    transfers = conversations(frames).transfers
    found_streams = streams(frames, transfers)
    sampled = Sampled(found_streams)
    found = (
        _taken(options.take, sampled)
        if options.take
        else _found(frames, transfers, found_streams, readings_of(options, first_ns), first_ns)
    )
    chosen = accepted(found, options.at_least, sampled, options.cells_per_module, sheet)
    placing = chosen.placing
    drafted = draft(
        chosen.meanings,
        options.map,
        options.sheet,
        _capture_name(options.capture),
        lengths={key_of(one): one.data.shape[1] for one in found_streams},
        facts=PackFacts(placing.cells or None, placing.modules, placing.told),
        write=not options.show,
    )
    lines = shown_lines(drafted) if options.show else told_lines(drafted, chosen, options.map, options.sheet)
    width = columns(None, _UNSEEN_WIDTH)
    from decoder.commands.words import wrapped

    for line in lines:
        for part in [line] if options.show else wrapped(line, width):
            print(printable(part))
    return 0


def _capture_name(paths: Sequence[str]) -> str:
    return ", ".join("standard input" if path == "-" else Path(path).name for path in paths)


def _taken(paths: Sequence[str], sampled: Sampled) -> Found:
    """Read results; those of another capture are refused."""
    from decoder.discovery.drafts.taken import take

    found = take([Path(path) for path in paths])
    inference = found.inference
    fields = [member.at for one in (inference.arrays if inference else ()) for member in one.members]
    fields += [one.at for one in (inference.channels if inference else ())]
    fields += [match.at for one in found.pinned for match in one.matches]
    keys = {at.stream for at in fields} | {key for key, _ in found.carved}
    if keys and not keys & set(sampled.streams):
        raise UsageError(
            "nothing that these results speak of is in the capture",
            where=None,
            expected="results of this capture: same buses and identifiers",
        )
    return found


def _found(
    frames: Frames,
    transfers: Transfers,
    found_streams: Sequence[Stream],
    readings: Sequence[Reading],
    first_ns: int,
) -> Found:
    """Carve, infer, and pin."""
    from decoder.commands.progress import working
    from decoder.discovery.carve import carve_streams
    from decoder.discovery.drafts.accepting import Found
    from decoder.discovery.field_at import key_of
    from decoder.discovery.infer import infer
    from decoder.discovery.pin import pin

    with working("carving") as progress:
        carvings = carve_streams(found_streams, progress)
    with working("inferring") as progress:
        inference = infer(frames, carvings=carvings, progress=progress)
    pinned: tuple[Pinned, ...] = ()
    if readings:
        with working("pinning") as progress:
            pinned = pin(frames, readings, transfers=transfers, progress=progress, first_ns=first_ns)
    carved = tuple((key_of(one.stream), proposal) for one in carvings for proposal in one.proposals)
    return Found(inference, pinned, carved)


def told_lines(drafted: Drafted, chosen: Accepted, map_path: str, sheet_path: str | None) -> Iterator[str]:
    """Say what was added, where the old files are, and what was left out and why."""
    if not drafted.map_lines and not drafted.sheet_lines:
        yield "Nothing to add: nothing was written."
    for path, lines, backup in (
        (map_path, drafted.map_lines, drafted.map_backup),
        (sheet_path, drafted.sheet_lines, drafted.sheet_backup),
    ):
        if lines:
            kept = f"; as it was: {backup}" if backup is not None else ""
            yield f"{path}: {len(lines)} line{'s' * (len(lines) != 1)} added{kept}"
    if drafted.added:
        yield ""
        yield f"Added, {_channels(len(drafted.added))}"
        yield from _added_lines(drafted)
    there = sum(one.is_there for one in drafted.skipped)
    if there:
        yield f"already there: {_channels(there)}"
    yield from _left_out_lines(drafted, chosen)
    for note in (*chosen.placing.notes, *drafted.notes):
        yield f"note: {note}"


def _channels(count: int) -> str:
    return f"{count} channel{'s' * (count != 1)}"


def _added_lines(drafted: Drafted) -> Iterator[str]:
    """Name the channels, message by message, runs of like names as one."""
    by_message: dict[str, list[str]] = {}
    for one in drafted.added:
        by_message.setdefault(one.message, []).append(one.channel)
    for message, names in by_message.items():
        few = len(names) <= _MOST_NAMES
        yield f"  {message}: " + (", ".join(names) if few else f"{names[0]} to {names[-1]}, {len(names)} in all")
    for one in drafted.added:
        if one.note:
            yield f"  {one.channel}: {one.note}"


def _left_out_lines(drafted: Drafted, chosen: Accepted) -> Iterator[str]:
    from decoder.discovery.drafts.accepting import shown

    reasons = [(one.what, one.why) for one in chosen.left_out]
    reasons += [(shown(one.meaning.at), one.reason) for one in drafted.skipped if not one.is_there and one.meaning]
    if not reasons:
        return
    yield ""
    yield f"Left out, {len(reasons)}"
    for what, why in reasons[:_MOST_LEFT_OUT]:
        yield f"  {what}: {why}"
    if len(reasons) > _MOST_LEFT_OUT:
        yield f"  and {len(reasons) - _MOST_LEFT_OUT} more"


def shown_lines(drafted: Drafted) -> Iterable[str]:
    """Give the lines that would be added."""
    yield from drafted.map_lines
    if drafted.sheet_lines:
        yield from ("", *drafted.sheet_lines)
