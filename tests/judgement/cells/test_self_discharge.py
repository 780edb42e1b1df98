"""A fall at rest that goes on is self-discharge; one that slows down is relaxation."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoder.judgement import Severity
from decoder.judgement.cells.cell_table import cell_table
from decoder.judgement.cells.self_discharge import self_discharge_findings
from decoder.maps.pack_sheet import Limits, PackSheet
from tests.judgement.made_cells import Pack, cells, channels_of

HOURS = 2 * 3600.0
AFTER_DRIVE = ((0.0, 60.0), (600.0, 150.0), (1200.0, 0.0))


def judged(made, modules=(12, 12), seconds=HOURS, sheet=None, **more):
    pack = Pack(made.volt, modules, seconds, more.pop("every_s", 5.0), current=made.current, **more)
    channels, not_judged = channels_of(pack, sheet), {}
    return list(self_discharge_findings(channels, cell_table(channels), not_judged)), not_judged


def draining(mv_per_h, column=5, count=24, **more):
    made = cells(count, **more)
    made.slope_v_per_s = np.zeros(count)
    made.slope_v_per_s[column] = -mv_per_h / 1000 / 3600
    return made


def test_a_cell_that_loses_10_mv_in_an_hour_is_found():
    (finding,), _ = judged(draining(10))
    assert (finding.code, finding.severity, finding.unit) == ("cell-self-discharge", Severity.WARNING, "mV/h")
    assert (finding.place.module, finding.place.cell, finding.channel) == (1, 6, "Cell_1_6_V")
    assert finding.value == pytest.approx(10, abs=0.6)
    assert (finding.limit, finding.source) == (2, "common practice, no source")
    assert finding.from_ns >= 180 * 10**9
    assert "is the least that could have shown" in finding.explanation


def test_one_that_loses_less_than_the_limit_is_not():
    assert judged(draining(1.2, noise_v=0.0005), seconds=4 * 3600)[0] == []
    allowed = PackSheet(limits=Limits(self_discharge_mv_per_h=15))
    assert judged(draining(10), sheet=allowed)[0] == []


def test_after_a_drive_a_cell_that_drains_is_found_among_those_that_relax():
    (finding,), _ = judged(draining(20, steps=AFTER_DRIVE, lag_s=300.0))
    assert finding.place.cell == 6


@pytest.mark.parametrize("lag_s", [60.0, 300.0, 900.0, 1800.0, 3600.0])
@pytest.mark.parametrize("of_others", [0.5, 0.7, 1.5, 2.0])
@pytest.mark.parametrize("sign", [1, -1])
def test_a_cell_that_relaxes_at_a_pace_of_its_own_is_not(lag_s, of_others, sign):
    steps = tuple((at, sign * ampere) for at, ampere in AFTER_DRIVE)
    made = cells(24, steps=steps, lag_s=lag_s, differ=0.02)
    made.lag_s[5] *= of_others
    assert judged(made)[0] == []


@pytest.mark.parametrize("more", [1.3, 0.7])
def test_a_cell_that_relaxes_by_more_or_less_is_not(more):
    made = cells(24, steps=AFTER_DRIVE, lag_s=900.0, differ=0.02)
    made.slow_ohm[5] *= more
    assert judged(made)[0] == []


def test_a_whole_pack_that_is_drained_by_its_own_controller_has_no_such_cell():
    made = cells(24, noise_v=0.0005, slope_v_per_s=-8 / 1000 / 3600)
    assert judged(made)[0] == []


def test_how_little_could_have_shown_is_said():
    _, not_judged = judged(draining(0), seconds=1800.0)
    assert "mV/h" in not_judged["cell-self-discharge"]
    assert "less than 6.7 mV/h" in not_judged["cell-self-discharge"]  # three steps of 1 mV in 27 min
    _, not_judged = judged(draining(0), seconds=1800.0, step_v=0.005)
    assert "less than 33" in not_judged["cell-self-discharge"]  # three steps of 5 mV
    assert judged(draining(0), seconds=3 * 3600.0)[1] == {}


def test_a_short_rest_is_not_judged():
    found, not_judged = judged(draining(500), seconds=400.0, every_s=1.0)
    assert found == []
    assert "no rest of 10 min" in not_judged["cell-self-discharge"]


def test_a_pack_under_load_is_not_judged():
    assert "no rest" in judged(cells(24, steps=((0.0, 100.0),)))[1]["cell-self-discharge"]


def test_two_cells_are_too_few():
    assert "fewer than three" in judged(draining(10, count=2, column=0), (2,))[1]["cell-self-discharge"]


def test_a_cell_that_balancing_drains_is_no_finding_but_is_named():
    found, not_judged = judged(draining(10), bleeding={(1, 6): (1000, 5000)})
    assert found == []
    assert "cell 6 of module 1" in not_judged["cell-self-discharge"]


def test_where_nothing_tells_of_balancing_a_high_cell_that_falls_may_be_balanced():
    made = draining(10)
    made.offset_v[5] = 0.060
    found, not_judged = judged(made)
    assert found == []
    assert "balancing" in not_judged["cell-self-discharge"]
    (finding,), _ = judged(made, bleeding={(1, 6): (1e6, 2e6)})  # a channel says that it is not
    assert "not being balanced" in finding.explanation


@st.composite
def resting_packs(draw):
    count = draw(st.integers(4, 14))
    modules = (count,) * draw(st.integers(1, 3))
    largest = draw(st.sampled_from([20.0, 100.0, 300.0])) * draw(st.sampled_from([-0.5, 1]))
    before = draw(st.floats(60, 1500))
    made = cells(
        sum(modules),
        draw(st.integers(0, 10**6)),
        steps=((0.0, largest), (before, 0.0)),
        lag_s=draw(st.sampled_from([30.0, 120.0, 600.0, 1800.0])),
        differ=draw(st.sampled_from([0.02, 0.05])),
        noise_v=draw(st.sampled_from([0.0, 0.0005, 0.002])),
    )
    return made, modules, draw(st.sampled_from([0.001, 0.005, 0.020])), draw(st.sampled_from([2400.0, HOURS]))


@settings(max_examples=40, deadline=None)
@given(resting_packs())
def test_sound_packs_raise_nothing(made_pack):
    made, modules, step_v, seconds = made_pack
    assert judged(made, modules, seconds, step_v=step_v)[0] == []


@settings(max_examples=30, deadline=None)
@given(resting_packs(), st.data())
def test_a_cell_that_drains_fast_enough_to_show_is_found(made_pack, data):
    made, modules, step_v, _ = made_pack
    column = data.draw(st.integers(0, sum(modules) - 1))
    made.steps = tuple((at, ampere / 10) for at, ampere in made.steps)
    made.slope_v_per_s = np.zeros(sum(modules))
    made.slope_v_per_s[column] = -data.draw(st.floats(20 * step_v + 0.010, 0.8)) / 3600
    found, _ = judged(made, modules, step_v=step_v)
    assert [(one.place.module - 1) * modules[0] + one.place.cell - 1 for one in found] == [column]
