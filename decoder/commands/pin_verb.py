"""`pin`: which fields carry what a meter read, as tables or as JSON.

The JSON object, schema ``cellglean.pin/1``: readings, label by label in the order in which they first come, each with

- label, and used: how many of its readings lie within the capture
- clock_offset_s: the meter's clock minus the capture's (subtract it from a reading's time); near 0 where nothing that
  was read moved
- drift_ppm: how much faster the meter's clock runs; null where the readings cannot tell
- matches: likeliest first, 50 at most, each with the keys of a FIELD (see `field_json`), scale and offset (value =
  scale x raw + offset), residual (root mean square of reading minus value), likelihood (0..1; of all matches together
  at most 1), and same_as: the fields that carry the same values throughout
- next_reading: null, or label, time_s (when in the capture the matches differ most; null where they never differ by
  more than a meter tells), differ_by, advice
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from decoder.commands.noted import add_marks, add_readings, marks_of, readings_of, whole_and_part
from decoder.commands.options import Verbs, add_capture, add_verb
from decoder.commands.output import add_output, columns, put
from decoder.errors import UsageError
from decoder.printable import printable

if TYPE_CHECKING:
    import argparse
    from collections.abc import Iterator, Sequence

    from decoder.discovery.field_at import FieldAt
    from decoder.discovery.pinned import Match, NextReading, Pinned

_MORE = """\
A reading is a moment, a label, a value with its unit: --reading "t=12.5 cell 7 voltage 3.642 V", or a row of a CSV with
the heading time_s,label,value,unit. Times are seconds from the capture's first frame by the meter's own clock, up to
15 s off, or ISO 8601. Say in the label what it is of (cell voltage, pack current, ...): that decides which scales are
looked for. A mark whose label names the same thing ("t=40 load on cell 7") tells it from its like."""
_UNSEEN_WIDTH = 80  # columns of what goes to a file or a pipe
_FEWEST_FOR_FIELDS = 24  # columns
_SHOWN = 8  # matches of one label
_WORDS = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve")
_LITTLE = 0.01  # a likelihood below which a match is not shown, as long as there are others
_SURE_S = 1.0  # a standard deviation of the clock's offset from which on nothing is known of it


def add(verbs: Verbs) -> None:
    """Add the verb."""
    verb = add_verb(verbs, "pin", run, "match meter readings to fields", _MORE)
    add_capture(verb)
    add_readings(verb)
    add_marks(verb, "load on cell 7")
    add_output(verb)


def run(options: argparse.Namespace) -> int:
    """Match and show."""
    from decoder.commands.progress import working
    from decoder.discovery.pin import pin

    if not options.readings and not options.reading:
        raise UsageError(
            "there is no reading", advice='give --readings FILE or --reading "t=12.5 cell 7 voltage 3.642 V"'
        )
    frames, first_ns = whole_and_part(options)
    readings, marks = readings_of(options, first_ns), marks_of(options, first_ns)
    with working("matching") as progress:
        found = pin(frames, readings, marks, progress=progress, first_ns=first_ns)
    if options.json:
        text = json_text(found)
    else:
        width = columns(options.out, _UNSEEN_WIDTH)
        text = "\n".join(text_lines(found, width, several_buses=len(set(frames.bus.tolist())) > 1))
    put(text, options.out)
    return 0


def text_lines(found: Sequence[Pinned], width: int, *, several_buses: bool = False) -> list[str]:
    """Give a table for each label; lines have at most `width` columns if that can be."""
    from decoder.commands.words import wrapped
    from decoder.discovery.pictures.picture_words import NOTATION

    lines = list(wrapped(NOTATION, width))
    clock = clock_words(found)
    lines += wrapped(clock, width) if clock else []
    for one in found:
        unit = f", {printable(one.unit, 12)}" if one.unit else ""
        used = f"{one.used} reading{'' if one.used == 1 else 's'}"
        lines += ["", *wrapped(f"{printable(one.label)}{unit}: {used} within the capture. {tie_words(one)}", width)]
        if one.matches:
            lines += _table(_shown(one), width, several_buses=several_buses)
        if one.next_reading is not None:
            lines += wrapped(f"Next: {printable(one.next_reading.advice, 300)}.", width)
    return lines


def clock_words(found: Sequence[Pinned]) -> str:
    """Say how far the meter's clock is off."""
    if not found:
        return ""
    one = found[0]
    if one.clock_unsure_s > _SURE_S:
        return "Nothing read moved enough to tell how far the meter's clock is off."
    way = "ahead of" if one.clock_offset_s >= 0 else "behind"
    drift = "" if one.drift_ppm is None else f", and gains {one.drift_ppm:.0f} ppm"
    return (
        f"The meter's clock is {abs(one.clock_offset_s):.1f} s {way} the capture's, "
        f"give or take {max(one.clock_unsure_s, 0.1):.1f} s{drift}."
    )


