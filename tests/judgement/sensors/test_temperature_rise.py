"""A rise is heat; a jump is a wire; slow heating is use."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoder.judgement.finding import Severity
from decoder.judgement.sensors.temperature_rise import temperature_rise_findings
from decoder.maps.pack_sheet import Limits, Place
from tests.judgement.sensor_captures import found, temperatures_heard

SENSORS = 4


def judged(table, **how):
    return found(temperature_rise_findings, temperatures_heard(table, **how))[0]


def sound(seed, rows, period_s, per_second=0.0, noise=0.15):
    rng = np.random.default_rng(seed)
    at = (np.arange(rows) * period_s)[:, None]
    return 20 + rng.uniform(-3, 3, SENSORS) + per_second * at + rng.normal(0, noise, (rows, SENSORS))


@settings(max_examples=50, deadline=None)
@given(
    st.integers(0, 1000),
    st.sampled_from([0.1, 0.2, 1.0, 2.0, 10.0]),
    st.sampled_from([0.1, 0.5, 1.0]),
    st.floats(-0.2, 0.2),
)
def test_use_heats_no_pack_so_fast(seed, period_s, step, per_second):
    assert judged(sound(seed, 200, period_s, per_second), period_s=period_s, step=step) == []


@settings(max_examples=50, deadline=None)
@given(
    st.integers(0, 1000),
    st.integers(0, SENSORS - 1),
    st.sampled_from([0.1, 0.2, 0.5, 1.0]),
    st.sampled_from([0.1, 0.5, 1.0]),
    st.floats(1.4, 8),
    st.integers(6, 15),
)
def test_a_fast_rise_is_found_at_its_place(seed, number, period_s, step, rate, lasts_s):
    rows = int(60 / period_s)
    table = sound(seed, rows, period_s, noise=0.05)
    at = np.arange(rows) * period_s
    table[:, number] += np.clip(at - 20, 0, lasts_s) * rate
    table = np.minimum(table, 85)
    if step == 0.1:  # eight bits end at -14.5 degC: lower everything
        table = np.minimum(table - 60, -15.5)
        if lasts_s * rate < 5 or table[:, number].max() - table[0, number] < 5:
            return
    findings = judged(table, period_s=period_s, step=step)
    assert {(one.code, one.place) for one in findings} == {
        ("temperature-rise", Place(module=number // 2 + 1, sensor=number % 2 + 1))
    }


@settings(max_examples=40, deadline=None)
@given(
    st.sampled_from([0.1, 0.5, 1.0, 5.0]),
    st.sampled_from([0.5, 1.0]),
    st.floats(5, 60),
    st.integers(1, 30),
)
def test_a_jump_is_no_rise(period_s, step, height, lasts):
    table = sound(7, 100, period_s, noise=0.05)
    table[40 : 40 + lasts, 1] += height
    assert judged(table, period_s=period_s, step=step) == []


def test_what_a_rise_says():
    table = np.full((60, SENSORS), 20.0)
    table[:, 2] += np.clip(np.arange(60) - 30, 0, 10) * 2.0
    (finding,) = judged(table)
    assert finding.severity is Severity.WARNING
    assert finding.value == pytest.approx(2.0)
    assert (finding.limit, finding.unit) == (1.0, "degC/s")
    assert (finding.from_ns, finding.to_ns) == (30_000_000_000, 40_000_000_000)
    assert "GB 38031" in finding.source


def test_siblings_that_heat_alike_do_not_hide_it():
    table = np.full((60, SENSORS), 20.0) + np.clip(np.arange(60) - 30, 0, 10)[:, None] * 1.5
    assert len(judged(table)) == SENSORS


def test_the_sheets_limit_counts():
    table = np.full((60, SENSORS), 20.0)
    table[:, 2] += np.clip(np.arange(60) - 30, 0, 10) * 0.7
    assert judged(table) == []
    assert len(judged(table, limits=Limits(temperature_rise_c_per_s=0.5))) == 1


def test_a_step_up_and_down_again_and_again_of_a_coarse_sensor_is_no_rise():
    table = np.full((100, SENSORS), 20.0)
    table[::2, 0] += 1
    assert judged(table, step=1.0) == []


def test_too_little_is_not_judged():
    _, not_judged = found(temperature_rise_findings, temperatures_heard(np.full((2, 2), 20.0)))
    assert "3 s" in not_judged["temperature-rise"]
    _, not_judged = found(temperature_rise_findings, temperatures_heard(np.full((5, 2), np.nan)))
    assert "temperature-rise" in not_judged
