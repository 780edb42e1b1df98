"""Findings as the report shows them, and as a table for spreadsheets."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from decoder.judgement.finding import SEVERITY_SYMBOLS
from decoder.maps.pack_sheet import Place
from decoder.printable import printable
from decoder.report.texts import (
    amount,
    case_words,
    is_difference,
    lasts_words,
    place_words,
    prose,
    short_name,
    time_words,
    title_of,
)

if TYPE_CHECKING:
    from decoder.channels import Channels
    from decoder.judgement import Finding, Judgement
    from decoder.report.texts import Degrees

_MOST_CHANNELS: Final = 12
COLUMNS: Final = (
    "severity",
    "code",
    "module",
    "cell",
    "sensor",
    "value",
    "limit",
    "unit",
    "from_s",
    "to_s",
    "channel",
    "channels",
    "also",
    "explanation",
    "advice",
    "source",
)
# Spreadsheets take a cell that begins with one of these for a formula. Common practice (OWASP, 'CSV injection').
_FORMULA_BEGINS: Final = ("=", "+", "-", "@", "\t", "\r", "\n")


@dataclass(frozen=True, slots=True)
class FindingRow:
    """One finding in words; `number` is what pictures and lists refer to, `severity` the signal word.

    `channel`: the one that it is about, where its place does not tell it from others.
    """

    number: int
    severity: str
    symbol: str
    title: str
    code: str
    place: str
    channel: str
    where: str
    value: str
    limit: str
    begins: str
    ends: str
    lasts: str
    explanation: str
    also: str
    advice: str
    source: str
    channels: str


def finding_rows(channels: Channels, judgement: Judgement, degrees: Degrees) -> list[FindingRow]:
    """Put all findings into words, gravest first, numbered from 1."""
    return [_row(channels, number, one, degrees) for number, one in enumerate(judgement.findings, start=1)]


def _row(channels: Channels, number: int, finding: Finding, degrees: Degrees) -> FindingRow:
    difference = is_difference(finding.code)
    where = case_words(channels.sheet, None if finding.place is None else finding.place.module)
    return FindingRow(
        number=number,
        severity=finding.severity.word,
        symbol=SEVERITY_SYMBOLS[finding.severity],
        title=title_of(finding.code),
        code=finding.code,
        place=place_words(finding),
        channel=short_name(finding.channel or "", 40) if finding.place in {None, Place()} else "",
        where="" if where in finding.explanation else where,
        value=amount(finding.value, finding.unit, degrees, difference=difference),
        limit=amount(finding.limit, finding.unit, degrees, difference=difference),
        begins=time_words((finding.from_ns - channels.first_ns) / 1e9),
        ends=time_words((finding.to_ns - channels.first_ns) / 1e9),
        lasts=lasts_words((finding.to_ns - finding.from_ns) / 1e9),
        explanation=_sentence(prose(finding.explanation)),
        also=", ".join(title_of(code) for code in finding.also),
        advice=finding.advice,
        source=finding.source,
        channels=_channel_words(finding),
    )


def _sentence(text: str) -> str:
    """Begin with a capital and end with a full stop; a name at the beginning stays as it is spelled."""
    first = text.partition(" ")[0].rstrip(":,")
    begun = text[:1].upper() + text[1:] if first.isascii() and first.isalpha() else text
    return begun if not begun or begun.endswith((".", "!", "?")) else f"{begun}."


def _channel_words(finding: Finding) -> str:
    names = finding.channels or ((finding.channel,) if finding.channel else ())
    more = len(names) - _MOST_CHANNELS
    shown = ", ".join(short_name(name) for name in names[:_MOST_CHANNELS])
    return f"{shown} and {more} more" if more > 0 else shown


def findings_csv(channels: Channels, judgement: Judgement) -> str:
    """Give the findings as CSV text (RFC 4180, but for LF line ends); units are those of the quantities.

    Text that a spreadsheet would take for a formula begins with an apostrophe; control characters are written out.
    """
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(COLUMNS)
    for finding in judgement.findings:
        place = finding.place if finding.place is not None else Place()
        writer.writerow(
            [
                finding.severity.word,
                finding.code,
                _number(place.module),
                _number(place.cell),
                defused(place.sensor) if isinstance(place.sensor, str) else _number(place.sensor),
                _number(finding.value),
                _number(finding.limit),
                defused(finding.unit),
                f"{(finding.from_ns - channels.first_ns) / 1e9:.9f}",
                f"{(finding.to_ns - channels.first_ns) / 1e9:.9f}",
                defused(finding.channel or ""),
                defused(" ".join(finding.channels)),
                " ".join(finding.also),
                defused(finding.explanation),
                defused(finding.advice),
                defused(finding.source),
            ]
        )
    return text.getvalue()


def defused(text: str) -> str:
    """Give text that no spreadsheet takes for a formula and no terminal obeys."""
    shown = printable(text)
    return f"'{shown}" if text.lstrip(" ").startswith(_FORMULA_BEGINS) else shown


def _number(value: float | None) -> str:
    return "" if value is None else f"{value:.10g}"