def tie_words(one: Pinned) -> str:
    """Say how many fields are as likely as the best, and what is left for none of them."""
    if not one.matches:
        from decoder.discovery.pinning.reading_errors import quantities_of

        if quantities_of(one.label, one.unit):
            return "No field carries that at a usual scale."
        return "No scale is known for that: give V, A, degC, %, kohm, kPa or kW."
    rest = 1 - sum(match.likelihood for match in one.matches)
    none = "" if rest < 0.5 else f" It may well be none of them ({rest:.0%})." if one.tied <= len(one.matches) else ""
    if one.tied <= 1:
        return f"One field fits best.{none}"
    number = _WORDS[one.tied] if one.tied < len(_WORDS) else str(one.tied)
    return f"{number.capitalize()} fields fit equally.{none}"


def _shown(one: Pinned) -> tuple[Match, ...]:
    likely = [match for match in one.matches if match.likelihood >= _LITTLE] or list(one.matches[:1])
    return tuple(likely[:_SHOWN])


def _table(matches: Sequence[Match], width: int, *, several_buses: bool) -> list[str]:
    from decoder.commands.words import table, wrapped

    rows = [
        (percent(match.likelihood), f"{match.scale:.6g}", f"{match.offset:.6g}", f"{match.residual:.2g}")
        for match in matches
    ]
    left = table(rows, ("likely", "scale", "offset", "off by"), ())
    indent = max(map(len, left)) + 2
    room = max(width - indent, _FEWEST_FOR_FIELDS)
    words = ["field", *(_field(match.at, several_buses=several_buses) for match in matches)]
    lines = []
    for line, text in zip(left, words, strict=True):
        first, *more = wrapped(text, room)
        lines += [f"{line:{indent}}{first}", *(" " * (indent + 2) + rest for rest in more)]
    return lines


def percent(share: float) -> str:
    """Give a likelihood as per cent: never 0 and never 100."""
    if share > 0.995:
        return ">99 %"
    return f"{share:.0%}".replace("%", " %") if share >= 0.01 else "<1 %"


def _field(at: FieldAt, *, several_buses: bool) -> str:
    """Name a field: bus if there are several, identifier, transport, place, and under which multiplexor."""
    from decoder.discovery.pictures.picture_words import carrier_text, field_text, selector_text

    stream = at.stream
    words = [printable(stream.bus, 20)] if several_buses else []
    words.append(f"{stream.can_id:0{8 if stream.extended else 3}X}")
    words += [carrier_text(stream.carrier)] if stream.carrier is not None else []
    words.append(field_text(at.field))
    under = selector_text(at.multiplexor)
    return " ".join(words) + (f" under {under}" if under else "")


def json_text(found: Sequence[Pinned]) -> str:
    """Give the JSON object as text."""
    labels = [
        {
            "label": one.label,
            "used": one.used,
            "clock_offset_s": round(one.clock_offset_s, 3),
            "drift_ppm": None if one.drift_ppm is None else round(one.drift_ppm, 1),
            "matches": list(_matches(one.matches)),
            "next_reading": _next(one.next_reading),
        }
        for one in found
    ]
    return json.dumps({"schema": "cellglean.pin/1", "readings": labels}, indent=1, allow_nan=False)


def _matches(matches: Sequence[Match]) -> Iterator[dict[str, Any]]:
    from decoder.discovery.field_at import to_record

    for match in matches:
        yield {
            **to_record(match.at),
            "scale": match.scale,
            "offset": match.offset,
            "residual": float(f"{match.residual:.6g}"),
            "likelihood": float(f"{match.likelihood:.6g}"),
            "same_as": [to_record(at) for at in match.same_as],
        }


def _next(reading: NextReading | None) -> dict[str, Any] | None:
    if reading is None:
        return None
    return {
        "label": reading.label,
        "time_s": None if reading.time_s is None else round(reading.time_s, 3),
        "differ_by": float(f"{reading.differ_by:.6g}"),
        "advice": reading.advice,
    }
