"""The state of charge that a rested cell means, and where it means none."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoder.judgement.charging.rested_charge import (
    CURVE_UNSURE_V,
    SHORTEST_UNSEEN_REST_S,
    WIDEST_PERCENT,
    rested_charges,
    still_to_go,
)
from decoder.maps.chemistry import CURVES
from decoder.maps.pack_sheet import PackSheet
from tests.judgement.resting_packs import cells_of, charge_over, drive, pack

# FACTS of the parameter sets, typed again here: percent and rest voltage (Chen et al. 2020, Mohtat et al. 2020, Kim et
# al. 2011; electrode balance at the set's own voltage limits).
PUBLISHED = {
    "NMC811": {10: 3.296, 30: 3.581, 50: 3.751, 70: 3.948, 90: 4.097},
    "NMC532": {5: 3.462, 20: 3.585, 50: 3.716, 80: 3.971, 95: 4.136},
    "NCA": {10: 3.247, 40: 3.598, 60: 3.768, 90: 4.080},
}
NMC532 = PackSheet(chemistry="NMC", charge_curve="NMC532")


def at_rest(volts, sheet, seconds=900, *, step_v=0.001, current_a=0.0):
    """A pack that rests from the capture's first frame on; `volts` a number or one a second."""
    time_s, current = drive([(seconds, current_a)])
    volt = np.broadcast_to(np.asarray(volts, float), (len(time_s),))[:, None, None] + np.zeros((2, 4))
    return rested_charges(*pack(time_s, current, volt, sheet, step_v=step_v))


@pytest.mark.parametrize(
    ("curve", "percent", "volt"),
    [(curve, percent, volt) for curve, points in PUBLISHED.items() for percent, volt in points.items()],
)
def test_a_rested_cell_says_the_published_charge_within_some_percent(curve, percent, volt):
    (rest,), reason = at_rest(volt, PackSheet(charge_curve=curve))
    assert reason == ""
    assert rest.low_percent < percent < rest.high_percent
    assert rest.volt == pytest.approx(volt)
    assert rest.high_percent - rest.low_percent < 8


def test_the_interval_by_hand():
    # 3.716 V is 50 %; to 40 % it falls by 0.045, to 60 % it rises by 0.081. Seen from its first frame on and standing
    # still: half a step may hide a move, and six and a half times that may be to come. Half a step and 10 mV more.
    ahead = 6.5
    (rest,), _ = at_rest(3.716, NMC532)
    wide = ahead * 0.0005 + CURVE_UNSURE_V + 0.0005
    assert rest.low_percent == pytest.approx(50 - wide / 0.045 * 10)
    assert rest.high_percent == pytest.approx(50 + wide / 0.081 * 10)
    assert (rest.rested_s, rest.seen_from_load) == (899.0, False)


def test_coarse_steps_widen_it():
    fine, coarse = (at_rest(3.700, NMC532, step_v=step_v)[0][0] for step_v in (0.001, 0.005))
    assert coarse.high_percent - coarse.low_percent > fine.high_percent - fine.low_percent


def test_without_a_named_curve_all_of_the_chemistry_count():
    # 3.642 V: between 3.639 (30 %) and 3.671 (40 %) of NMC532, between 3.581 (30 %) and 3.667 (40 %) of NMC811.
    (rest,), _ = at_rest(3.642, PackSheet(chemistry="NMC"))
    assert {name for name, _, _ in rest.by_curve} == {"NMC811", "NMC532"}
    assert rest.low_percent < 30 + 10 * 3 / 32
    assert rest.high_percent > 30 + 10 * 61 / 86
    assert "NMC532" in rest.words


@pytest.mark.parametrize("percent", range(40, 91, 2))
def test_lfp_says_nothing_between_40_and_90_percent(percent):
    curve = CURVES["LFP"]
    volt = float(np.interp(percent, curve.charge_percent, curve.volt))
    rests, reason = at_rest(volt, PackSheet(chemistry="LFP"))
    assert rests == ()
    assert "too little is known" in reason


def test_lfp_says_that_it_is_full_or_empty():
    (full,), _ = at_rest(3.45, PackSheet(chemistry="LFP"))
    (empty,), _ = at_rest(2.90, PackSheet(chemistry="LFP"))
    assert full.low_percent > 94
    assert empty.high_percent < 12


@pytest.mark.parametrize(
    ("sheet", "word"),
    [
        (None, "no pack sheet"),
        (PackSheet(), "neither a chemistry"),
        (PackSheet(chemistry="LTO"), "no charge curve for LTO"),
        (PackSheet(charge_curve="gone.csv"), "cannot read the charge curve"),
    ],
)
def test_without_a_curve_the_reason_is_told(sheet, word):
    rests, reason = at_rest(3.7, sheet)
    assert rests == ()
    assert word in reason


def test_a_voltage_off_the_curve_is_refused():
    rests, reason = at_rest(4.32, NMC532)
    assert rests == ()
    assert "4.320 V" in reason


def test_a_short_rest_is_refused_and_so_is_a_load_that_never_ends():
    assert "never rested" in at_rest(3.7, NMC532, seconds=int(SHORTEST_UNSEEN_REST_S) - 20)[1]
    assert "never rested" in at_rest(3.7, NMC532, current_a=30.0)[1]


