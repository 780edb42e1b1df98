"""The fields of one stream as a table: place, kind, how sure, which bits, what is known."""

from __future__ import annotations

from typing import TYPE_CHECKING

from decoder.commands.words import table, wrapped
from decoder.discovery.pictures.payload_picture import by_selector
from decoder.discovery.pictures.picture_words import confidence_text, field_text, selector_text
from decoder.discovery.pictures.proposal_words import bits_words, proposal_words

if TYPE_CHECKING:
    from collections.abc import Sequence

    from decoder.discovery.proposal import Proposal

_WIDE = 110  # columns; a narrower table has the place in one column, as a DBC file writes it
_FEWEST_FOR_WORDS = 24  # columns
_PLACE = ("start", "length", "byte order", "sign")
_KNOWN = "what is known"


def table_lines(proposals: Sequence[Proposal], width: int) -> list[str]:
    """Give one row a field, what stands under a multiplexor below a line that says so."""
    groups = by_selector(proposals)
    ordered = [one for some in groups.values() for one in some]
    if not ordered:
        return ["No fields."]
    lines = _with_words(ordered, width)
    result = list(lines[0])
    at = 1
    for selector, some in groups.items():
        if selector is not None:
            result.append(f"under {selector_text(selector)}")
        result += [line for row in lines[at : at + len(some)] for line in row]
        at += len(some)
    return result


def _with_words(proposals: Sequence[Proposal], width: int) -> list[list[str]]:
    """Give the lines of the headings and of each row; what is known is broken into the columns that are left."""
    certain = any(bits_words(one.detail, "certain") for one in proposals)
    likely = any(bits_words(one.detail, "likely") for one in proposals)
    headings = [
        *(_PLACE if width >= _WIDE else ("field",)),
        "kind",
        "sure",
        *(("certain",) if certain else ()),
        *(("likely",) if likely else ()),
    ]
    rows = [
        [
            *(_place(one) if width >= _WIDE else (field_text(one.field),)),
            one.kind,
            confidence_text([one]),
            *((bits_words(one.detail, "certain"),) if certain else ()),
            *((bits_words(one.detail, "likely"),) if likely else ()),
        ]
        for one in proposals
    ]
    left = table(rows, headings, ("field", "certain", "likely"))
    indent = max(len(line) for line in left) + 2
    room = max(width - indent, _FEWEST_FOR_WORDS)
    lines = []
    for line, words in zip(left, [_KNOWN, *map(proposal_words, proposals)], strict=True):
        first, *more = wrapped(words, room)
        lines.append([f"{line:{indent}}{first}".rstrip(), *(" " * indent + rest for rest in more)])
    return lines


def _place(one: Proposal) -> tuple[str, ...]:
    field = one.field
    sign = "signed" if field.signed else "unsigned"
    return str(field.start), str(field.length), f"{field.byte_order}-endian", sign
