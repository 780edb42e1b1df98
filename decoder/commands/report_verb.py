"""`report`: one HTML file with all that was found and how, and the findings as CSV beside it.

The CSV file has the report's stem and ends in ``.findings.csv``: a row a finding, gravest first, with the columns
severity, code, module, cell, sensor, value, limit, unit, from_s, to_s (seconds from the first frame), channel, channels
(blanks between), also, explanation, advice, source.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from decoder.commands.options import Verbs, add_capture, add_map, add_show_vin, add_verb, decoded, judged, sheet_path
from decoder.commands.output import refuse_what_is_read
from decoder.errors import UsageError
from decoder.printable import printable

if TYPE_CHECKING:
    import argparse

_MORE = """\
The file needs nothing else: no network, no fonts, no scripts. It prints on A4 and reads on a phone.
FILE.findings.csv, beside it, has the findings as a table; its temperatures stay in degrees Celsius."""


def add(verbs: Verbs) -> None:
    """Add the verb."""
    verb = add_verb(verbs, "report", run, "write what was found, and how, into one HTML file", _MORE)
    add_capture(verb)
    add_map(verb)
    add_show_vin(verb)
    verb.add_argument("--out", metavar="FILE.html", required=True, help="the file to write")
    verb.add_argument(
        "--degrees", choices=("C", "F"), default="C", help="what temperatures are shown in (default %(default)s)"
    )


def run(options: argparse.Namespace) -> int:
    """Judge and write."""
    from decoder.commands.progress import working
    from decoder.report import Degrees, write_report
    from decoder.report.making import findings_path

    out = Path(options.out)
    if not out.name:
        raise UsageError(f"--out '{options.out}' names no file", expected="a name such as pack.html")
    beside = sheet_path(options)  # read too, where none is named
    for target in (out, findings_path(out)):
        refuse_what_is_read(options, target, () if beside is None else (beside,))
    channels = decoded(options)
    judgement = judged(channels, options)
    with working("drawing"):
        paths = write_report(out, channels, judgement, degrees=Degrees(options.degrees), show_vin=options.show_vin)
    for path in paths:
        print(printable(str(path)))
    return 0
