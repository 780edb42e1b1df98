"""Text from captures, maps and sheets stays text: in the document, in a real browser, in the table."""

import csv
import io
import re
import shutil
import subprocess
from dataclasses import replace
from functools import cache

import pytest

from decoder.account import SkippedLine
from decoder.channels import decode
from decoder.judgement import Severity, judge
from decoder.judgement.notes import Note
from decoder.maps.pack_sheet import ChannelRule, PackSheet, Place
from decoder.report import report_html
from decoder.report.finding_rows import findings_csv
from tests.building import capture, conversation
from tests.report.pages import RULES, Page, pack_map, rows, small_pack

OWNED = "document.title='owned'"
HOSTILE = (
    f"<script>{OWNED}</script>",
    f'"><img src=x onerror="{OWNED}">',
    f"</style></title><script>{OWNED}</script>",
    f"</svg><svg onload={OWNED}>",
    f"'><body onload={OWNED}>",
    f"]]><script>{OWNED}</script><!--",
    f'x" onmouseover="{OWNED}" autofocus onfocus="{OWNED}',
    "{{ 7 * 191 }}{% raw %}",
    "&lt;script&gt;&#60;script",
    '=HYPERLINK("http://x.invalid")',
    "+cmd|' /C calc'!A0",
    "\x1b[31mred\x1b]0;owned\x07",
    "\u202egnp.exe\u2066",
    "$\\frac{1}{$ \\undefined",
    "\udc80\x00\ufffe",
    "電池-中央-第三",
)
BROWSER = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)


@cache
def hostile_pack(text):
    """A pack in which every name, unit, comment and label that a file can give is `text`."""
    answer = b"\x62\xf1\x87" + text.encode("ascii", "ignore").replace(b"\x00", b"").replace(b"\x1b", b"")
    talk = conversation([(0.55 + 0.2 * k, b"\x22\xf1\x87", answer) for k in range(4)])
    frames = capture(sorted([*rows(), *talk], key=lambda row: row[0]), bus_names=(text,))
    account = replace(
        frames.account,
        paths=(f"{text}.log",),
        notes_by_kind={text: 1},
        skipped_reasons={text: 1},
        skipped_lines=(SkippedLine(text, 3, text),),
        remarks=(text,),
    )
    named = {"contactor", "module temperature"}
    rules = [replace(rule, sensor=text) if rule.quantity in named else rule for rule in RULES]
    rules.append(ChannelRule(match="*Extra", high=1.0))
    sheet = PackSheet(
        name=text, chemistry="NMC", front=text, rows=((1, 2),), rules=tuple(rules), path=f"{text}.toml", modules=2
    )
    signal_map = pack_map(prefix=text, unit=text, labels={0: text, 1: text}, comment=text)
    signal_map = replace(signal_map, paths=(f"{text}.dbc",), encodings=("utf-8",))
    channels = decode(replace(frames, account=account), signal_map, sheet)
    notes = [Note(text, name, 2.0, Severity.WARNING) for name in list(channels)[:2]]
    return channels, judge(channels, notes)


@cache
def hostile_report(text):
    return report_html(*hostile_pack(text))


@pytest.fixture(scope="module")
def tame():
    channels = small_pack()
    return Page(report_html(channels, judge(channels)))


@pytest.mark.parametrize("text", HOSTILE)
def test_it_stays_text_in_the_document(text, tame):
    page = Page(hostile_report(text))
    assert page.wrong == []
    known = {tag for tag, _ in tame.elements} | {"dl", "p", "li", "a", "b"}
    assert {tag for tag, _ in page.elements} <= known | {"h3", "ul", "div", "table", "tr", "td", "rect", "use", "tbody"}
    assert not [name for _, attributes in page.elements for name in attributes if name.startswith("on")]
    assert "1337" not in page.words
    assert not {"\x1b", "\x07", "\u202e", "\u2066", "\udc80", "\x00"} & set(page.words)


def test_it_is_shown_as_it_is(tame):
    text = HOSTILE[0]
    assert Page(hostile_report(text)).words.count(text) > 10


@pytest.mark.parametrize("text", HOSTILE)
def test_it_stays_text_in_the_table(text):
    channels, judgement = hostile_pack(text)
    table = list(csv.reader(io.StringIO(findings_csv(channels, judgement))))
    assert len(table) == len(judgement.findings) + 1
    assert {len(row) for row in table} == {len(table[0])}
    for row in table[1:]:
        for cell in row:
            assert not {"\t", "\r", "\n", "\x1b", "\u202e"} & set(cell)
            if cell.startswith(("=", "+", "-", "@")):
                float(cell)


def loaded(tmp_path, text):
    """What a browser makes of a document, as HTML."""
    (tmp_path / "page.html").write_text(text, "utf-8")
    command = [
        BROWSER,
        "--headless",
        "--no-sandbox",
        "--disable-gpu",
        f"--user-data-dir={tmp_path / 'profile'}",
        "--virtual-time-budget=10000",
        "--dump-dom",
        (tmp_path / "page.html").as_uri(),
    ]
    done = subprocess.run(command, check=True, capture_output=True, text=True, timeout=120)
    return done.stdout


@pytest.mark.skipif(BROWSER is None, reason="no browser is installed here")
def test_nothing_runs_in_a_browser(tmp_path):
    """All texts in one document, with and without its own policy; a plain script shows that they could."""
    policy = '<meta http-equiv="Content-Security-Policy"'
    whole = "".join(hostile_report(text) for text in HOSTILE)
    assert policy in whole
    bare = whole.replace(policy, '<meta name="left-out"')
    for text in (whole, bare):
        dom = loaded(tmp_path, text)
        assert "<title>owned" not in dom
        assert Page(dom).of("script", "img") == []
    assert "<title>owned" in loaded(tmp_path, bare.replace("</body>", f"<script>{OWNED}</script></body>", 1))


@pytest.mark.skipif(BROWSER is None, reason="no browser is installed here")
@pytest.mark.parametrize("width", [390, 768, 1280])
def test_no_page_is_wider_than_its_screen(tmp_path, width):
    long = "Name_without_any_place_to_break_it_" * 8
    for number, (channels, judgement) in enumerate((hostile_pack(long), hostile_pack("W" * 90))):
        inner = report_html(channels, judgement).replace("&", "&amp;").replace('"', "&quot;")
        frame = f'<iframe id="f" style="border:0;width:{width}px;height:900px" srcdoc="{inner}"></iframe>'
        script = (
            "<script>onload=()=>{const d=document.getElementById('f').contentDocument.documentElement;"
            "document.title=Math.max(d.scrollWidth-d.clientWidth,0)+' too wide of '+d.clientWidth}</script>"
        )
        dom = loaded(tmp_path, f"<!DOCTYPE html><title>x</title><body>{frame}{script}</body>")
        assert (found := re.search(r"<title>(\d+) too wide of (\d+)</title>", dom)), number
        assert int(found[1]) == 0, number
        assert int(found[2]) > width - 30  # the scroll bar's


def test_the_hostile_pack_shows_all_that_a_pack_shows(tame):
    _, judgement = hostile_pack(HOSTILE[0])
    assert Place(2, 3) in {finding.place for finding in judgement.findings}
    assert "channel-high" in {finding.code for finding in judgement.findings}
    headings = [attributes["id"] for attributes in tame.of("h2")]
    assert [attributes["id"] for attributes in Page(hostile_report(HOSTILE[0])).of("h2")] == headings
