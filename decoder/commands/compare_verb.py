"""`compare`: two captures place by place, what became better and worse.

The JSON object, schema ``cellglean.compare/1``: captures (both paths), identity (name, first, second: what both sides
say they are, null where one does not say; differs), differences (what, place, first, second, unsure, unit, verdict:
better, worse, same, changed, unknown; numbers are null where a side does not have them), findings_gone, findings_new,
findings_stayed (each as in ``cellglean.judge/1``).
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any, NamedTuple

from decoder.commands.options import (
    Verbs,
    add_map,
    add_show_vin,
    add_verb,
    load_maps,
    load_the_sheet,
    tell_faults,
)
from decoder.commands.output import add_output, put
from decoder.errors import UsageError
from decoder.printable import printable

if TYPE_CHECKING:
    import argparse
    from collections.abc import Iterator, Sequence

    from decoder.channels import Channels
    from decoder.judgement.comparing import Comparison, Difference, Verdict
    from decoder.judgement.finding import Finding
    from decoder.maps.pack_sheet import PackSheet
    from decoder.maps.signal_map import SignalMap
    from decoder.transport.exchange import Exchange

_MORE = """\
Two captures of one pack, before and after a repair, or of a donor and the original. Both are decoded with the same map
and sheet, unless the second has its own. A difference is only told where it is larger than what both can tell."""
_SYMBOLS = {"better": "+", "worse": "-", "changed": "~", "same": "=", "unknown": "?"}
_DIGITS = {"V": 4, "mohm": 3, "degC": 1, "%": 1, "kohm": 0}


class IdentityPair(NamedTuple):
    """What both sides say under one name; ``None`` where one does not say."""

    name: str
    first: str | None
    second: str | None
    differs: bool


def add(verbs: Verbs) -> None:
    """Add the verb."""
    verb = add_verb(verbs, "compare", run, "compare two captures place by place: what became better, what worse", _MORE)
    verb.add_argument("capture", metavar="A", help="the first capture: before, or the original")
    verb.add_argument("second", metavar="B", help="the second capture: after, or the donor")
    add_map(verb)
    verb.add_argument("--second-map", action="append", default=[], metavar="M.dbc", help="signal map of B, if another")
    verb.add_argument("--second-sheet", metavar="P.toml", help="pack sheet of B, if another")
    verb.add_argument("--all", action="store_true", help="also list what is the same")
    add_show_vin(verb)
    add_output(verb)


def run(options: argparse.Namespace) -> int:
    """Decode both, compare, and print."""
    from decoder.judgement.comparing import compare
    from decoder.maps import load_map, load_sheet

    if not options.map:
        raise UsageError("no signal map is given", expected="--map M.dbc", advice="'cellglean draft' makes one")
    paths = options.capture, options.second
    options.capture = [paths[0]]
    first_map, first_sheet = load_maps(options), load_the_sheet(options)
    second_map, second_sheet = first_map, first_sheet
    if options.second_map:
        second_map = load_map(options.second_map, strict=options.strict)
        tell_faults(second_map)
    if options.second_sheet:
        second_sheet = load_sheet(options.second_sheet)
    first = _decoded(paths[0], first_map, first_sheet)
    second = _decoded(paths[1], second_map, second_sheet)
    identity = identity_pairs(first, second, show_vin=options.show_vin)
    found = compare(first, second)
    if options.json:
        text = json.dumps(record(found, identity, paths), indent=1, ensure_ascii=True, allow_nan=False)
    else:
        text = "\n".join(_lines(found, identity, paths, everything=options.all))
    put(text, options.out)
    return 0


def _decoded(path: str, signal_map: SignalMap, sheet: PackSheet | None) -> Channels:
    from decoder.capture import read_capture
    from decoder.channels import decode
    from decoder.commands.progress import reading

    with reading("reading") as progress:
        frames = read_capture(path, progress=progress)
    return decode(frames, signal_map, sheet)


def identity_pairs(first: Channels, second: Channels, *, show_vin: bool = False) -> list[IdentityPair]:
    """Give what both packs say they are, name by name, and whether it differs, hidden or not."""
    from decoder.transport.identity import identity

    talks = [_exchanges(channels) for channels in (first, second)]
    shown, full = (
        [{row.name or row.asked_as: row.text for row in identity(talk, show_vin=vin)} for talk in talks]
        for vin in (show_vin, True)
    )
    names = list(dict.fromkeys([*shown[0], *shown[1]]))
    return [
        IdentityPair(
            name,
            shown[0].get(name),
            shown[1].get(name),
            name in full[0] and name in full[1] and full[0][name] != full[1][name],
        )
        for name in names
    ]


def _exchanges(channels: Channels) -> tuple[Exchange, ...]:
    from decoder.transport.exchanges import exchanges
    from decoder.transport.iso_tp import conversations

    return exchanges(channels.frames, conversations(channels.frames, named=channels.signal_map.reassembled))


def record(found: Comparison, identity: Sequence[IdentityPair], paths: tuple[str, str]) -> dict[str, Any]:
    """Give the JSON object as plain mappings."""
    from decoder.commands.judge_verb import finding_record, place_record

    def all_of(findings: Sequence[Finding]) -> list[dict[str, Any]]:
        return [finding_record(one) for one in findings]

    return {
        "schema": "cellglean.compare/1",
        "captures": list(paths),
        "identity": [pair._asdict() for pair in identity],
        "differences": [
            {
                "what": one.what,
                "place": place_record(one.place),
                "first": one.first,
                "second": one.second,
                "unsure": one.unsure,
                "unit": one.unit,
                "verdict": one.verdict,
            }
            for one in found.differences
        ],
        "findings_gone": all_of(found.gone),
        "findings_new": all_of(found.new),
        "findings_stayed": all_of(found.stayed),
    }


def _lines(
    found: Comparison, identity: Sequence[IdentityPair], paths: tuple[str, str], *, everything: bool
) -> Iterator[str]:
    yield f"A: {printable(paths[0])}"
    yield f"B: {printable(paths[1])}"
    yield from _identity_lines(identity)
    yield ""
    yield _counted(found)
    yield from _difference_lines([one for one in found.differences if everything or one.verdict != "same"])
    for words, findings in (
        ("Findings of A that are gone in B", found.gone),
        ("Findings that are new in B", found.new),
        ("Findings in both", found.stayed),
    ):
        yield ""
        yield words
        yield from _finding_lines(findings)


def _identity_lines(identity: Sequence[IdentityPair]) -> Iterator[str]:
    from decoder.commands.words import table

    if not identity:
        return
    yield ""
    rows = [
        (printable(one.name), *(printable(side or "-", 40) for side in one[1:3]), "differs" if one.differs else "")
        for one in identity
    ]
    yield from table(rows, ("what it says it is", "A", "B", ""), left=("A", "B"))


def _counted(found: Comparison) -> str:
    verdicts = found.verdicts
    words: tuple[tuple[Verdict, str], ...] = (
        ("better", "better"),
        ("worse", "worse"),
        ("changed", "changed"),
        ("same", "the same within what can be told"),
        ("unknown", "in one capture only"),
    )
    told = [f"{verdicts[verdict]:,} {text}" for verdict, text in words if verdicts.get(verdict)]
    return f"Figures in B against A: {', '.join(told)}" if told else "There is nothing that could be compared."


def _difference_lines(differences: Sequence[Difference]) -> Iterator[str]:
    from decoder.commands.words import table

    if not differences:
        return
    rows = [
        (
            _SYMBOLS[one.verdict],
            one.verdict,
            one.what,
            str(one.place),
            _number(one.first, one.unit),
            _number(one.second, one.unit),
            f"+-{_number(one.unsure, one.unit)}",
            one.unit,
        )
        for one in differences
    ]
    yield from table(rows, ("", "in B", "what", "place", "A", "B", "unsure", "unit"))


def _number(value: float | None, unit: str) -> str:
    return "-" if value is None else f"{value:.{_DIGITS.get(unit, 2)}f}"


def _finding_lines(findings: Sequence[Finding]) -> Iterator[str]:
    from decoder.commands.words import amount, table
    from decoder.judgement.finding import SEVERITY_SYMBOLS
    from decoder.maps.pack_sheet import Place

    if not findings:
        yield "none"
        return
    rows = [
        (
            SEVERITY_SYMBOLS[one.severity],
            one.severity.word,
            one.code,
            str(one.place or Place()),
            amount(one.value, one.unit),
            amount(one.limit, one.unit),
        )
        for one in findings
    ]
    yield from table(rows, ("", "severity", "code", "place", "value", "limit"))
