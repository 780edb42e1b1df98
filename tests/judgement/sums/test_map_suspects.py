"""A map that is wrong is told from a pack that is: wrong scales, exchanged cells, sums that do not meet."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoder.judgement import Severity
from decoder.judgement.sums.map_suspects import map_findings
from decoder.judgement.sums.module_sums import module_sums
from decoder.maps.chemistry import CURVES
from decoder.maps.pack_sheet import PackSheet
from tests.judgement.resting_packs import RULES, cells_of, charge_over, drive, pack

NMC532 = CURVES["NMC532"]
PULSES = [(30, 0.0), (15, 80.0), (15, 10.0), (15, 120.0), (15, -40.0), (15, 60.0), (15, 0.0), (15, 100.0), (30, 0.0)]
REST = [(120, 0.0)]


def sheet_for(modules, cells=4, chemistry="NMC"):
    return PackSheet(
        chemistry=chemistry,
        cells_in_series=modules * cells,
        cells_per_module=(cells,) * modules,
        rules=RULES,
    )


def volts(parts=PULSES, modules=4, *, low_v=None, seed=1, spread_v=0.003, ohm_spread=0.02, ohm_of_module=None):
    """Time, current and cell voltages of a pack; `low_v`: by how much each module stands lower."""
    time_s, current_a = drive(parts)
    odd = np.random.default_rng(seed)
    charge = charge_over(time_s, current_a, 60.0, 60.0)
    volt = cells_of(
        charge, current_a, time_s, NMC532, offset_v=odd.normal(0, spread_v, (modules, 4)), shape=(modules, 4)
    )
    ohm = np.ones(modules) if ohm_of_module is None else np.asarray(ohm_of_module)
    extra_ohm = 0.001 * (ohm[:, None] * odd.normal(1, ohm_spread, (modules, 4)) - 1)
    volt = volt - current_a[:, None, None] * extra_ohm
    return time_s, current_a, volt - (np.zeros(modules) if low_v is None else np.asarray(low_v))[:, None]


def looked(time_s, current_a, volt, sheet=None, **more):
    channels, table = pack(time_s, current_a, volt, sheet or sheet_for(volt.shape[1]), **more)
    not_judged = {}
    return list(map_findings(channels, table, not_judged)), not_judged


def summed(time_s, current_a, volt, sheet=None, **more):
    channels, table = pack(time_s, current_a, volt, sheet or sheet_for(volt.shape[1]), **more)
    not_judged = {}
    return list(module_sums(channels, table, not_judged)), not_judged


@pytest.mark.parametrize("factor", [2.0, 10.0, 1.5, 0.5, 0.1])
def test_a_module_off_by_a_factor_in_voltage_and_answer_is_the_map(factor):
    (finding,), _ = looked(*volts(), scales=(factor, 1))
    assert finding.code == "map-suspect"
    assert finding.severity is Severity.CAUTION
    assert (finding.place.module, finding.place.cell) == (1, None)
    assert finding.value == pytest.approx(factor, rel=0.01)
    assert finding.channels == tuple(f"Cell_1_{cell}_V" for cell in (1, 2, 3, 4))
    assert f"a wrong scale gives {factor:.4g}" in finding.explanation
    assert "answer to the current" in finding.explanation


def test_without_any_load_only_a_voltage_that_no_cell_has_is_the_map():
    assert [one.place.module for one in looked(*volts(REST), scales=(2.0, 1))[0]] == [1]
    assert looked(*volts(REST), scales=(0.9, 1))[0] == []


def test_a_module_low_in_charge_answers_as_the_others_do():
    # 0.45 V lower is an eighth: more than a factor of 0.9, and it is the pack.
    assert looked(*volts(low_v=(0, 0, 0.45, 0)))[0] == []


def test_a_module_whose_cells_resist_twice_as_much_is_not_the_map():
    assert looked(*volts(ohm_of_module=(1, 2, 1, 1), low_v=(0, 0.3, 0, 0)))[0] == []


def test_a_module_voltage_alone_does_not_outweigh_the_answer_to_the_current():
    time_s, current_a, volt = volts(low_v=(0, 0, 0.45, 0))
    as_if_full = volts()[2].sum(axis=2)
    assert looked(time_s, current_a, volt, module_v=as_if_full)[0] == []


def test_where_most_modules_are_wrong_the_sound_one_is_not_blamed():
    time_s, current_a, volt = volts(modules=3)
    found, _ = looked(time_s, current_a, volt * np.array([1, 2, 2])[:, None])
    assert [one.place.module for one in found] == [2, 3]


def test_with_two_modules_the_one_that_no_cell_can_be_is_the_wrong_one():
    (finding,), _ = looked(*volts(modules=2), scales=(1.5, 1))
    assert finding.place.module == 1
    # 3.7 and 2.9 V: both can be, and nothing says which of them is wrong.
    assert looked(*volts(modules=2), scales=(0.78, 1))[0] == []


def test_a_small_factor_needs_the_measured_sum():
    time_s, current_a, volt = volts()
    true_v = volt.sum(axis=2)
    (finding,), _ = looked(time_s, current_a, volt, scales=(1.024, 1), module_v=true_v)
    assert finding.value == pytest.approx(1.024, abs=0.002)
    assert "times what is measured over it" in finding.explanation
    assert looked(time_s, current_a, volt, scales=(1.024, 1))[0] == []


def test_a_module_that_is_really_off_agrees_with_its_sum():
    time_s, current_a, volt = volts(low_v=(0.1, 0, 0, 0))
    assert looked(time_s, current_a, volt, module_v=volt.sum(axis=2))[0] == []
    # Lower by an eighth, and even the answer to the current smaller by as much: the sum has the last word.
    eighth = volts()[2] * np.array([0.875, 1, 1, 1])[:, None]
    assert looked(time_s, current_a, eighth, module_v=eighth.sum(axis=2))[0] == []
    assert [one.place.module for one in looked(time_s, current_a, eighth)[0]] == [1]


def test_the_packs_voltage_tells_a_large_factor_at_rest():
    time_s, current_a, volt = volts(REST)
    (finding,), _ = looked(time_s, current_a, volt, scales=(0.8, 1), pack_v=volt.sum(axis=(1, 2)))
    assert finding.place.module == 1


@pytest.mark.parametrize("gain", [0.997, 1.0, 1.003])
@pytest.mark.parametrize("factor", [0.8, 0.9, 1.1, 1.25])
def test_a_pack_voltage_that_misses_the_sum_by_just_the_modules_share_tells_a_tenth_of_one_in_six(factor, gain):
    time_s, current_a, volt = volts(REST, modules=6)
    (finding,), _ = looked(time_s, current_a, volt, scales=(factor, 1), pack_v=gain * volt.sum(axis=(1, 2)))
    assert finding.place.module == 1
    assert finding.value == pytest.approx(factor, rel=0.01)
    assert {"Cell_1_1_V", "Cell_1_4_V", "Pack_V"} <= set(finding.channels)
    assert (finding.from_ns / 1e9, finding.to_ns / 1e9) == pytest.approx((time_s[0], time_s[-1]), abs=1.0)


@pytest.mark.parametrize("gain", [0.997, 1.0, 1.003])
@pytest.mark.parametrize("low_v", [0.35, 0.4, 0.7])
def test_one_of_six_that_is_truly_low_agrees_with_the_pack_voltage(low_v, gain):
    time_s, current_a, volt = volts(REST, modules=6, low_v=(low_v, 0, 0, 0, 0, 0))
    assert looked(time_s, current_a, volt, pack_v=gain * volt.sum(axis=(1, 2)))[0] == []


def test_cells_of_a_low_module_that_fan_out_are_no_scale_even_where_the_pack_voltage_misses_them():
    time_s, current_a, volt = volts(REST, modules=6)
    full_v = volt.sum(axis=(1, 2))
    even, fanned = volt.copy(), volt.copy()
    even[:, 0] -= 0.4
    fanned[:, 0] -= np.array([0.1, 0.35, 0.45, 0.7])
    assert [one.place.module for one in looked(time_s, current_a, even, pack_v=full_v)[0]] == [1]
    assert looked(time_s, current_a, fanned, pack_v=full_v)[0] == []


@pytest.mark.parametrize("seed", range(4))
def test_answers_that_scatter_as_far_as_the_factor_leave_it_to_the_sum(seed):
    time_s, current_a, volt = volts(modules=6)
    volt = volt + np.random.default_rng(seed).normal(0, 0.02, (len(time_s), 6, 1))
    pack_v = volt.sum(axis=(1, 2))
    assert [one.place.module for one in looked(time_s, current_a, volt, scales=(1.1, 1), pack_v=pack_v)[0]] == [1]
    low = volt - np.array([0.4, 0, 0, 0, 0, 0])[:, None]
    assert looked(time_s, current_a, low, pack_v=low.sum(axis=(1, 2)))[0] == []
    assert looked(time_s, current_a, low)[0] == []


def test_64_cells_at_3_642_v_are_233_1_v():
    time_s, current_a = drive(REST)
    volt = np.full((len(time_s), 16, 4), 3.642)
    assert looked(time_s, current_a, volt, pack_v=np.full(len(time_s), 233.1)) == ([], {})
    (finding,), _ = looked(time_s, current_a, volt, pack_v=np.full(len(time_s), 466.2))
    assert finding.value == pytest.approx(2.0, abs=0.001)
    assert (finding.channel, finding.place.module) == ("Pack_V", None)
    assert "466.2 V" in finding.explanation
    assert "233.1 V" in finding.explanation


@pytest.mark.parametrize("factor", [2.0, 0.5, 10.0, 0.1, 1.25])
def test_a_pack_voltage_off_by_a_usual_factor_is_the_map(factor):
    time_s, current_a, volt = volts()
    (finding,), _ = looked(time_s, current_a, volt, scales=(1, factor), pack_v=volt.sum(axis=(1, 2)))
    assert finding.channel == "Pack_V"
    assert finding.value == pytest.approx(factor, rel=0.004)


def test_a_pack_voltage_off_by_an_amount_or_by_no_usual_factor_is_not_called_the_map():
    time_s, current_a, volt = volts()
    total = volt.sum(axis=(1, 2))
    middle = np.median(total)
    assert looked(time_s, current_a, volt, pack_v=total + middle * 0.25)[0] == []
    assert looked(time_s, current_a, volt, pack_v=total * 1.012)[0] == []
    assert looked(time_s, current_a, volt, pack_v=total * 1.024)[0] == []  # as well the sensor's gain
    assert looked(time_s, current_a, volt, pack_v=total * 0.7)[0] == []


def test_a_pack_voltage_is_only_judged_with_all_cells():
    time_s, current_a, volt = volts()
    some = PackSheet(chemistry="NMC", cells_in_series=32)
    assert looked(time_s, current_a, volt, some, pack_v=2 * volt.sum(axis=(1, 2)))[0] == []


def exchanged(volt, one, other):
    """The cells as a map shows them that has two at each other's place."""
    shown = volt.copy()
    shown[:, *one], shown[:, *other] = volt[:, *other], volt[:, *one]
    return shown


