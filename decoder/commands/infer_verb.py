"""`infer`: what the fields of a capture may measure, from physics alone: in words, or as JSON.

The JSON object, schema ``cellglean.infer/1``, is described in `decoder.discovery.inference`.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

from decoder.commands.options import Verbs, add_capture, add_verb, likelihood, load_frames
from decoder.commands.output import add_output, columns, put

if TYPE_CHECKING:
    import argparse
    from collections.abc import Iterator, Sequence

    from decoder.discovery.field_at import FieldAt
    from decoder.discovery.inference import ArrayClaim, ChannelClaim, Inference, Rival

_MORE = """\
No reading is needed: rows of like fields that move together, sums that equal other numbers, steps that follow a
current. A likelihood is the share of such claims that were right in counted trials on made packs. What is below
--least is not shown; the JSON object has it all."""
_LEAST = 0.3
_UNSEEN_WIDTH = 80  # columns of what goes to a file or a pipe
_WIDEST = 110


def add(verbs: Verbs) -> None:
    """Add the verb."""
    verb = add_verb(verbs, "infer", run, "propose quantities and places for fields from physics alone", _MORE)
    add_capture(verb)
    verb.add_argument(
        "--least",
        type=likelihood,
        default=_LEAST,
        metavar="P",
        help=f"show what is at least so likely, 0 to 1 ({_LEAST})",
    )
    add_output(verb)


def run(options: argparse.Namespace) -> int:
    """Infer and show."""
    from decoder.commands.progress import working
    from decoder.discovery.infer import infer

    frames = load_frames(options)
    with working("inferring") as progress:
        inference = infer(frames, progress=progress)
    if options.json:
        text = json_text(inference)
    else:
        width = min(columns(options.out, _UNSEEN_WIDTH), _WIDEST)
        text = "\n".join(text_lines(inference, width, options.least))
    put(text, options.out)
    return 0


def json_text(inference: Inference) -> str:
    """Give the JSON object as text."""
    from decoder.commands.field_json import plain
    from decoder.discovery.inference import as_record

    return json.dumps(plain(as_record(inference)), indent=1, ensure_ascii=True, allow_nan=False)


def text_lines(inference: Inference, width: int = _UNSEEN_WIDTH, least: float = 0.0) -> list[str]:
    """Give arrays, then single channels, each with its evidence; lines have at most `width` columns if that can be."""
    arrays = [one for one in inference.arrays if one.likelihood >= least]
    channels = [one for one in inference.channels if one.likelihood >= least]
    hidden = len(inference.arrays) + len(inference.channels) - len(arrays) - len(channels)
    lines: list[str] = []
    for array in arrays:
        lines += ["", *_array_lines(array, width)] if lines else _array_lines(array, width)
    for channel in channels:
        lines += ["", *_channel_lines(channel, width)] if lines else _channel_lines(channel, width)
    if not lines:
        lines = ["Nothing in this capture tells by physics alone what it measures."]
    if hidden:
        lines += ["", f"{hidden} less likely ones are not shown (--least 0 shows them)."]
    return lines


def _array_lines(one: ArrayClaim, width: int) -> list[str]:
    count = len(one.members)
    head = f"{_percent(one.likelihood)}  {count} x {one.quantity}, {_scale(one)}"
    return [head, *_body(_where(one), [some.text for some in one.evidence], one.rivals, width)]


def _channel_lines(one: ChannelClaim, width: int) -> list[str]:
    from decoder.maps.pack_sheet import Place

    place = "" if one.place == Place() else f", {one.place}"
    head = f"{_percent(one.likelihood)}  {one.quantity}{place}, {_scale(one)}"
    return [head, *_body(field_words(one.at), [some.text for some in one.evidence], one.rivals, width)]


def _body(where: str, evidence: Sequence[str], rivals: Sequence[Rival], width: int) -> Iterator[str]:
    from decoder.commands.words import wrapped
    from decoder.printable import printable

    for text in (where, *evidence, *_rival_words(rivals)):
        first, *others = wrapped(printable(text, 2000), max(width - 7, 20))
        yield f"     {first}"
        yield from (f"       {line}" for line in others)


def _rival_words(rivals: Sequence[Rival]) -> Iterator[str]:
    shown = [one for one in rivals if one.likelihood >= 0.01][:2]
    for one in shown:
        quantity = one.quantity or "none of the known quantities"
        offset = f" {one.offset:+g}" if one.offset else ""
        yield f"or {quantity}, raw x {one.scale:.6g}{offset} ({_percent(one.likelihood).strip()}): {one.why}"


def _percent(likelihood: float) -> str:
    """Give a likelihood; never 100 %, for nothing here is proved."""
    return f"{min(int(likelihood * 100), 99):3d} %"


def _scale(one: ArrayClaim | ChannelClaim) -> str:
    offset = f" {one.offset:+g}" if one.offset else ""
    unit = f" {one.unit}" if one.unit else ""
    return f"raw x {one.scale:.6g}{offset}{unit}"


def _where(one: ArrayClaim) -> str:
    """Say where an array stands: first and last member, and how many messages or pages."""
    first, last = one.members[0].at, one.members[-1].at
    ids = len({member.at.stream for member in one.members})
    pages = len({(member.at.stream, member.at.multiplexor) for member in one.members})
    count = f" in {pages} pages" if pages > ids else f" in {ids} messages" if ids > 1 else ""
    return f"{field_words(first)} to {field_words(last)}{count}"


def field_words(at: FieldAt) -> str:
    """Name a field shortly: identifier, transport, page, bits as a DBC file writes them."""
    key = at.stream
    parts = [f"{key.can_id:0{8 if key.extended else 3}X}"]
    if key.carrier is not None:
        parts.append(
            f"answer {key.carrier.prefix.hex(' ').upper()}" if key.carrier.prefix else f"group {key.carrier.pgn:X}"
        )
    selector = at.multiplexor
    pages: list[str] = []
    while selector is not None:
        pages.insert(0, "each" if selector.value is None else str(selector.value))
        selector = selector.within
    if pages:
        parts.append("page " + "/".join(pages))
    order = 1 if at.field.byte_order == "little" else 0
    parts.append(f"{at.field.start}|{at.field.length}@{order}{'-' if at.field.signed else '+'}")
    return " ".join(parts)
