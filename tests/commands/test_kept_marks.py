"""Marks set on the screens are what contrast reads."""

import json

import pytest

from decoder.commands import open_verb
from decoder.commands.main import main, parser
from decoder.discovery.mark_file import marks_path
from decoder.screens import app


@pytest.fixture
def log(tmp_path):
    """40 s of one identifier whose first byte steps at 12 s, 20 s and 31 s."""
    path = tmp_path / "a.log"
    lines = []
    for at in range(400):
        step = sum(at >= 10 * onset_s for onset_s in (12, 20, 31))
        lines.append(f"({1000 + at / 10:.6f}) can0 201#{40 * step:02X}{at % 7:02X}\n")
    path.write_text("".join(lines))
    return str(path)


def session_of(arguments, monkeypatch):
    """Open the screens as the verb does, up to the terminal."""
    shown = []
    monkeypatch.setattr(app, "run", lambda session, *_, **__: shown.append(session))
    options = parser().parse_args(["open", *arguments])
    assert open_verb.show(options, as_text=False) == 0
    return shown[0]


@pytest.mark.parametrize(("part", "at_ns"), [([], 0), (["--from", "5"], 5_000_000_000)])
def test_marks_count_from_the_captures_first_frame_also_where_a_part_is_shown(log, part, at_ns, monkeypatch):
    session = session_of([log, *part], monkeypatch)
    assert session.channels.first_ns == 1000_000_000_000 + at_ns
    book = session.mark_book
    book.add(book.new(1012_000_000_000, "lamp on"))
    assert marks_path(log).read_text() == "time_s,label\n12.000000,lamp on\n"


def test_contrast_reads_the_file_of_marks(log, monkeypatch, tmp_path):
    book = session_of([log, "--from", "5"], monkeypatch).mark_book
    for onset_s in (12, 20, 31):
        book.add(book.new((1000 + onset_s) * 1_000_000_000, 'lamp "on", left'))
    out = tmp_path / "out.json"
    assert main(["contrast", log, "--marks", str(marks_path(log)), "--json", "--out", str(out)]) == 0
    (label,) = json.loads(out.read_text("utf-8"))["labels"]
    assert label["label"] == 'lamp "on", left'
    assert label["marks"] == 3
    best = label["changes"][0]
    assert best["start"] // 8 == 0  # in the byte that steps
