"""Where modules sit, and which of them has the gravest finding."""

from decoder.judgement import Finding, Judgement, Severity
from decoder.maps.pack_sheet import PackSheet, Place
from decoder.report.case_picture import case_picture
from tests.report.pages import RULES, small_pack


def found(code, severity, place):
    return Finding(code, severity, place, 1.0, 0.5, "V", 0, 1, "why", "test")


JUDGEMENT = Judgement(
    (
        found("contactor-held", Severity.DANGER, Place()),
        found("cell-resistance", Severity.WARNING, Place(2, 3)),
        found("channel-stuck", Severity.CAUTION, Place(1, None, 1)),
        found("module-spread", Severity.CAUTION, Place(2)),
        found("frames-lost", Severity.NOTICE, None),
    ),
    {},
)


def test_modules_stand_as_the_sheet_says_with_their_findings():
    picture = case_picture(small_pack(), JUDGEMENT)
    assert picture.front == "plug side"
    ((first, second),) = picture.rows
    assert (first.module, second.module) == (1, 2)
    assert (first.severity, second.severity) == ("caution", "warning")
    assert (first.is_gravest, second.is_gravest) == (False, True)
    assert [one.text for one in second.found] == ["cell resistance, cell 3", "module spread"]
    assert [one.number for one in second.found] == [2, 4]
    assert picture.elsewhere == ()


def test_what_sits_in_no_module_stands_apart():
    picture = case_picture(small_pack(), JUDGEMENT)
    assert [one.number for one in picture.whole_pack] == [1]


def test_modules_without_a_place_are_still_shown():
    picture = case_picture(small_pack(PackSheet(rules=RULES)), JUDGEMENT)
    assert picture.rows == ()
    assert [one.module for one in picture.elsewhere] == [1, 2]
