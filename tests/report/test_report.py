"""The document: whole, readable for all, needing nothing else."""

import re
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

import decoder.report
from decoder.channels import decode
from decoder.judgement import judge
from decoder.maps import load_map, load_sheet
from decoder.maps.default_limits import DEFAULT_LIMITS, limit_of
from decoder.maps.signal_map import SignalMap
from decoder.report import Degrees, report_html, write_report
from tests.building import capture, conversation
from tests.report.pages import Page, pack_map, report_of, rows, small_pack

WHEN = datetime(2030, 1, 2, 3, 4, 5, tzinfo=UTC)
ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def demo():
    from decoder.capture import read_capture

    frames = read_capture([str(ROOT / "captures/harbour_shuttle.log.xz")])
    signal_map = load_map([str(ROOT / "signal_maps/harbour_shuttle.dbc")])
    channels = decode(frames, signal_map, load_sheet(str(ROOT / "signal_maps/harbour_shuttle.toml")))
    return channels, judge(channels)


@pytest.fixture(scope="module")
def text(demo):
    return report_html(*demo, made_at=WHEN)


@pytest.fixture(scope="module")
def page(text):
    return Page(text)


def test_it_is_well_formed_and_every_name_is_there_once(page):
    assert page.wrong == []
    assert page.open == []
    names = [attributes["id"] for _, attributes in page.elements if "id" in attributes]
    assert len(names) == len(set(names))


def test_it_refers_to_nothing_outside_itself(text, page):
    assert page.of("script", "link", "img", "iframe", "object", "embed", "image") == []
    names = {attributes["id"] for _, attributes in page.elements if "id" in attributes}
    for _, attributes in page.elements:
        assert "src" not in attributes
        if "href" in attributes:
            assert attributes["href"].removeprefix("#") in names
        for word in ("aria-labelledby", "aria-describedby"):
            assert set(attributes.get(word, "").split()) <= names
    assert not re.search(r"https?:|//[a-z]|@import|url\((?!#)", text)
    assert set(re.findall(r"url\(#([^)]*)\)", text)) <= names


def test_headings_are_in_order(page):
    levels = [int(tag[1]) for tag, _ in page.elements if re.fullmatch("h[1-6]", tag)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert max(np.diff(levels)) <= 1


def test_pictures_and_tables_say_what_they_are(page):
    pictures = [one for one in page.of("svg") if "aria-hidden" not in one]
    assert len(pictures) > 6
    for one in pictures:
        assert one["role"] == "img"
        assert len(one["aria-labelledby"].split()) == 2
    assert all(one.get("scope") in {"col", "row"} for one in page.of("th"))
    assert page.elements[0][1]["lang"] == "en"


def test_no_stand_in_colour_is_left(text):
    assert not re.search(r"#0[1-7]0[0-9]0[0-9]", text)


def test_the_same_capture_gives_the_same_report(demo, text):
    assert report_html(*demo, made_at=WHEN) == text


def test_everything_that_was_found_is_told(demo, page):
    channels, judgement = demo
    for finding in judgement.findings:
        assert finding.advice.split(";")[0] in page.words
        assert finding.source in page.words
    for reason in judgement.not_judged.values():
        assert reason in page.words
    for said in ("50,834", "HS-PK-062-0417", "connector side", "2030-01-02 03:04:05 UTC", "High voltage kills"):
        assert said in page.words
    assert f"{channels.account.decoded_frames:,}" in page.words


def test_all_limits_are_told_with_their_sources(demo, page):
    section = page.words[page.words.index("Limits, and where they come from") :]
    for key in DEFAULT_LIMITS:
        limit = limit_of(demo[0].sheet, key)
        assert re.search(rf"{limit.value:g}[.0]* \S+ {re.escape(limit.source)}", section), key


def test_the_module_with_the_gravest_finding_is_named_in_words(page):
    assert "gravest finding of all modules" in page.words


def test_identification_numbers_are_hidden_unless_asked_for():
    vin = b"CGHARBRSTHL000001"
    talk = conversation([(1.0, b"\x22\xf1\x90", b"\x62\xf1\x90" + vin), (2.0, b"\x22\xf1\x87", b"\x62\xf1\x87PART-7")])
    channels = decode(capture(sorted([*rows(), *talk], key=lambda row: row[0])), pack_map())
    hidden, shown = report_of(channels), report_of(channels, show_vin=True)
    assert vin.decode() not in hidden
    assert "CGH**************" in hidden
    assert vin.decode() in shown
    assert "PART-7" in hidden


def test_degrees_fahrenheit_are_shown_where_wanted():
    channels = small_pack()
    shown = Page(report_of(channels, degrees=Degrees.FAHRENHEIT)).words
    assert "Temperature, °F" in shown
    first = channels["Temp_1_1_degC"].value[0]
    assert f"{first * 1.8 + 32:.1f}" in shown
    assert "°F" not in Page(report_of(channels)).words


# Contrast, WCAG 2.1: relative luminance and the ratio that text needs.


def luminance(colour):
    digits = colour.removeprefix("#")
    digits = "".join(c * 2 for c in digits) if len(digits) == 3 else digits
    parts = [int(digits[at : at + 2], 16) / 255 for at in (0, 2, 4)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return float(np.dot([0.2126, 0.7152, 0.0722], linear))


def contrast(one, other):
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def test_contrast_is_enough_in_light_and_dark():
    style = (Path(decoder.report.__file__).parent / "report.css").read_text("utf-8")
    schemes = [
        dict(re.findall(r"--([\w-]+):(#[0-9a-f]+)", part)) for part in re.findall(r":root\{([^}]*--paper[^}]*)", style)
    ]
    assert len(schemes) == 2
    for colours in schemes:
        for paper in ("paper", "sheet"):
            for ink in ("ink", "soft", "link", "notice", "caution", "warning", "danger"):
                assert contrast(colours[ink], colours[paper]) >= 4.5, (ink, paper)
        for number in range(1, 7):
            assert contrast(colours[f"line-{number}"], colours["paper"]) >= 3, number


# Little to tell


def test_an_empty_capture_without_a_map():
    page = Page(report_of(decode(capture([]), SignalMap())))
    assert page.wrong == []
    assert "could not be judged" in page.words


def test_frames_without_a_map():
    page = Page(report_of(decode(capture(rows(3)), SignalMap())))
    assert page.wrong == []
    assert "0 of 9 frames (0%)" in page.words


@pytest.mark.parametrize("count", [1, 2, 3])
def test_hardly_a_sample(count):
    assert Page(report_of(decode(capture(rows(count)), pack_map()))).wrong == []


def test_nothing_but_not_available():
    those = [(time_s, can_id, b"\xff" * len(data)) for time_s, can_id, data in rows()]
    assert Page(report_of(decode(capture(those), pack_map()))).wrong == []


def test_a_clock_that_jumps_back():
    those = rows()
    those = [(time_s - (3 if at > 100 else 0), *rest) for at, (time_s, *rest) in enumerate(those)]
    assert Page(report_of(decode(capture(those), pack_map()))).wrong == []


def test_a_file_is_whole_or_not_there(tmp_path):
    channels = small_pack()
    report, table = write_report(tmp_path / "r.html", channels, judge(channels))
    assert (report, table) == (tmp_path / "r.html", tmp_path / "r.findings.csv")
    assert report.read_text("utf-8").endswith("</html>\n")
    assert sorted(one.name for one in tmp_path.iterdir()) == ["r.findings.csv", "r.html"]
    with pytest.raises(decoder.errors.OutputError):
        write_report(tmp_path / "no" / "r.html", channels, judge(channels))
