"""The trial of contrasting: what is right, what follows, what is wrong, and the tables."""

import sys
from collections import Counter
from contextlib import nullcontext
from types import SimpleNamespace

import pytest

from decoder.bits import Field
from decoder.discovery.contrast import Change, LabelContrast
from decoder.discovery.field_at import FieldAt, StreamKey
from decoder.discovery.proposal import Selector
from tools import contrast_trial, trial_runs
from tools.contrast_trial import AWAY_S, NOTHING, STRONG, lines_of, run
from tools.packs.making import make_pack

LOADED = 0  # a seed below 1000 whose pack has cells loaded


@pytest.fixture(scope="module")
def pack():
    return make_pack(LOADED)


def change(at, ratio):
    return Change(at, "step", ratio, 0.1, "down", 1, 1, -10.0)


def place(start, value=None, length=16):
    under = None if value is None else Selector(Field(0, 8), value)
    return FieldAt(StreamKey("can0", 0x123, extended=False), Field(start, length), under)


def answered(monkeypatch, pack, answer):
    """Let contrasting answer for each label with what `answer` gives for it."""
    seen = []

    def contrast(_frames, marks):
        seen.extend(marks)
        labels = dict.fromkeys(mark.label for mark in marks)
        counts = Counter(mark.label for mark in marks)
        return tuple(LabelContrast(label, counts[label], tuple(answer(label))) for label in labels)

    monkeypatch.setattr(contrast_trial, "contrast", contrast)
    monkeypatch.setattr(contrast_trial, "make_pack", lambda _: pack)
    return run(LOADED), seen


def load_labels(pack):
    return [label for label in {mark.label for mark in pack.marks} if label.startswith("load")]


def test_the_true_fields_are_right(monkeypatch, pack):
    counts, _ = answered(monkeypatch, pack, lambda label: [change(one.at, 9.0) for one in pack.shown_by(label)])
    labels = len(load_labels(pack))
    assert labels
    assert [counts[f"load: {name}"] for name in ("labels", "first", "first three", "strong")] == [labels] * 4
    assert counts["cells and sensors: wrong fields"] == 0


def test_what_follows_is_neither_right_nor_wrong(monkeypatch, pack):
    lowest = next(one for one in pack.channels if one.source and one.source.name == "lowest cell")
    counts, _ = answered(
        monkeypatch,
        pack,
        lambda label: [change(lowest.at, 12.0), *(change(one.at, 9.0) for one in pack.shown_by(label))],
    )
    assert counts["load: first"] == counts["load: labels"]


def test_other_fields_are_wrong_where_the_evidence_is_strong(monkeypatch, pack):
    current = next(one for one in pack.channels if one.source and one.source.name == "pack current")
    for ratio, wrong in ((STRONG + 1, 1), (STRONG - 1, 0)):
        counts, _ = answered(monkeypatch, pack, lambda _, ratio=ratio: [change(current.at, ratio)])
        labels = counts["cells and sensors: labels"]
        assert counts["cells and sensors: wrong fields"] == wrong * labels
        assert counts[f"{NOTHING}: wrong fields"] == wrong * counts[f"{NOTHING}: labels"]
        assert counts["load: first"] == counts["load: first three"] == 0


def test_moments_of_nothing_lie_away_from_the_marks():
    counted = 0
    for seed in range(900, 912):
        pack = make_pack(seed)
        for mark in contrast_trial._moments_of_nothing(pack):
            assert all(abs(mark.time_s - other.time_s) > AWAY_S - 0.01 for other in pack.marks)
            counted += 1
    assert counted


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        (place(8), place(16), True),  # bits 16 to 23
        (place(8), place(24), False),
        (place(8, 1), place(8, 1), True),
        (place(8, 1), place(8, 2), False),
        (place(8), place(8, 2), True),
    ],
)
def test_fields_are_the_same_where_they_share_bits_of_the_same_payloads(one, other, same):
    assert contrast_trial._same(one, other) is same


def test_the_tables_give_shares_and_counts():
    counts = Counter({"all: labels": 4, "all: first": 2, "all: first three": 3, f"{NOTHING}: labels": 7})
    lines = lines_of(counts)
    assert lines[1].split() == ["all", "4", "50%", "75%", "0%"]
    assert lines[-1].split() == [NOTHING, "7", "0", "0"]


def test_the_command_counts_packs(monkeypatch, tmp_path, capsys):
    def pool(_jobs):
        return nullcontext(SimpleNamespace(imap=map))

    monkeypatch.setattr(trial_runs, "multiprocessing", SimpleNamespace(Pool=pool))
    monkeypatch.setattr(contrast_trial, "run", lambda seed: Counter({"all: labels": 1, "all: first": seed % 2}))
    out = tmp_path / "counts.json"
    monkeypatch.setattr(sys, "argv", ["contrast_trial.py", "--packs", "4", "--seed", "6", "--json", str(out)])
    assert contrast_trial.main() == 0
    said = capsys.readouterr().out
    assert "4 packs, seeds 6 to 9" in said
    assert "50%" in said
    assert '"all: labels": 4' in out.read_text()