def test_without_a_current_nothing_says_that_it_rests():
    time_s, _ = drive([(900, 0)])
    channels, table = pack(time_s, None, np.full((900, 2, 4), 3.7), NMC532)
    assert "no pack current" in rested_charges(channels, table)[1]


def test_a_current_that_falls_silent_is_no_rest():
    # Both load and silence: the last value heard is 0 A, then only the cells go on.
    time_s, current_a = drive([(400, 40.0), (30, 0.0), (900, np.nan)])
    channels, table = pack(time_s, current_a, np.full((len(time_s), 2, 4), 3.7), NMC532)
    assert rested_charges(channels, table)[0] == ()


def test_after_a_short_load_the_tail_falls_with_the_root_of_time():
    # 1 / sqrt(t): from t/2 to t it loses sqrt(2) - 1 of what is left at t.
    assert still_to_go(3600, 1)[0] == pytest.approx(1 / (np.sqrt(2) - 1), rel=1e-3)


def test_after_a_load_as_long_as_the_rest_more_is_to_come():
    # sqrt(2) - 1 of the way is left; at half of the time it was sqrt(1.5) - sqrt(0.5) = 0.5176.
    ahead, of_all = still_to_go(600, 600)
    assert ahead == pytest.approx(0.4142 / (0.5176 - 0.4142), rel=1e-3)
    assert of_all == pytest.approx(0.4142 / (1 - 0.4142), rel=1e-3)


def test_a_cell_that_still_rises_may_rise_as_much_again_but_not_fall():
    # 10 mV in the later half of ten minutes since a load, of which two minutes are seen and half an hour is taken to
    # be before: sqrt(2520) - sqrt(600) = 25.70, sqrt(2220) - sqrt(300) = 29.80, so 25.70 / 4.10 times as much to come.
    time_s, current_a = drive([(120, 50.0), (600, 0.0)])
    rest_s = np.clip(time_s - 120, 0, None)
    rising = 3.600 + 0.020 * rest_s / 599 + np.where(time_s >= 120, 0.080, 0.0)
    (rest,), _ = rested_charges(*pack(time_s, current_a, rising[:, None, None] + np.zeros((2, 4)), NMC532))
    assert rest.seen_from_load
    assert rest.volt == pytest.approx(3.700, abs=0.001)
    known_v = CURVE_UNSURE_V + 0.0005
    assert rest.high_v - rest.volt == pytest.approx(6.27 * 0.0105 + known_v, abs=0.004)
    assert rest.volt - rest.low_v == pytest.approx(6.27 * 0.0005 + known_v, abs=0.001)


def test_what_is_to_come_is_no_more_than_what_came():
    # A load that moved no cell by a step, seen from rest on and shorter than the rest after it: it left less than a
    # step, though half a step may hide what moves, and nearly four times that would be to come.
    time_s, current_a = drive([(400, 0.0), (500, 2.0), (600, 0.0)])
    volt = np.full((len(time_s), 2, 4), 3.700)
    (_, rest), _ = rested_charges(*pack(time_s, current_a, volt, NMC532, step_v=0.005))
    assert rest.high_v - rest.volt == pytest.approx(0.005 + CURVE_UNSURE_V + 0.0025)


def test_each_rest_is_told_and_one_odd_cell_does_not_matter():
    time_s, current_a = drive([(400, 0), (600, 60.0), (400, 0), (600, 60.0), (400, 0)])
    charge = charge_over(time_s, current_a, 80.0, 60.0)
    volt = cells_of(charge, current_a, time_s, CURVES["NMC532"])
    volt[:, 1, 2] = 3.0
    volt[:, 0, 0] = np.nan
    rests, _ = rested_charges(*pack(time_s, current_a, volt, NMC532))
    assert [rest.seen_from_load for rest in rests] == [False, True, True]
    for rest, at in zip(rests, (399, 1399, 2399), strict=True):
        assert rest.low_percent < charge[at] < rest.high_percent


@settings(max_examples=40, deadline=None)
@given(
    percent=st.floats(16, 84),
    curve=st.sampled_from(["NMC811", "NMC532", "NCA"]),
    load_s=st.integers(5, 900),
    load_a=st.sampled_from([-80.0, -20.0, 20.0, 60.0, 150.0]),
    rest_s=st.integers(70, 900),
    brake_s=st.sampled_from([0, 8]),
    step_v=st.sampled_from([0.0001, 0.001, 0.005, 0.02]),
    off_v=st.floats(-0.006, 0.006),
    seed=st.integers(0, 999),
)
def test_the_true_charge_lies_in_the_interval(percent, curve, load_s, load_a, rest_s, brake_s, step_v, off_v, seed):
    time_s, current_a = drive([(20, 0), (load_s, load_a), (brake_s, -load_a / 2), (rest_s, 0)])
    charge = charge_over(time_s, current_a, percent, 250.0)
    odd = np.random.default_rng(seed)
    volt = cells_of(charge, current_a, time_s, CURVES[curve], offset_v=off_v + odd.normal(0, 0.001, (2, 4)))
    rests, reason = rested_charges(
        *pack(
            time_s,
            np.round(current_a + odd.normal(0, 0.1, len(time_s)), 1),
            volt,
            PackSheet(charge_curve=curve),
            step_v=step_v,
        )
    )
    assert rests or reason
    for rest in rests:
        assert rest.low_percent <= charge[-1] <= rest.high_percent
        assert rest.high_percent - rest.low_percent <= WIDEST_PERCENT