def test_two_exchanged_cells_are_named():
    time_s, current_a, volt = volts(low_v=(0, 0.12, 0, 0), spread_v=0.02)
    shown = exchanged(volt, (0, 2), (1, 1))
    (finding,), _ = looked(time_s, current_a, shown, module_v=volt.sum(axis=2))
    assert finding.code == "map-suspect"
    assert finding.unit == "V"
    assert finding.value == pytest.approx(abs(np.median(volt[:, 0, 2] - volt[:, 1, 1])), abs=0.015)
    assert finding.place.module in {1, 2}
    assert {"Cell_1_3_V", "Cell_2_2_V"} <= set(finding.channels)
    assert "Cell_1_3_V and Cell_2_2_V exchanged" in finding.explanation


@pytest.mark.parametrize("modules", [2, 3])
@pytest.mark.parametrize("gain", [-0.0005, 0.0, 0.0005])
def test_with_few_modules_cells_that_stand_off_by_what_the_sums_miss_are_exchanged(modules, gain):
    time_s, current_a, volt = volts(modules=modules, low_v=(0, 0.065, 0)[:modules], spread_v=0.001)
    measured = volt.sum(axis=2) * (1 + gain * np.array([1, -1, 0.5])[:modules])
    (finding,), _ = looked(time_s, current_a, exchanged(volt, (0, 2), (1, 1)), module_v=measured)
    assert {"Cell_1_3_V", "Cell_2_2_V", "Module_1_V", "Module_2_V"} <= set(finding.channels)
    assert finding.value == pytest.approx(0.065, abs=0.01)
    assert finding.value > finding.limit


