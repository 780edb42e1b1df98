"""`contrast`: what changed at marks and nowhere else, as tables or as JSON.

The JSON object, schema ``cellglean.contrast/1``: labels, in the order in which they first come, each with label, marks
(how many lie within the capture) and changes, likeliest first, 50 at most; a change has the keys of a FIELD (see
`field_json`), and

- form: step, or drift (the slope changed)
- log_likelihood_ratio: natural logarithm of how much more likely what is seen is where something was done than where
  nothing was; what it costs to have looked everywhere is taken off, so below 0 chance explains it as well. Changes
  below -8 are not told
- delay_s: change minus mark, the middle one of several; negative where the change came first
- direction: of the raw value, up or down; both, where it went up at one mark and down at another
- repeats: at how many of the marks it changed
"""

from __future__ import annotations

import json
import sys
from typing import TYPE_CHECKING

from decoder.commands.noted import add_marks, marks_of, whole_and_part
from decoder.commands.options import Verbs, add_capture, add_verb
from decoder.commands.output import add_output, columns, put
from decoder.errors import UsageError
from decoder.printable import printable

if TYPE_CHECKING:
    import argparse
    from collections.abc import Iterator, Sequence

    from decoder.discovery.contrast import Change, LabelContrast
    from decoder.discovery.marks import Mark
    from decoder.frames import Frames

_MORE = """\
A mark is a moment and a label: --mark "t=12.5 plug pulled", or a row of a CSV with the heading time_s,label. Times are
seconds from the capture's first frame, or ISO 8601; 2 s off is near enough. Give the same label to everything done
alike: what changes at each of several marks stands out far more than what changed once. --marks also takes the notes
that the screens keep beside a capture (.notes.toml)."""
_UNSEEN_WIDTH = 120  # columns of what goes to a file or a pipe
_FEWEST_FOR_FIELDS = 20  # columns
_EXPLAINED = """\
evidence: natural logarithm of how much likelier a field's changes are if the marks are behind them; having looked
everywhere is paid for. Above 3 is strong, below 0 chance explains it as well: mark the same thing again.
after: from the mark to the change; a mark may be 2 s off."""
_SHOWN_WEAK = 5  # changes that chance explains as well, where there are no more others


def add(verbs: Verbs) -> None:
    """Add the verb."""
    verb = add_verb(verbs, "contrast", run, "find what changed at marks and nowhere else", _MORE)
    add_capture(verb)
    add_marks(verb, "plug pulled")
    add_output(verb)


def run(options: argparse.Namespace) -> int:
    """Contrast and show."""
    from decoder.commands.progress import working
    from decoder.discovery.contrast import contrast

    if not options.marks and not options.mark:
        raise UsageError("there is no mark", advice='give --marks FILE or --mark "t=12.5 plug pulled"')
    frames, first_ns = whole_and_part(options)
    marks = marks_of(options, first_ns)
    _tell_outside(frames, first_ns, marks)
    with working("contrasting") as progress:
        found = contrast(frames, marks, progress=progress, first_ns=first_ns)
    if options.json:
        text = json_text(found)
    else:
        width = columns(options.out, _UNSEEN_WIDTH)
        text = "\n".join(text_lines(found, width, several_buses=len(set(frames.bus.tolist())) > 1))
    put(text, options.out)
    return 0


def _tell_outside(frames: Frames, first_ns: int, marks: Sequence[Mark]) -> None:
    """Complain of marks that lie outside the capture."""
    from decoder.discovery.contrasting.contrast_spans import OFF_S

    if not len(frames):
        return
    first, last = (int(end - first_ns) / 1e9 for end in (frames.time_ns.min(), frames.time_ns.max()))
    for mark in marks:
        if not first - OFF_S <= mark.time_s <= last + OFF_S:
            print(
                f"cellglean: the mark '{printable(mark.label, 40)}' at {mark.time_s:g} s lies outside the capture "
                f"({first:.1f} to {last:.1f} s)",
                file=sys.stderr,
            )


def text_lines(found: Sequence[LabelContrast], width: int, *, several_buses: bool = False) -> list[str]:
    """Give a table for each label; lines have at most `width` columns if that can be."""
    from decoder.commands.words import wrapped
    from decoder.discovery.pictures.picture_words import NOTATION

    lines = [line for text in (NOTATION, _EXPLAINED) for line in wrapped(text, width)]
    for one in found:
        marks = f"{one.marks} mark{'' if one.marks == 1 else 's'}"
        lines += ["", *wrapped(f"{printable(one.label)}, {marks} in the capture", width)]
        shown = max(_SHOWN_WEAK, sum(change.log_likelihood_ratio >= 0 for change in one.changes))
        if one.changes:
            lines += _table(one.changes[:shown], width, several_buses=several_buses)
        else:
            lines += ["Nothing changed there." if one.marks else "Nothing to compare."]
    return lines


def _table(changes: Sequence[Change], width: int, *, several_buses: bool) -> list[str]:
    from decoder.commands.words import table, wrapped

    headings = ("evidence", "form", "raw change", "after", "marks")
    rows = [
        (
            f"{change.log_likelihood_ratio:.1f}",
            change.form,
            _size(change),
            f"{change.delay_s:+.1f} s",
            f"{change.repeats} of {change.marks}",
        )
        for change in changes
    ]
    left = table(rows, headings)
    indent = max(map(len, left)) + 2
    room = max(width - indent, _FEWEST_FOR_FIELDS)
    lines = []
    for line, words in zip(left, ["field", *_fields(changes, several_buses=several_buses)], strict=True):
        first, *more = wrapped(words, room)
        lines += [f"{line:{indent}}{first}", *(" " * (indent + 2) + rest for rest in more)]
    return lines


def _size(change: Change) -> str:
    sign = {"up": "+", "down": "-", "both": "±"}[change.direction]
    size = abs(change.size)
    digits = 0 if size >= 10 or size == int(size) else 2
    return f"{sign}{size:.{digits}f}" + ("/s" if change.form == "drift" else "")


def _fields(changes: Sequence[Change], *, several_buses: bool) -> Iterator[str]:
    """Name the fields: bus if there are several, identifier, transport, place, and under which multiplexor."""
    from decoder.discovery.pictures.picture_words import carrier_text, field_text, selector_text

    for change in changes:
        stream = change.at.stream
        words = [printable(stream.bus, 20)] if several_buses else []
        words.append(f"{stream.can_id:0{8 if stream.extended else 3}X}")
        words += [carrier_text(stream.carrier)] if stream.carrier is not None else []
        words.append(field_text(change.at.field))
        under = selector_text(change.at.multiplexor)
        yield " ".join(words) + (f" under {under}" if under else "")


def json_text(found: Sequence[LabelContrast]) -> str:
    """Give the JSON object as text."""
    from decoder.discovery.field_at import to_record

    labels = [
        {
            "label": one.label,
            "marks": one.marks,
            "changes": [
                {
                    **to_record(change.at),
                    "form": change.form,
                    "log_likelihood_ratio": round(change.log_likelihood_ratio, 3),
                    "delay_s": round(change.delay_s, 3),
                    "direction": change.direction,
                    "repeats": change.repeats,
                }
                for change in one.changes
            ],
        }
        for one in found
    ]
    return json.dumps({"schema": "cellglean.contrast/1", "labels": labels}, indent=1, allow_nan=False)
