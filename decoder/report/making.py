"""Everything put together: one HTML document, and the findings as CSV beside it.

Text from captures, maps and sheets passes two doors, both in `_environment`: `printable`, so that control characters
and direction overrides are written out, and the escaping of HTML. Nothing in the document is loaded or run: its own
policy forbids it too.
"""

from __future__ import annotations

from collections import Counter
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from markupsafe import Markup

from decoder.atomic import write_text
from decoder.judgement.cells.cell_figures import cell_figures
from decoder.judgement.cells.cell_table import CellTable, cell_table
from decoder.judgement.cells.resistances import cell_resistances
from decoder.judgement.finding import SEVERITY_SYMBOLS, Severity
from decoder.printable import printable
from decoder.report.account_facts import capture_facts, decoding_facts, moment_words, wire_facts
from decoder.report.case_picture import case_picture
from decoder.report.cell_section import CellSection, cell_section
from decoder.report.finding_rows import finding_rows, findings_csv
from decoder.report.limits_used import channel_limits, judging_limits
from decoder.report.overview import charge_facts, measured_rows, pack_facts
from decoder.report.svg_parts import dash_words
from decoder.report.texts import Degrees, title_of
from decoder.report.time_plots import time_pictures

if TYPE_CHECKING:
    from jinja2 import Environment

    from decoder.channels import Channels
    from decoder.judgement import Judgement

_TEMPLATE = "report.html.j2"


def write_report(
    path: str | Path,
    channels: Channels,
    judgement: Judgement,
    *,
    degrees: Degrees = Degrees.CELSIUS,
    show_vin: bool = False,
    made_at: datetime | None = None,
) -> tuple[Path, Path]:
    """Write the report to `path`, and the findings beside it (same stem, ``.findings.csv``); each whole or not at all.

    Parameters
    ----------
    degrees : what temperatures are shown in; the table of findings keeps degrees Celsius
    show_vin : show vehicle identification numbers in full, not only their first three characters
    made_at : the time that the report names; now, in the local time zone, where none is given

    Returns
    -------
    The paths of both files.

    Raises
    ------
    OutputError
    """
    report = Path(path)
    table = findings_path(report)
    text = report_html(channels, judgement, degrees=degrees, show_vin=show_vin, made_at=made_at)
    write_text(report, text)
    write_text(table, findings_csv(channels, judgement))
    return report, table


def findings_path(report: Path) -> Path:
    """Give the place of the table of findings that belongs to a report."""
    return report.with_name(f"{report.stem}.findings.csv")


def report_html(
    channels: Channels,
    judgement: Judgement,
    *,
    degrees: Degrees = Degrees.CELSIUS,
    show_vin: bool = False,
    made_at: datetime | None = None,
) -> str:
    """Give the report as the text of one HTML document; parameters as in `write_report`."""
    from decoder import __version__  # noqa: PLC0415

    made_at = (made_at or datetime.now(UTC)).astimezone() if made_at is None or made_at.tzinfo is None else made_at
    table = cell_table(channels)
    sheet = channels.sheet
    paths = ", ".join(Path(one).name for one in channels.frames.account.paths)
    findings = finding_rows(channels, judgement, degrees)
    return (
        _environment()
        .get_template(_TEMPLATE)
        .render(
            title=(sheet.name if sheet is not None and sheet.name else None) or paths or "Capture",
            capture=paths or "standard input",
            version=__version__,
            made_at=moment_words(made_at),
            degrees=degrees.value,
            counts=_counts(judgement),
            findings=findings,
            case=case_picture(channels, judgement),
            cells=_cells(channels, judgement, table),
            pictures=time_pictures(channels, judgement, table, degrees),
            pack=[*pack_facts(channels), *charge_facts(channels)],
            measured=measured_rows(channels, degrees),
            capture_facts=list(capture_facts(channels)),
            decoding_facts=list(decoding_facts(channels)),
            wire=wire_facts(channels, show_vin=show_vin),
            not_judged=[(title_of(code), reason) for code, reason in judgement.not_judged.items()],
            judging_limits=judging_limits(channels, degrees),
            channel_limits=channel_limits(channels, degrees),
        )
    )


def _cells(channels: Channels, judgement: Judgement, table: CellTable | None) -> CellSection:
    if table is None:
        return CellSection()
    return cell_section(judgement, table, cell_figures(channels, table), cell_resistances(table))


def _counts(judgement: Judgement) -> list[tuple[str, str, int]]:
    """Count findings by severity, gravest first: word, symbol, how many."""
    counted = Counter(finding.severity for finding in judgement.findings)
    return [(one.word, SEVERITY_SYMBOLS[one], counted[one]) for one in sorted(Severity, reverse=True)]


def _environment() -> Environment:
    from jinja2 import Environment, PackageLoader, StrictUndefined  # noqa: PLC0415  (heavy)

    environment = Environment(
        loader=PackageLoader("decoder.report", "."),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
        finalize=_made_safe,
    )
    environment.globals["dashes"] = dash_words
    return environment


def _made_safe(value: Any) -> Any:  # noqa: ANN401  (whatever a template prints)
    """Write out what a browser or a reader's eye could be misled by; pictures are safe as they are."""
    return printable(value) if isinstance(value, str) and not isinstance(value, Markup) else value
