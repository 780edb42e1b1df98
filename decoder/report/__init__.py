"""The report: a judged capture as one HTML file that needs nothing else, and its findings as a table beside it."""

from decoder.report.making import report_html, write_report
from decoder.report.texts import Degrees

__all__ = ["Degrees", "report_html", "write_report"]
