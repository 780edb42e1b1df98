"""`coverage`: how much of a capture a signal map explains, whether it fits, and what two maps make of one capture.

The JSON object, schema ``cellglean.coverage/1``: changing_bits and explained_bits in all, identifiers and misfits.

- identifiers, those whose unexplained bits move most first: bus, id, extended, transport (as in a FIELD), messages (of
  the map), payloads, changing_bits, explained_bits, moves (unexplained bits that flip from one payload to the next, on
  the average), and parts, one for each value of multiplexors: page (multiplexor, value; empty for what stands on all
  pages), payloads, changing_bits, explained_bits, left (DBC numbers of the unexplained bits), moves.
- misfits: kind (range, border, counter, check), bus, id, extended, transport, message, channel, text, share (of the
  samples, null where it is not about samples), time_ns (the first of these, null likewise). With --quick, borders and
  checks are not there.

With --against, schema ``cellglean.coverage-against/1``: maps (of both sides, paths), same (how many channels),
differing, only_first and only_second: bus, id, extended, channel, other (null where only one map has it), samples,
differing, time_ns, value, other_value (null: not available), unit, other_unit, how.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from decoder.commands.options import Verbs, add_capture, add_map, add_verb, load_frames, load_maps, load_the_sheet
from decoder.commands.output import add_output, columns, put
from decoder.errors import UsageError

if TYPE_CHECKING:
    import argparse
    from collections.abc import Sequence

    from decoder.discovery.coverage import Coverage
    from decoder.discovery.covering.map_difference import Difference, MapDifference
    from decoder.discovery.covering.map_fit import Misfit
    from decoder.discovery.field_at import StreamKey

_MORE = """\
A bit counts where it changes; under a multiplexor for each of its values on its own. What is left comes sorted by how
much it moves. Ranges, counters, checks and the borders of carved fields are held against the capture.
--against compares the channels of two maps by the bits that they are cut from, whatever their names."""
_UNSEEN_WIDTH = 80


def add(verbs: Verbs) -> None:
    """Add the verb."""
    verb = add_verb(verbs, "coverage", run, "say how much of a capture a signal map explains, and what is left", _MORE)
    add_capture(verb)
    add_map(verb)
    verb.add_argument("--against", metavar="B.dbc", help="compare with what this signal map makes of the capture")
    verb.add_argument("--quick", action="store_true", help="without carving: no borders and no checks are looked at")
    add_output(verb)


def run(options: argparse.Namespace) -> int:
    """Count, compare, and print."""
    if not options.map:
        raise UsageError("no signal map is given", expected="--map M.dbc", advice="'cellglean carve' needs none")
    width = columns(options.out, _UNSEEN_WIDTH)
    text = _against(options, width) if options.against else _covered(options, width)
    put(text, options.out)
    return 0


def _covered(options: argparse.Namespace, width: int) -> str:
    from decoder.commands.coverage_words import coverage_lines
    from decoder.commands.progress import working
    from decoder.discovery.coverage import coverage

    sheet = load_the_sheet(options)
    signal_map = load_maps(options)
    frames = load_frames(options)
    with working("carving") as progress:
        found = coverage(frames, signal_map, sheet, carved=not options.quick, progress=progress)
    if options.json:
        return _dumped(coverage_record(found))
    first_ns = int(frames.time_ns[0]) if len(frames) else 0
    return "\n".join(coverage_lines(found, first_ns, width, quick=options.quick))


def _against(options: argparse.Namespace, width: int) -> str:
    from decoder.channels import decode
    from decoder.commands.coverage_words import difference_lines
    from decoder.commands.options import tell_faults
    from decoder.discovery.covering.map_difference import map_difference
    from decoder.maps import load_map

    sheet = load_the_sheet(options)
    first = load_maps(options)
    second = load_map(options.against, strict=options.strict)
    tell_faults(second)
    frames = load_frames(options)
    found = map_difference(decode(frames, first, sheet), decode(frames, second, sheet))
    if options.json:
        return _dumped(difference_record(found, (options.map, [options.against])))
    first_ns = int(frames.time_ns[0]) if len(frames) else 0
    return "\n".join(difference_lines(found, (", ".join(options.map), options.against), first_ns, width))


def _dumped(record: dict[str, Any]) -> str:
    return json.dumps(record, indent=1, ensure_ascii=True, allow_nan=False)


def coverage_record(found: Coverage) -> dict[str, Any]:
    """Give the JSON object as plain mappings."""
    return {
        "schema": "cellglean.coverage/1",
        "changing_bits": found.changing_bits,
        "explained_bits": found.explained_bits,
        "identifiers": [
            {
                **_key(one.key),
                "messages": list(one.messages),
                "payloads": one.payloads,
                "changing_bits": one.changing_bits,
                "explained_bits": one.explained_bits,
                "moves": round(one.moves, 4),
                "parts": [
                    {
                        "page": [{"multiplexor": name, "value": value} for name, value in part.page],
                        "payloads": part.payloads,
                        "changing_bits": part.changing_bits,
                        "explained_bits": part.explained_bits,
                        "left": list(part.left),
                        "moves": round(part.moves, 4),
                    }
                    for part in one.parts
                ],
            }
            for one in found.streams
        ],
        "misfits": [_misfit(one) for one in found.misfits],
    }


def _misfit(one: Misfit) -> dict[str, Any]:
    return {
        "kind": one.kind,
        **_key(one.key),
        "message": one.message,
        "channel": one.channel,
        "text": one.text,
        "share": None if one.share is None else round(one.share, 6),
        "time_ns": one.time_ns,
    }


def _key(key: StreamKey) -> dict[str, Any]:
    from decoder.discovery.field_at import transport_record

    return {
        "bus": key.bus,
        "id": int(key.can_id),
        "extended": bool(key.extended),
        "transport": transport_record(key.carrier),
    }


def difference_record(found: MapDifference, maps: tuple[Sequence[str], Sequence[str]]) -> dict[str, Any]:
    """Give the JSON object as plain mappings."""
    return {
        "schema": "cellglean.coverage-against/1",
        "maps": [list(paths) for paths in maps],
        "same": found.same,
        "differing": [_difference(one) for one in found.differing],
        "only_first": [_difference(one) for one in found.only_first],
        "only_second": [_difference(one) for one in found.only_second],
    }


def _difference(one: Difference) -> dict[str, Any]:
    from decoder.commands.field_json import plain

    return {
        "bus": one.bus,
        "id": int(one.can_id),
        "extended": bool(one.extended),
        "channel": one.channel,
        "other": one.other,
        "samples": one.samples,
        "differing": one.differing,
        "time_ns": one.time_ns,
        "value": plain(one.value),
        "other_value": plain(one.other_value),
        "unit": one.unit,
        "other_unit": one.other_unit,
        "how": one.how,
    }
