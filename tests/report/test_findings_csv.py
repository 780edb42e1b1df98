"""The table of findings is one that spreadsheets read and never run."""

import csv
import io

import pytest
from hypothesis import given
from hypothesis import strategies as st

from decoder.judgement import Finding, Judgement, Severity, judge
from decoder.maps.pack_sheet import Place
from decoder.report.finding_rows import COLUMNS, defused, findings_csv
from tests.report.pages import small_pack


def read(text):
    return list(csv.DictReader(io.StringIO(text)))


def test_every_finding_is_a_row_with_numbers_as_numbers():
    channels = small_pack()
    judgement = judge(channels)
    table = read(findings_csv(channels, judgement))
    assert len(table) == len(judgement.findings) > 0
    for row, finding in zip(table, judgement.findings, strict=True):
        assert tuple(row) == COLUMNS
        assert row["code"] == finding.code
        assert float(row["from_s"]) == pytest.approx((finding.from_ns - channels.first_ns) / 1e9)
        assert (float(row["value"]) if row["value"] else None) == (
            finding.value if finding.value is None else pytest.approx(finding.value)
        )


@pytest.mark.parametrize("begin", ["=", "+", "-", "@", "\t", "\r", "\n"])
@given(rest=st.text(max_size=20))
def test_what_a_spreadsheet_would_run_is_defused(begin, rest):
    shown = defused(begin + rest)
    assert shown.startswith("'")
    assert not {"\t", "\r", "\n", "\x1b"} & set(shown)


def test_negative_numbers_stay_numbers_and_texts_are_defused():
    channels = small_pack()
    hostile = '=HYPERLINK("http://x.invalid","go")'
    finding = Finding(
        "user-flag",
        Severity.NOTICE,
        Place(1, None, "@SUM(A1)"),
        -12.5,
        None,
        "+cmd",
        0,
        0,
        hostile,
        "-2+3\x1b[31m",
        channel="\tx",
    )
    (row,) = read(findings_csv(channels, Judgement((finding,), {})))
    assert row["value"] == "-12.5"
    assert row["explanation"] == f"'{hostile}"
    assert (row["sensor"], row["unit"], row["channel"]) == ("'@SUM(A1)", "'+cmd", "'\\x09x")
    assert row["source"] == "'-2+3\\x1b[31m"
