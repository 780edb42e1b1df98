"""A steady offset at rest is imbalance; what follows the current, moves or is bled is not."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoder.judgement import Severity
from decoder.judgement.cells.cell_table import cell_table
from decoder.judgement.cells.imbalance import imbalance_findings
from decoder.maps.pack_sheet import Limits, PackSheet
from tests.judgement.made_cells import Cells, Pack, cells, channels_of


def judged(pack, sheet=None):
    channels, not_judged = channels_of(pack, sheet), {}
    return list(imbalance_findings(channels, cell_table(channels), not_judged)), not_judged


def places(pack, sheet=None):
    return [(one.place.module, one.place.cell) for one in judged(pack, sheet)[0]]


def equal(millivolts, **more):
    zero = np.zeros(len(millivolts))
    return Cells(np.array(millivolts) / 1000, zero, zero, zero + 60, **more)


def one_off(by_mv, count=16, at=6, **more):
    offsets = np.zeros(count)
    offsets[at] = by_mv
    return equal(offsets, **more)


@pytest.mark.parametrize("by_mv", [41, -41, 300])
def test_a_cell_that_stands_off_by_more_than_40_mv_is_found(by_mv):
    (finding,), _ = judged(Pack(one_off(by_mv).volt, (16,), 60))
    assert (finding.code, finding.severity) == ("cell-imbalance", Severity.WARNING)
    assert (finding.place.module, finding.place.cell, finding.channel) == (1, 7, "Cell_1_7_V")
    assert finding.value == pytest.approx(abs(by_mv) / 1000)
    assert (finding.limit, finding.unit, finding.source) == (0.040, "V", "common practice, no source")
    assert (finding.from_ns / 1e9, finding.to_ns / 1e9) == pytest.approx((0, 59), abs=0.001)
    assert ("below" if by_mv < 0 else "above") in finding.explanation
    assert "no channel tells whether it is being balanced" in finding.explanation


def test_exactly_40_mv_and_a_spread_of_20_mv_pass():
    assert places(Pack(one_off(40).volt, (16,), 60)) == []
    assert places(Pack(equal(np.linspace(-10, 10, 16)).volt, (16,), 60)) == []


def test_the_sheets_limit_counts():
    pack = Pack(one_off(31).volt, (16,), 60)
    assert places(pack, PackSheet(limits=Limits(module_spread_v=0.030))) == [(1, 7)]


def test_cells_that_all_scatter_are_not_one_that_stands_off():
    steep = np.array([-60, 45, -25, 10, 33, -48, 5, 58, -12, 20, -35, 28, -5, 50, -20, 0])
    assert places(Pack(equal(steep).volt, (16,), 60)) == []


def test_a_module_that_is_low_as_a_whole_has_no_cell_that_stands_off():
    assert places(Pack(equal([0] * 12 + [-80] * 12 + [0] * 12).volt, (12, 12, 12), 60)) == []


def test_a_cell_of_a_short_module_is_compared_with_the_pack():
    offsets = [0] * 12
    offsets[4] = -60
    assert places(Pack(equal(offsets).volt, (3, 3, 3, 3), 60)) == [(2, 2)]


DRIVE = ((0.0, 0.0), (60.0, 100.0), (120.0, 30.0), (180.0, 150.0), (240.0, 0.0))
NO_REST = ((0.0, 20.0), (60.0, 100.0), (120.0, 30.0), (180.0, 150.0), (240.0, -60.0), (300.0, 60.0))


@pytest.mark.parametrize("steps", [DRIVE, NO_REST])
def test_a_cell_of_much_resistance_is_not_out_of_balance(steps):
    made = cells(24, steps=steps)
    made.ohm[5] *= 3
    assert places(Pack(made.volt, (12, 12), 400, current=made.current)) == []
    made.offset_v[8] -= 0.1
    assert places(Pack(made.volt, (12, 12), 400, current=made.current)) == [(1, 9)]


def test_without_a_current_a_cell_that_moves_with_the_load_is_not_out_of_balance():
    made = cells(24, steps=((0.0, 0.0), (200.0, 100.0), (600.0, 0.0)), slow_ohm=0.0001, offset_v=0.001)
    made.ohm[5] *= 2
    assert places(Pack(made.volt, (12, 12), 800)) == []


def test_without_a_current_that_doubt_is_told():
    (finding,), _ = judged(Pack(one_off(-50).volt, (16,), 60))
    assert "No channel tells the current" in finding.explanation


def test_what_a_load_leaves_behind_is_not_imbalance():
    made = cells(24, steps=((0.0, 0.0), (50.0, 200.0), (150.0, 0.0)), lag_s=100)
    made.slow_ohm[3] *= 2.5
    made.ohm[3] *= 2.5
    assert places(Pack(made.volt, (12, 12), 200, current=made.current)) == []


def test_what_a_long_and_heavy_load_leaves_behind_for_half_an_hour_is_not_either():
    made = cells(24, steps=((0.0, 0.0), (50.0, 150.0), (1800.0, 0.0)), lag_s=1800)
    made.slow_ohm[3] *= 2
    made.ohm[3] *= 2
    assert places(Pack(made.volt, (12, 12), 2400, current=made.current)) == []


def bled(by_v, spans, made):
    """Readings with cell 1 of module 1 bled: it reads lower, and the next one higher by half of that."""

    def volt(time_s):
        read = made.volt(time_s)
        on = ((time_s >= spans[0]) & (time_s < spans[1]))[:, 0]
        read[on, 0] -= by_v
        read[on, 1] += by_v / 2
        return read

    return volt


def test_a_cell_is_judged_outside_its_balancing():
    pack = Pack(bled(0.1, (20, 500), cells(12)), (12,), bleeding={(1, 1): (20, 500)})
    assert places(pack) == []
    made = cells(12)
    made.offset_v[0] += 0.08
    (finding,), _ = judged(Pack(bled(0.1, (20, 500), made), (12,), bleeding={(1, 1): (20, 500)}))
    assert finding.place.cell == 1
    assert finding.value == pytest.approx(0.08, abs=0.008)
    assert "being balanced for 80 % of that time" in finding.explanation


def test_a_cell_that_is_balanced_all_the_time_is_not_judged():
    found, not_judged = judged(Pack(bled(0.1, (0, 900), cells(12)), (12,), bleeding={(1, 1): (0, 900)}))
    assert found == []
    assert "being balanced all the time" in not_judged["cell-imbalance"]


def test_another_cells_balancing_is_told_apart():
    (finding,), _ = judged(Pack(one_off(-60, 12).volt, (12,), bleeding={(1, 7): (900, 901)}))
    assert "not being balanced" in finding.explanation


def test_what_the_capture_cannot_carry_says_why():
    _, not_judged = judged(Pack(equal([0, 60]).volt, (2,), 60))
    assert "fewer than three cells" in not_judged["cell-imbalance"]
    constant = cells(12, steps=((0.0, 100.0),))
    _, not_judged = judged(Pack(constant.volt, (12,), current=constant.current))
    assert "never rests" in not_judged["cell-imbalance"]
    moving = cells(12, slope_v_per_s=-0.001)
    _, not_judged = judged(Pack(moving.volt, (12,), 100))
    assert "no channel tells the current" in not_judged["cell-imbalance"]


@st.composite
def packs(draw):
    """Sound packs: coarse steps, scans that take long, loads and rests, slow and quick relaxation, noise."""
    count = draw(st.integers(4, 16))
    modules = (count,) * draw(st.integers(1, 4))
    largest = draw(st.sampled_from([20.0, 100.0, 300.0]))
    times = sorted(draw(st.lists(st.integers(5, 300), max_size=12, unique=True)))
    amounts = draw(st.lists(st.floats(-0.3, 1), min_size=len(times), max_size=len(times)))
    steps = ((0.0, 0.0), *((float(t), a * largest) for t, a in zip(times, amounts, strict=True)))
    if draw(st.booleans()):
        steps = (*steps, (310.0, 0.0))
    made = cells(
        sum(modules),
        draw(st.integers(0, 10**6)),
        steps=steps,
        lag_s=draw(st.sampled_from([20.0, 60.0, 300.0, 1800.0])),
        differ=draw(st.sampled_from([0.02, 0.05])),
        noise_v=draw(st.sampled_from([0.0, 0.001])),
    )
    every_s = draw(st.sampled_from([0.5, 1.0]))
    step_v = draw(st.sampled_from([0.001, 0.005, 0.020]))
    skew_s = every_s * draw(st.sampled_from([0, 0.3, 0.9]))
    return made, Pack(made.volt, modules, 500, every_s, skew_s, step_v, made.current)


@settings(max_examples=40, deadline=None)
@given(packs())
def test_sound_packs_raise_nothing(made_pack):
    assert places(made_pack[1]) == []


@settings(max_examples=40, deadline=None)
@given(packs(), st.data())
def test_a_cell_out_of_balance_is_found_wherever_it_is_where_there_is_rest(made_pack, data):
    made, pack = made_pack
    column = data.draw(st.integers(0, sum(pack.modules) - 1))
    made.offset_v[column] += data.draw(st.sampled_from([-1, 1])) * data.draw(st.floats(0.08, 0.3))
    made.steps = (*(step for step in made.steps if step[0] < 120), (120.0, 0.0))
    assert places(pack) == [(column // pack.modules[0] + 1, column % pack.modules[0] + 1)]
