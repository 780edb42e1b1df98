"""`judge`: findings as a table or as JSON.

The JSON object, schema ``cellglean.judge/1``: findings, gravest first, each with code, severity, channel, place
(module, cell, sensor; null for the whole pack), value, limit, unit, from_ns, to_ns, also, explanation, advice (what to
check next, with the pack made safe), source; and not_judged: code and reason.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from decoder.commands.options import Verbs, add_capture, add_map, add_verb, decoded, judged
from decoder.commands.output import put

if TYPE_CHECKING:
    import argparse

    from decoder.judgement import Finding, Judgement
    from decoder.maps.pack_sheet import Place

FOUND = 1
_SEVERITIES = ("notice", "caution", "warning", "danger")


def add(verbs: Verbs) -> None:
    """Add the verb."""
    verb = add_verb(
        verbs, "judge", run, "say what is out of range, where it sits and why it matters", "Severities: ANSI Z535.6."
    )
    add_capture(verb)
    add_map(verb)
    verb.add_argument("--json", action="store_true", help="print one JSON object")
    verb.add_argument(
        "--fail-on", choices=_SEVERITIES, metavar="SEVERITY", help="exit with 1 on this severity or above"
    )
    verb.add_argument("--out", metavar="FILE", help="write there instead of to standard output")


def run(options: argparse.Namespace) -> int:
    """Judge and print."""
    from decoder.commands.words import result_lines
    from decoder.judgement import Severity

    channels = decoded(options)
    judgement = judged(channels, options)
    text = json_text(judgement) if options.json else "\n".join(result_lines(channels, judgement))
    put(text, options.out)
    failed = options.fail_on and judgement.at_least(Severity[options.fail_on.upper()])
    return FOUND if failed else 0


def json_text(judgement: Judgement) -> str:
    """Give the JSON object as text."""
    whole = {
        "schema": "cellglean.judge/1",
        "findings": [finding_record(finding) for finding in judgement.findings],
        "not_judged": [{"code": code, "reason": reason} for code, reason in judgement.not_judged.items()],
    }
    return json.dumps(whole, indent=1, ensure_ascii=True)


def finding_record(finding: Finding) -> dict[str, Any]:
    """Give a finding as in the JSON object."""
    return {
        "code": finding.code,
        "severity": finding.severity.word,
        "channel": finding.channel,
        "channels": list(finding.channels),
        "place": place_record(finding.place),
        "value": finding.value,
        "limit": finding.limit,
        "unit": finding.unit,
        "from_ns": finding.from_ns,
        "to_ns": finding.to_ns,
        "also": list(finding.also),
        "explanation": finding.explanation,
        "advice": finding.advice,
        "source": finding.source,
    }


def place_record(place: Place | None) -> dict[str, Any] | None:
    """Give a place as in the JSON object, ``None`` for the whole pack."""
    if place is None or (place.module is None and place.cell is None and place.sensor is None):
        return None
    return {"module": place.module, "cell": place.cell, "sensor": place.sensor}
