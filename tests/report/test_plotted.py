"""What is drawn over time."""

import numpy as np
import pytest

from decoder.judgement import Finding, Judgement, Severity
from decoder.maps.pack_sheet import Place
from decoder.report.plotted import Makings, drawn_states, state_row
from decoder.report.texts import Degrees
from tests.report.pages import small_pack


def makings(*findings):
    channels = small_pack()
    judgement = Judgement(findings, {})
    end_s = (channels.last_ns - channels.first_ns) / 1e9
    return Makings(channels, judgement, None, Degrees.CELSIUS, end_s, list(enumerate(findings, start=1)))


def found(code, place, from_s, to_s, *names):
    return Finding(
        code, Severity.WARNING, place, None, None, "", int(from_s * 1e9), int(to_s * 1e9), "", "", channels=names
    )


def test_a_switch_is_a_bar_from_when_it_closes_to_the_end():
    made = makings()
    row = state_row(made, made.channels["Contactor_Positive"])
    assert row.label == "positive"
    assert row.spans_s == ((pytest.approx(1.5), pytest.approx(5.9)),)


def test_what_bars_stand_for_is_said_in_the_words_of_the_map():
    one = small_pack()["Contactor_Positive"]
    other = small_pack(labels={0: "closed", 1: "open"})["Contactor_Positive"]
    bare = small_pack(labels={0: "closed"})["Contactor_Positive"]
    assert drawn_states([one, one]) == "'closed'"
    assert drawn_states([one, other, bare]) == "'closed' (positive); 'open' (positive); 1 (positive)"


def test_marks_are_of_the_channels_that_are_drawn_and_one_a_kind_and_place():
    made = makings(
        found("cell-resistance", Place(1, 2), 1, 2, "Cell_1_2_V", "Pack_A"),
        found("cell-resistance", Place(1, 2), 3, 4, "Cell_1_2_V"),
        found("channel-stuck", Place(1), 0, 5, "Temp_1_1_degC"),
    )
    (mark,) = made.marks(["Cell_1_2_V"])
    assert mark.number == 1
    assert mark.spans_s == ((1, 2), (3, 4))
    assert [one.number for one in made.marks(["Temp_1_1_degC", "Pack_A"])] == [1, 3]
    assert made.marks(["Contactor_Positive"]) == ()


def test_a_clock_that_jumps_back_never_runs_back_in_a_picture():
    made = makings()
    time_s = made.second(np.array([0, 3_000_000_000, 1_000_000_000, 4_000_000_000]))
    assert time_s.tolist() == [0, 3, 3, 4]
