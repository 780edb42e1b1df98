"""Resistances of cells from steps and moves of the current: known ones are found, sound packs raise nothing."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoder.judgement import Severity
from decoder.judgement.cells.cell_table import cell_table
from decoder.judgement.cells.resistances import cell_resistances, resistance_findings
from decoder.maps.pack_sheet import Limits, PackSheet, Place
from tests.judgement.cells.test_spreads import steady
from tests.judgement.driven_packs import DrivenPack, driven, stepped

SOUND = np.full(12, 0.001)


def measured(pack):
    return cell_resistances(cell_table(pack.channels()))


def judged(pack, sheet=None):
    channels = pack.channels(sheet)
    not_judged = {}
    return list(resistance_findings(channels, cell_table(channels), not_judged)), not_judged


def with_one(cell, times, count=12):
    ohm = np.full(count, 0.001)
    ohm[cell] *= times
    return ohm


def test_370_to_362_volt_at_0_to_40_ampere_is_2_milliohm():
    found = measured(DrivenPack(stepped(0, 40, each_s=15), np.full(4, 0.002)))
    assert found.after_s == (1.0, 10.0)
    assert found.steps == (1, 1)
    assert found.ohm == pytest.approx(np.full((2, 4), 0.002), abs=1e-6)


def test_charging_counts_the_other_way():
    pack = DrivenPack(stepped(0, 40, 0, each_s=15), np.full(4, 0.002), charge_is_positive=True)
    assert measured(pack).ohm == pytest.approx(np.full((2, 4), 0.002), abs=1e-6)


def test_after_ten_seconds_the_slow_part_is_in_it():
    pack = DrivenPack(stepped(0, 100, each_s=16), np.full(4, 0.001), slow_ohm=0.001, slow_s=10.0, step_v=0.0001)
    soon, late = measured(pack).ohm[:, 0]
    assert soon == pytest.approx(0.001 * (2 - np.exp(-0.1)), rel=0.01)
    assert late == pytest.approx(0.001 * (2 - np.exp(-1.0)), rel=0.02)


def test_a_stretch_too_short_for_ten_seconds_leaves_them_unknown():
    found = measured(DrivenPack(stepped(0, 40, 0, each_s=5), SOUND))
    assert np.isfinite(found.ohm[0]).all()
    assert np.isnan(found.ohm[1]).all()
    assert found.steps[1] == 0


packs = st.builds(
    DrivenPack,
    ampere=st.one_of(
        st.lists(st.sampled_from([-60, 0, 40, 100, 180]), min_size=3, max_size=6)
        .filter(lambda levels: max(np.abs(np.diff(levels))) >= 60)
        .map(lambda levels: stepped(*levels, each_s=6.0)),
        st.integers(0, 50).map(lambda seed: driven(np.random.default_rng(seed), 60)),
    ),
    ohm=st.integers(0, 99).map(lambda seed: np.random.default_rng(seed).normal(0.0015, 0.00005, 12)),
    slow_ohm=st.sampled_from([0.0, 0.0004, 0.0008]),
    slow_s=st.sampled_from([5.0, 15.0, 40.0]),
    scan_s=st.sampled_from([0.1, 0.2, 0.5]),
    at_once=st.booleans(),
    step_v=st.sampled_from([0.001, 0.005, 0.02]),
    noise_v=st.sampled_from([0.0, 0.0005, 0.002]),
    noise_a=st.sampled_from([0.0, 0.2]),
    seed=st.integers(0, 99),
)


@settings(max_examples=40, deadline=None)
@given(packs)
def test_nearly_all_true_resistances_lie_within_four_unsure_and_sound_packs_raise_nothing(pack):
    found = measured(pack)
    true = pack.ohm + pack.slow_ohm * (1 - np.exp(-1 / pack.slow_s))
    far = np.abs(found.ohm[0] - true) > 4 * found.unsure_ohm[0]
    assert np.count_nonzero(far) <= 1
    assert judged(pack)[0] == []


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 11), st.floats(1.9, 4), st.sampled_from([0.1, 0.5]), st.booleans(), st.booleans())
def test_a_cell_that_resists_more_is_found_by_steps_and_in_a_drive(cell, times, scan_s, at_once, rests):
    ampere = stepped(0, 120, 20, -60, 0, each_s=8.0) if rests else driven(np.random.default_rng(cell), 90)
    (finding,), _ = judged(DrivenPack(ampere, with_one(cell, times), scan_s=scan_s, at_once=at_once))
    assert finding.place == Place(module=cell // 6 + 1, cell=cell % 6 + 1)
    assert finding.value == pytest.approx(times, rel=0.1)
    assert finding.limit == pytest.approx(1.5, rel=0.06)


def test_a_finding_says_what_where_and_against_what():
    (finding,), not_judged = judged(DrivenPack(stepped(0, 100, 0, each_s=8.0), with_one(3, 2.5)))
    assert (finding.code, finding.severity, finding.unit) == ("cell-resistance", Severity.WARNING, "mohm")
    assert finding.value == pytest.approx(2.5, rel=0.01)
    assert finding.limit == pytest.approx(1.5, rel=0.01)
    assert finding.channel == "Cell_1_4_V"
    assert finding.channels == ("Cell_1_4_V", "Pack_A")
    assert "2 steps" in finding.explanation
    assert "joint" not in finding.explanation
    assert finding.from_ns <= finding.worst_ns <= finding.to_ns
    assert not_judged == {}


def test_a_resistance_stands_as_long_as_the_cells_are_heard():
    pack = DrivenPack(stepped(0, 0, 100, 0, 0, 0, 0, each_s=8.0), with_one(3, 2.5))
    (finding,), _ = judged(pack)
    first_ns = pack.channels().first_ns
    assert finding.from_ns - first_ns < 0.5e9
    assert finding.to_ns - first_ns > 55e9
    assert 16e9 <= finding.worst_ns - first_ns <= 25e9


@settings(max_examples=30, deadline=None)
@given(st.floats(19.0, 21.0), st.floats(0.0, 0.6), st.sampled_from([0.4, 0.45, 0.5, 0.55]), st.integers(0, 9))
def test_one_step_between_slow_samples_of_latched_cells_raises_nothing(at_s, ramp_s, current_s, seed):
    """Cells of the first frames show the step up to a scan before those of the last."""
    ohm = np.random.default_rng(seed).normal(0.0004, 0.00001, 48)
    ampere = stepped(-218, -141, each_s=at_s, ramp_s=ramp_s)
    pack = DrivenPack(ampere, ohm, scan_s=0.5, at_once=True, current_s=current_s, modules=4, lost=0.02, seed=seed)
    assert judged(pack)[0] == []


@pytest.mark.parametrize("cell", [0, 5, 6, 11])
def test_at_an_end_of_a_module_it_may_be_the_joint(cell):
    (finding,), _ = judged(DrivenPack(stepped(0, 100, 0, each_s=8.0), with_one(cell, 2.5)))
    assert "joint" in finding.explanation


def test_scaling_current_and_voltage_scales_the_resistances():
    one = measured(DrivenPack(stepped(0, 40, 10, each_s=12.0), SOUND, step_v=0.0001))
    doubled = measured(DrivenPack(stepped(0, 80, 20, each_s=12.0), SOUND, step_v=0.0001))
    thrice = measured(DrivenPack(stepped(0, 40, 10, each_s=12.0), 3 * SOUND, step_v=0.0001))
    assert doubled.ohm == pytest.approx(one.ohm, rel=0.01)
    assert thrice.ohm == pytest.approx(3 * one.ohm, rel=0.01)


def test_the_sheets_limit_counts():
    pack = DrivenPack(stepped(0, 100, 0, each_s=8.0), with_one(3, 1.4))
    assert judged(pack)[0] == []
    assert len(judged(pack, PackSheet(limits=Limits(cell_resistance_percent=25.0)))[0]) == 1


def test_a_module_that_resists_more_as_a_whole_is_one_finding():
    ohm = np.full(24, 0.001)
    ohm[6:12] = 0.0018
    (finding,), _ = judged(DrivenPack(stepped(0, 100, 0, each_s=8.0), ohm, modules=4))
    assert finding.place == Place(module=2)
    assert finding.value == pytest.approx(6 * 1.8, rel=0.01)
    assert finding.limit == pytest.approx(6 * 1.5, rel=0.01)
    assert finding.channel is None
    assert len(finding.channels) == 7


def test_a_module_read_at_twice_its_voltage_does_not_resist_more():
    ohm, level = np.full(24, 0.001), np.full(24, 3.7)
    ohm[6:12] *= 2
    level[6:12] *= 2
    assert judged(DrivenPack(stepped(0, 100, 0, each_s=8.0), ohm, modules=4, level_v=level))[0] == []


def test_a_loose_sense_wire_that_moves_with_one_step_is_no_resistance():
    pack = DrivenPack(stepped(0, 100, each_s=8.0), SOUND, disturb=[(3, 8.0, 16.0, -0.2), (4, 8.0, 16.0, 0.2)])
    assert judged(pack)[0] == []


def test_a_burst_at_one_of_many_steps_is_left_out():
    pack = DrivenPack(stepped(0, 100, 0, 80, 10, 120, each_s=8.0), SOUND, disturb=[(3, 23.0, 26.0, -0.2)])
    assert judged(pack)[0] == []
    assert measured(pack).ohm[0] == pytest.approx(SOUND, rel=0.05)


def test_why_nothing_can_be_judged():
    not_judged = {}
    channels = steady((0, 0, 0, 0))
    assert list(resistance_findings(channels, cell_table(channels), not_judged)) == []
    assert "current" in not_judged["cell-resistance"]
    assert cell_resistances(cell_table(channels)) is None
    found, not_judged = judged(DrivenPack(np.full(2000, 12.0), SOUND))
    assert found == []
    assert "no step" in not_judged["cell-resistance"]


def test_steps_too_small_for_the_raw_values_say_what_could_have_been_seen():
    found, not_judged = judged(DrivenPack(stepped(0, 8, 0, each_s=8.0), SOUND, step_v=0.02))
    assert found == []
    assert "mohm" in not_judged["cell-resistance"]


@pytest.mark.parametrize("cell", [4, 9])
def test_cells_read_once_a_second_under_short_pulses(cell):
    """Every move that tells is one of few, and falls between two readings."""
    ohm = 4 * with_one(cell, 3.0)
    ampere = stepped(*[0, 150] * 8, each_s=4.0)
    pack = DrivenPack(ampere, ohm, 0.2 * ohm, 15.0, scan_s=1.0, noise_v=0.002, current_s=0.2, noise_a=0.5)
    (finding,), _ = judged(pack)
    assert finding.channel == f"Cell_{cell // 6 + 1}_{cell % 6 + 1}_V"
    assert finding.value == pytest.approx(12.0, rel=0.1)
