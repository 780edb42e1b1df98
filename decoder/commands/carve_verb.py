"""`carve`: the fields of every payload as pictures with tables, as JSON, or as one SVG document.

The JSON object, schema ``cellglean.carve/1``: fields, stream by stream and in each by place, each with the keys of a
FIELD (see `field_json`), and

- kind: constant, counter, check, flag, state, number, multiplexor, text or unknown
- detail: what is known beyond the place. Every kind may have certain and likely (start and length: the bits that
  changed, and how far the field goes beyond them), changes (how often the value did). A counter step, modulus, lowest,
  exceptions; a check form, holds, frames, rank, proved, constant, polynomial, covers, also; a flag, state or
  multiplexor values (value, frames, dwell_ms), cyclic; what stands under each value of a multiplexor indexes; a number
  lowest, highest, not_available; text text; a constant value. All values are raw. hidden is true, and what tells the
  value is not there, where a field holds a vehicle identification number, unless --show-vin is given.
- confidence: the chance that byte order and least significant bit are right and that the most significant bit lies
  between the highest bit that ever changed and the true end, 0..1

Frames that carry ISO 15765-2 or long SAE J1939 groups are carved only as whole messages.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

from decoder.commands.exchanges_verb import hexadecimal
from decoder.commands.options import Verbs, add_capture, add_show_vin, add_verb, load_frames
from decoder.commands.output import columns, put
from decoder.errors import UsageError

if TYPE_CHECKING:
    import argparse
    from collections.abc import Iterable, Sequence

    from decoder.discovery.proposal import Carving
    from decoder.frames import Frames

_MORE = """\
The picture shows the bits of a payload over time: at the left the whole capture, beside it some payloads in a row,
where counters and multiplexors can be seen at work. The fields stand in brackets, with kind, place and how sure it is.
Neighbouring identifiers that are laid out alike help one another: name them together with --id, or none.
--out with a name that ends in .svg writes all pictures as one document for a browser."""
_UNSEEN_WIDTH = 120  # columns of what goes to a file or a pipe
_TEXT_LINES = 32  # of one picture: the bits of eight bytes, by twos
_SVG_LINES = 160
_MOST_NAMED = 12


def add(verbs: Verbs) -> None:
    """Add the verb."""
    verb = add_verb(verbs, "carve", run, "propose the fields of every identifier, with a picture of its bits", _MORE)
    add_capture(verb)
    verb.add_argument(
        "--id",
        action="append",
        default=[],
        type=hexadecimal,
        metavar="HEX",
        help="only this identifier, such as 310; may be given several times",
    )
    add_show_vin(verb)
    form = verb.add_mutually_exclusive_group()
    form.add_argument("--table", action="store_true", help="only the tables, no pictures")
    form.add_argument("--json", action="store_true", help="print one JSON object")
    verb.add_argument("--out", metavar="FILE", help="write there instead of to standard output; .svg: the pictures")


def run(options: argparse.Namespace) -> int:
    """Carve and show."""
    as_svg = bool(options.out) and Path(options.out).suffix.lower() == ".svg"
    if as_svg and (options.json or options.table):
        raise UsageError(
            "an SVG document holds pictures, not a table and not JSON", advice="name --out otherwise, or do without"
        )
    frames = load_frames(options)
    _must_be_there(options.id, frames)
    carvings = _carved(frames, options.id)
    if options.json:
        text = json_text(carvings, show_vin=options.show_vin)
    elif as_svg:
        text = svg_text(frames, carvings, show_vin=options.show_vin)
    else:
        width = columns(options.out, _UNSEEN_WIDTH)
        lines = text_lines(frames, carvings, width, pictures=not options.table, show_vin=options.show_vin)
        text = "\n".join(lines)
    put(text, options.out)
    return 0


def _must_be_there(wanted: Sequence[int], frames: Frames) -> None:
    """Raise `UsageError` for an identifier that the capture does not have."""
    heard = {key.can_id: key for key in frames.rows_of}
    missing = [number for number in wanted if number not in heard]
    if missing and len(frames):
        names = [f"{key.can_id:0{8 if key.extended else 3}X}" for _, key in sorted(heard.items())]
        more = ", ..." if len(names) > _MOST_NAMED else ""
        raise UsageError(
            f"no frame has the identifier {missing[0]:X}", expected="one of " + ", ".join(names[:_MOST_NAMED]) + more
        )


def _carved(frames: Frames, wanted: Sequence[int]) -> tuple[Carving, ...]:
    from decoder.commands.progress import working
    from decoder.discovery.carve import carve_streams
    from decoder.discovery.streams import streams

    with working("carving") as progress:
        chosen = [one for one in streams(frames) if not wanted or one.can_id in wanted]
        return carve_streams(chosen, progress)


def text_lines(
    frames: Frames, carvings: Sequence[Carving], width: int, *, pictures: bool = True, show_vin: bool = False
) -> list[str]:
    """Give a heading, the picture and the table of each stream; lines have at most `width` columns if that can be."""
    from decoder.commands.field_table import table_lines
    from decoder.commands.words import wrapped
    from decoder.discovery.pictures.payload_picture import picture
    from decoder.discovery.pictures.picture_text import LEGEND, picture_lines
    from decoder.discovery.pictures.picture_words import NOTATION

    if not carvings:
        return ["No payload that could be carved." if len(frames) else "No frames."]
    lines = [line for text in ([LEGEND] if pictures else []) + [NOTATION] for line in wrapped(text, width)]
    first_ns = int(frames.time_ns[0])
    for one in carvings:
        shown, hidden = _shown(one, show_vin=show_vin)
        lines += ["", *wrapped(_heading(one, carvings), width)]
        lines += picture_lines(picture(shown, _TEXT_LINES, hidden), width, first_ns) if pictures else []
        if shown.proposals or not pictures:
            lines += ["", *table_lines(shown.proposals, width)]
    return lines


def _shown(one: Carving, *, show_vin: bool) -> tuple[Carving, frozenset[int]]:
    """Give a carving as it may be shown, and the payload bytes that are not."""
    from decoder.discovery.pictures.hidden_numbers import hidden_bytes, without_numbers

    hidden = frozenset() if show_vin else hidden_bytes(one.stream)
    return without_numbers(one, hidden), hidden


def _heading(one: Carving, carvings: Sequence[Carving]) -> str:
    from decoder.discovery.pictures.picture_words import heading

    several = len({carving.stream.bus for carving in carvings}) > 1
    return heading(one.stream, several_buses=several, damaged=len(one.damaged))


def svg_text(frames: Frames, carvings: Sequence[Carving], *, show_vin: bool = False) -> str:
    """Give the SVG document with the pictures of all streams."""
    from decoder.discovery.pictures.payload_picture import picture
    from decoder.discovery.pictures.picture_svg import svg
    from decoder.printable import printable

    pictures = []
    for one in carvings:
        shown, hidden = _shown(one, show_vin=show_vin)
        pictures.append((_heading(one, carvings), picture(shown, _SVG_LINES, hidden)))
    title = "Fields of " + (", ".join(printable(Path(path).name) for path in frames.account.paths) or "a capture")
    return svg(title, pictures, int(frames.time_ns[0]) if len(frames) else 0)


def json_text(carvings: Iterable[Carving], *, show_vin: bool = False) -> str:
    """Give the JSON object as text."""
    from decoder.commands.field_json import field_json, plain

    fields = []
    for one in carvings:
        shown, _ = _shown(one, show_vin=show_vin)
        fields += [
            {
                **field_json(one.stream, proposal.field, proposal.multiplexor),
                "kind": proposal.kind,
                "detail": plain(proposal.detail),
                "confidence": round(float(proposal.confidence), 4),
            }
            for proposal in shown.proposals
        ]
    whole = {"schema": "cellglean.carve/1", "fields": fields}
    return json.dumps(whole, indent=1, ensure_ascii=True, allow_nan=False)
