"""A broken wire is no heat, a stuck sensor no cold place, and a cold pack is sound."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoder.channels import decode
from decoder.judgement.finding import Severity
from decoder.judgement.sensors.temperatures import temperature_findings
from decoder.maps.pack_sheet import Limits, PackSheet, Place
from decoder.maps.signal_map import SignalMap
from tests.building import capture
from tests.judgement.sensor_captures import (
    BUSBAR,
    TEMPERATURE,
    found,
    heard,
    message_of,
    rows_of,
    temperature_group,
    temperatures_heard,
)

SENSORS = 6


def sound(seed=1, seconds=60, sensors=SENSORS, start=20.0, warms=5.0):
    """Sensors with errors of their own, gradients up to 5 degC, slow heating and noise."""
    rng = np.random.default_rng(seed)
    at = np.linspace(0, 1, seconds)[:, None]
    gains = rng.uniform(0.6, 1.0, sensors)
    return start + rng.uniform(-2.2, 2.2, sensors) + warms * gains * at + rng.normal(0, 0.1, (seconds, sensors))


def judged(table, **how):
    return found(temperature_findings, temperatures_heard(table, **how))[0]


def codes(table, **how):
    return [(one.code, one.place) for one in judged(table, **how)]


def place(number, per_module=2):
    return Place(module=number // per_module + 1, sensor=number % per_module + 1)


@settings(max_examples=40, deadline=None)
@given(
    st.integers(0, 1000),
    st.sampled_from([-30.0, -20.0, 0.0, 20.0, 45.0]),
    st.sampled_from([-3.0, 0.0, 4.0]),
    st.sampled_from([0.5, 1.0]),
    st.integers(1, 12),
)
def test_sound_packs_have_nothing(seed, start, warms, step, sensors):
    assert judged(sound(seed, start=start, warms=warms, sensors=min(sensors, 8)), step=step) == []


@settings(max_examples=40, deadline=None)
@given(
    st.integers(0, 1000),
    st.integers(0, SENSORS - 1),
    st.sampled_from([-40.0, 87.0, 75.5]),
    st.integers(0, 50),
    st.integers(4, 40),
)
def test_a_broken_wire_is_found_at_its_place(seed, number, rail, begins, lasts):
    table = sound(seed)
    table[begins : begins + lasts, number] = rail
    if rail == 75.5:
        table[0, number] = 20.0  # not an end of the field: a jump tells
    if begins == 0 and lasts <= 5:
        return  # a wake-up
    assert codes(table) == [("temperature-rail", place(number))]


def test_a_sensor_that_shows_its_lowest_value_all_the_time_is_broken():
    table = sound()
    table[:, 3] = -40
    (finding,) = judged(table)
    assert (finding.code, finding.severity, finding.place) == ("temperature-rail", Severity.CAUTION, place(3))
    assert finding.value == -40
    assert finding.unit == "degC"
    assert finding.to_ns - finding.from_ns == 59_000_000_000
    assert "open thermistor" in finding.explanation


def test_in_a_cold_pack_the_end_of_the_field_is_near_and_still_an_end():
    table = sound(start=-20, warms=0)
    table[:, 3] = -40
    assert codes(table) == [("temperature-rail", place(3))]


def test_a_wire_that_comes_and_goes_is_broken():
    table = sound()
    table[[10, 25, 26, 40], 2] = -40
    (finding,) = judged(table)
    assert (finding.code, finding.place) == ("temperature-rail", place(2))
    assert "3 times" in finding.explanation


def test_two_damaged_frames_are_no_broken_wire():
    table = sound()
    table[[10, 40], 2] = -40
    assert judged(table) == []


def test_a_pack_that_is_at_the_end_of_the_field_everywhere_is_cold():
    assert judged(np.full((60, SENSORS), -40.0)) == []


def test_a_wake_up_at_the_lowest_value_is_no_broken_wire():
    table = sound()
    table[:3, 1] = -40
    assert judged(table) == []


def test_heat_that_rises_to_the_end_of_the_field_is_heat():
    table = sound(warms=0)
    table[:, 1] += np.linspace(0, 80, 60)
    assert "temperature-rail" not in [one.code for one in judged(table)]


def test_a_lone_sensor_that_jumps_to_a_rail_and_back_is_broken():
    table = np.full((60, 1), 22.0)
    table[20:30] = -40
    channels = temperatures_heard(table)
    findings, not_judged = found(temperature_findings, channels)
    assert [one.code for one in findings] == ["temperature-rail"]
    assert "siblings" in not_judged["temperature-rail"]


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 1000), st.integers(0, SENSORS - 1), st.sampled_from([-14.0, 14.0]), st.sampled_from([0.5, 1.0]))
def test_one_place_that_is_off_is_a_spread_at_that_place(seed, number, off, step):
    table = sound(seed, warms=3)
    table[:, number] += off
    assert codes(table, step=step) == [("temperature-spread", place(number))]


def test_a_spread_says_how_much_against_what():
    table = np.full((60, SENSORS), 20.0)
    table[20:50, 4] = 29.0
    (finding,) = judged(table)
    assert finding.severity is Severity.CAUTION
    assert (finding.value, finding.limit, finding.unit) == (9.0, 8.0, "degC")
    assert (finding.from_ns, finding.to_ns) == (20_000_000_000, 49_000_000_000)
    assert finding.source == "common practice, no source"


def test_exactly_the_limit_is_within_and_the_sheets_limit_counts():
    table = np.full((60, SENSORS), 20.0)
    table[:, 4] = 28.0
    assert judged(table) == []
    assert len(judged(table, limits=Limits(temperature_spread_c=7.5))) == 1


def test_a_spread_of_eight_seconds_does_not_last():
    table = np.full((60, SENSORS), 20.0)
    table[20:29, 4] = 30.0
    assert judged(table) == []


def test_other_kinds_of_sensors_are_not_compared():
    warm = message_of(["Busbar_1", "Busbar_2"], 0x351, step=0.5, offset=-40.0)
    times = np.arange(60.0)
    groups = [temperature_group(np.full((60, 4), 20.0)), (warm, np.full((60, 2), 40.0), times)]
    assert found(temperature_findings, heard(groups, [TEMPERATURE, BUSBAR]))[0] == []
    groups[1][1][:, 1] = 55.0
    (finding,) = found(temperature_findings, heard(groups, [TEMPERATURE, BUSBAR]))[0]
    assert finding.place == Place(module=2, sensor="busbar")


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 1000), st.integers(0, SENSORS - 1), st.integers(5, 12), st.sampled_from([0.25, 0.5]))
def test_a_sensor_that_freezes_does_not_follow(seed, number, from_s, step):
    table = sound(seed, start=6, warms=9)
    table[from_s:, number] = table[from_s, number]
    table[0, number] -= 1  # it has moved once: no sensor that is stuck throughout
    assert codes(table, step=step) == [("channel-stuck", place(number))]


def test_a_sensor_that_is_stuck_for_good_is_left_to_the_judgement_of_single_channels():
    table = sound(warms=8)
    table[:, 2] = 15
    assert judged(table) == []


def test_a_place_that_warms_less_is_not_stuck():
    table = sound(warms=6)
    table[:, 2] = 20 + np.linspace(0, 1, 60)
    assert judged(table) == []


def test_few_data_are_no_trouble():
    assert judged(np.full((1, 1), 20.0)) == []
    assert judged(np.full((1, SENSORS), np.nan)) == []
    cold = np.full((1, SENSORS), 20.0)
    cold[0, 2] = -40
    assert codes(cold) == [("temperature-rail", place(2))]
    _, not_judged = found(temperature_findings, temperatures_heard(np.full((3, 2), np.nan)))
    assert "no temperature" in not_judged["temperature-spread"]


def test_a_clock_that_jumps_back_is_no_trouble():
    message, table, time_s = temperature_group(sound())
    time_s = np.where(time_s > 30, time_s - 20, time_s)
    channels = decode(capture(rows_of(message, table, time_s)), SignalMap((message,)), PackSheet(rules=(TEMPERATURE,)))
    assert found(temperature_findings, channels)[0] == []


def test_the_spread_is_not_judged_from_one_sensor():
    _, not_judged = found(temperature_findings, temperatures_heard(np.full((60, 1), 20.0)))
    assert "fewer than two" in not_judged["temperature-spread"]
    assert pytest.approx(20) == temperatures_heard(np.full((2, 1), 20.0))["Temp_1_1"].value[0]