@pytest.mark.parametrize("modules", [2, 6])
def test_sums_that_scatter_from_scan_to_scan_hide_no_exchange(modules):
    time_s, current_a, volt = volts([(1000, 0.0)], modules=modules, low_v=(0, 0.065, *[0] * (modules - 2)))
    away_v = np.repeat(np.random.default_rng(3).normal(0, 0.04, (len(time_s) // 5 + 1, modules)), 5, axis=0)
    measured = volt.sum(axis=2) + away_v[: len(time_s)]
    (finding,), _ = looked(time_s, current_a, exchanged(volt, (0, 2), (1, 1)), module_v=measured)
    assert {"Cell_1_3_V", "Cell_2_2_V"} <= set(finding.channels)
    assert looked(time_s, current_a, volt, module_v=measured)[0] == []


def test_cells_that_truly_stand_off_by_as_much_agree_with_the_sums():
    time_s, current_a, volt = volts(modules=2, low_v=(0, 0.065), spread_v=0.001)
    shown = exchanged(volt, (0, 2), (1, 1))
    for gain in (-0.004, -0.0005, 0.0005, 0.002):
        measured = shown.sum(axis=2) * (1 + gain * np.array([1, -1]))
        assert looked(time_s, current_a, shown, module_v=measured)[0] == []


def test_where_several_exchanges_mend_the_sums_none_is_named_alone():
    time_s, current_a, volt = volts(low_v=(0, 0.12, 0, 0), spread_v=0.0, ohm_spread=0.0)
    volt[:, 0, 0] -= 0.12  # as low as the cell that the map shows here, so either may be the wrong one
    (finding,), _ = looked(time_s, current_a, exchanged(volt, (0, 2), (1, 1)), module_v=volt.sum(axis=2))
    assert "2 exchanges mend both" in finding.explanation
    assert set(finding.channels) == {"Module_1_V", "Module_2_V"}


def test_sums_that_no_exchange_mends_are_not_called_exchanged():
    time_s, current_a, volt = volts()
    measured = volt.sum(axis=2) + np.array([0.12, -0.12, 0, 0])
    assert looked(time_s, current_a, volt, module_v=measured)[0] == []


def test_sums_that_are_all_off_are_the_sensors():
    time_s, current_a, volt = volts(low_v=(0, 0.12, 0, 0), spread_v=0.02)
    measured = volt.sum(axis=2) * (1 + np.array([-0.008, 0.008, 0.006, -0.007]))
    assert looked(time_s, current_a, volt, module_v=measured)[0] == []


def test_two_modules_alone_may_be_off_by_their_sensors_gain():
    time_s, current_a, volt = volts(modules=2, low_v=(0, 0.06), spread_v=0.001)
    measured = volt.sum(axis=2) * (1 + np.array([-0.004, 0.004]))
    assert looked(time_s, current_a, volt, module_v=measured)[0] == []


def test_a_module_whose_cells_miss_its_voltage():
    time_s, current_a, volt = volts()
    true_v = volt.sum(axis=2)
    assert summed(time_s, current_a, volt, module_v=true_v) == ([], {})
    (finding,), _ = summed(time_s, current_a, volt, module_v=true_v * np.array([1, 1, 1.03, 1]))
    assert finding.code == "sum-mismatch"
    assert finding.severity is Severity.CAUTION
    assert finding.place.module == 3
    assert finding.value == pytest.approx(100 * 0.03 / 1.03, abs=0.1)
    assert (finding.limit, finding.unit, finding.channel) == (1.0, "%", "Module_3_V")


def test_a_module_is_only_added_up_with_all_its_cells():
    time_s, current_a, volt = volts()
    measured = volt.sum(axis=2) * 5 / 4
    found, not_judged = summed(time_s, current_a, volt, sheet_for(4, cells=5), module_v=measured)
    assert found == []
    assert "all its cells are in the map" in not_judged["sum-mismatch"]
    volt[:, :, 1] = np.nan
    found, not_judged = summed(time_s, current_a, volt, module_v=measured)
    assert found == []
    assert "in the map" in not_judged["sum-mismatch"]


def test_rounding_is_no_mismatch():
    time_s, current_a = drive(REST)
    volt = np.full((len(time_s), 2, 4), 3.74)
    # In steps of 0.1 V four cells show 14.8 V of 14.96 V: more than 1 % off, and no more than four half steps.
    assert summed(time_s, current_a, volt, module_v=volt.sum(axis=2), step_v=0.1)[0] == []
    # 0.25 V more than rounding and the limit allow.
    assert len(summed(time_s, current_a, volt, module_v=volt.sum(axis=2) + 0.45, step_v=0.1)[0]) == 2


def test_what_cannot_be_judged_says_why():
    time_s, current_a, volt = volts(modules=1)
    assert "neither modules" in looked(time_s, current_a, volt)[1]["map-suspect"]
    moving = 80 * np.sin(np.arange(150.0))
    volt = 3.7 - 0.001 * moving[:, None, None] + np.zeros((2, 4))
    assert "never steady" in looked(np.arange(150.0), moving, volt, apart_s=0.4)[1]["map-suspect"]


@settings(max_examples=80, deadline=None)
@given(
    modules=st.integers(2, 5),
    low=st.lists(st.floats(0, 0.25), min_size=5, max_size=5),
    ohm=st.lists(st.floats(0.8, 1.6), min_size=5, max_size=5),
    spread_v=st.floats(0, 0.02),
    step_v=st.sampled_from([0.001, 0.005, 0.02]),
    gains=st.lists(st.floats(-0.004, 0.004), min_size=6, max_size=6),
    load=st.booleans(),
    apart_s=st.sampled_from([0.0, 0.15]),
    seed=st.integers(0, 9999),
)
def test_a_sound_map_raises_nothing(modules, low, ohm, spread_v, step_v, gains, load, apart_s, seed):
    time_s, current_a, volt = volts(
        PULSES if load else REST,
        modules,
        low_v=low[:modules],
        ohm_of_module=ohm[:modules],
        spread_v=spread_v,
        seed=seed,
    )
    measured = {
        "pack_v": volt.sum(axis=(1, 2)) * (1 + gains[5]),
        "module_v": volt.sum(axis=2) * (1 + np.array(gains[:modules])),
    }
    how = {"step_v": step_v, "apart_s": apart_s}
    assert looked(time_s, current_a, volt, **how, **measured)[0] == []
    assert summed(time_s, current_a, volt, **how, **measured)[0] == []
    assert looked(time_s, current_a, volt, **how)[0] == []
