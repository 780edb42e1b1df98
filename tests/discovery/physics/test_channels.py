"""Single channels: sums, steps, charge, switches."""

import numpy as np
import pytest

from decoder.bits import Field
from decoder.discovery.field_at import FieldAt, StreamKey
from decoder.discovery.physics.array_meanings import Meaning
from decoder.discovery.physics.charges import charge_like
from decoder.discovery.physics.currents import CommonVoltage, current_like, meanings_of_current
from decoder.discovery.physics.series import Track
from decoder.discovery.physics.singles import Single
from decoder.discovery.physics.states import rise_of
from decoder.discovery.physics.voltages import Match, Sum, matches_of

KEY = StreamKey("can0", 0x123, extended=False)
TIME_S = np.arange(200) * 0.2
CELL = Meaning("cell voltage", 0.001, 0.0, 16, 3.7, 0.005, 0.0)


def single(raw, length=16, shortest=8, *, signed=False, time_s=TIME_S):
    at = FieldAt(KEY, Field(7, length, "big", signed))
    return Single(at, shortest, (KEY, 7), Track(time_s, np.asarray(raw, float)), 0.9)


def summed(volt):
    return Sum((0,), (CELL,), TIME_S, np.asarray(volt, float), 96)


VOLT = 355 + 4 * np.sin(TIME_S)


def test_a_number_equals_the_sum_at_its_natural_scale_only():
    (match,) = matches_of([summed(VOLT)], [single(np.round(VOLT / 0.1))])
    assert match.scale == 0.1
    assert match.correlation > 0.99
    assert not match.link
    assert matches_of([summed(VOLT)], [single(np.round(VOLT / 0.1 * 1.02))]) == []
    assert matches_of([summed(VOLT)], [single(np.round(VOLT / 0.07))]) == []


def test_a_number_that_does_not_follow_the_sum_is_no_pack_voltage():
    assert matches_of([summed(VOLT)], [single(np.round((355 + 4 * np.cos(1.7 * TIME_S)) / 0.1))]) == []


def test_the_link_is_far_below_and_then_equal():
    link = np.where(TIME_S < 10, 2.0, VOLT)
    (match,) = matches_of([summed(VOLT)], [single(np.round(link / 0.1))])
    assert match.link
    assert rise_of(match) == pytest.approx(10, abs=0.3)


def test_a_link_that_only_falls_has_no_rise():
    link = np.where(TIME_S > 30, 2.0, VOLT)
    match = Match(single(np.round(link / 0.1)), 0.1, 0.0, summed(VOLT), 0.0, np.nan, 40.0, 0.4, link=True)
    assert rise_of(match) is None


STEPS = np.repeat(np.random.default_rng(3).uniform(-60, 120, 20), 10)


@pytest.mark.parametrize("sign", [1, -1])
def test_a_current_has_one_resistance_and_the_sign_of_discharging(sign):
    voltage = CommonVoltage(TIME_S, -STEPS * 0.9e-3, 0.001)
    (like,) = current_like(voltage, [single(np.round(sign * STEPS / 0.1), signed=True)])
    assert abs(like.correlation) > 0.95
    best = meanings_of_current(like)[0]
    assert np.sign(best.scale) == sign
    assert best.mohm * abs(best.scale) / 0.1 == pytest.approx(0.9, rel=0.1)
    assert sum(one.share for one in meanings_of_current(like)) == pytest.approx(1)


def test_what_does_not_step_with_the_voltage_is_no_current():
    voltage = CommonVoltage(TIME_S, -STEPS * 0.9e-3, 0.001)
    walk = np.cumsum(np.random.default_rng(4).integers(-3, 4, len(TIME_S)))
    assert current_like(voltage, [single(1000 + walk)]) == []


def test_where_the_voltage_rests_nothing_is_a_current():
    resting = CommonVoltage(TIME_S, np.zeros(len(TIME_S)), 0.001)
    assert current_like(resting, [single(np.round(STEPS / 0.1), signed=True)]) == []


def test_a_charge_follows_what_flowed():
    amps = np.full(len(TIME_S), 200.0)
    flowed = np.cumsum(amps) * 0.2 / 3600
    percent = 60 - 100 * flowed / 40
    best = charge_like([single(np.round(percent / 0.1), 10)], None, (TIME_S, amps))[0]
    assert best.scale == 0.1
    assert best.correlation > 0.99
    assert best.capacity_ah == pytest.approx(40, rel=0.05)


def test_a_number_that_leaves_0_to_100_is_no_charge():
    assert charge_like([single(np.linspace(2000, 60000, 200))], 3.7, None) == []
