"""The trial of judging: what counts as found and placed, and how it is counted."""

from dataclasses import replace

from decoder.judgement import Severity
from decoder.judgement.finding import Finding
from decoder.maps.pack_sheet import Place
from tools.judge_trial import Counts, Judged, has_code, is_at, run
from tools.judged_packs.draft import Truth


def finding(code, place, also=(), channels=()):
    return Finding(code, Severity.WARNING, place, None, None, "", 0, 1, "", "", channels=channels, also=also)


def test_found_means_code_and_place():
    truth = Truth("x", ("cell-imbalance",), (2,), 5)
    right = finding("cell-resistance", Place(2, 5), also=("cell-imbalance",))
    assert has_code(right, truth)
    assert is_at(right, truth)
    assert not has_code(replace(right, also=()), truth)
    assert not is_at(replace(right, place=Place(2, 4)), truth)
    assert not is_at(replace(right, place=None), truth)
    pack = Truth("x", ("sum-mismatch",))
    assert is_at(finding("sum-mismatch", None), pack)
    assert is_at(finding("sum-mismatch", Place(sensor="positive")), pack)
    assert not is_at(finding("sum-mismatch", Place(2)), pack)
    wire = Truth("x", ("frames-lost",), channels=("A_Alive",))
    assert is_at(finding("frames-lost", Place(), channels=("A_Alive", "B_Alive")), wire)
    assert not is_at(finding("frames-lost", Place(), channels=("B_Alive",)), wire)
    assert is_at(finding("temperature-rail", Place(3, None, 2)), Truth("x", ("temperature-rail",), (3,), sensor=2))


def test_counting():
    counts = Counts()
    counts.add(Judged(1, "joint", ("drive",), "found", ["module-spread"]))
    counts.add(Judged(3, "joint", ("drive",), "missed"))
    counts.add(Judged(0, None, ("drive", "cold"), "", ["sum-mismatch", "sum-mismatch"]))
    counts.add(Judged(2, None, ("drive",)))
    assert counts.share_found() == 0.5
    assert counts.by_kind["joint"] == {"packs": 2, "found": 1, "missed": 1, "extra": 1}
    assert (counts.sound, counts.alarmed, counts.codes["sum-mismatch"]) == (2, 1, 1)
    assert counts.extra_codes == {"module-spread beside joint": 1}
    assert (counts.tags["drive"], counts.alarmed_tags["drive"], counts.alarmed_tags["cold"]) == (2, 1, 1)
    assert [one.seed for one in counts.worst] == [3, 0]


def test_a_run_tells_what_the_pack_was():
    judged = run(901)
    assert judged.kind is not None
    assert judged.outcome in {"found", "elsewhere", "missed"}
    assert judged.tags
    assert run(900).kind is None
