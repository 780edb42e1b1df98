"""A module that swells alone is a danger; what moves all, and what a broken sensor says, is not."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoder.judgement.finding import Severity
from decoder.judgement.sensors.pressure import pressure_findings
from decoder.maps.pack_sheet import Limits, Place
from tests.judgement.sensor_captures import PRESSURE, found, heard, message_of

MODULES = 5


def heard_kpa(table, period_s=0.5, *, step=0.5, rules=(PRESSURE,), **sheet):
    table = np.asarray(table, float)
    names = [f"Swelling_{n + 1}" for n in range(table.shape[1])]
    message = message_of(names, 0x360, step=step, bits=12, unit="kPa")
    return heard([(message, table, np.arange(len(table)) * period_s)], rules, **sheet)


def judged(table, period_s=0.5, **how):
    return found(pressure_findings, heard_kpa(table, period_s, **how))[0]


def sound(seed, rows=120, common=0.0, modules=MODULES):
    """Modules with levels and answers to heat and charge of their own, and noise."""
    rng = np.random.default_rng(seed)
    at = np.linspace(0, 1, rows)[:, None]
    answers = rng.uniform(0.8, 1.2, modules)
    return rng.uniform(20, 90, modules) + common * answers * at + rng.normal(0, 0.3, (rows, modules))


@settings(max_examples=40, deadline=None)
@given(
    st.integers(0, 1000),
    st.floats(-12, 12),
    st.sampled_from([0.1, 0.5, 1.0]),
    st.integers(1, MODULES),
    st.sampled_from([0.1, 0.5, 5.0]),
)
def test_sound_packs_have_nothing(seed, common, step, modules, period_s):
    assert judged(sound(seed, common=common, modules=modules), period_s, step=step) == []


@settings(max_examples=40, deadline=None)
@given(
    st.integers(0, 1000),
    st.integers(0, MODULES - 1),
    st.floats(8, 60),
    st.floats(-10, 10),
    st.booleans(),
    st.sampled_from([0.5, 5.0]),
)
def test_a_module_that_swells_is_found_at_its_place(seed, module, swells, common, at_once, period_s):
    table = sound(seed, common=common)
    at = np.linspace(0, 1, len(table))
    # With all of them falling, what rises against them must also rise by itself.
    height = swells + max(0.0, -common * 1.2)
    table[:, module] += height * ((at > 0.5) if at_once and height < 45 else np.clip(2 * at - 0.4, 0, 1))
    assert [(one.code, one.place) for one in judged(table, period_s)] == [("pressure-rise", Place(module=module + 1))]


def test_what_it_says():
    table = np.full((120, MODULES), 50.0)
    table[40:, 3] = 57.0
    (finding,) = judged(table)
    assert finding.severity is Severity.DANGER
    assert (finding.value, finding.limit, finding.unit) == (7.0, 5.0, "kPa")
    assert 18e9 <= finding.from_ns <= 22e9
    assert finding.to_ns == 59_500_000_000
    assert finding.source == "common practice, no source"


def test_two_and_a_half_kpa_are_within_the_limit_unless_the_sheet_says_otherwise():
    table = np.full((120, MODULES), 50.0)
    table[40:, 3] = 52.5
    assert judged(table) == []
    assert len(judged(table, limits=Limits(pressure_rise_kpa=2))) == 1


@settings(max_examples=40, deadline=None)
@given(
    st.integers(0, 1000),
    st.sampled_from([0.0, 2047.5, 1800.0, 400.0]),
    st.integers(0, 100),
    st.integers(1, 120),
)
def test_a_broken_sensor_is_no_swelling(seed, absurd, begins, lasts):
    table = sound(seed)
    table[begins : begins + lasts, 2] = absurd
    assert judged(table) == []


def test_a_short_pulse_is_no_swelling():
    table = np.full((120, MODULES), 50.0)
    table[40:44, 3] = 70.0
    assert judged(table) == []


def test_all_up_alike_is_told_of_the_pack_from_three_limits_on():
    table = np.full((120, MODULES), 50.0) + np.linspace(0, 20, 120)[:, None]
    (finding,) = judged(table)
    assert (finding.place, finding.severity, finding.limit) == (Place(), Severity.WARNING, 15.0)
    assert "Heat" in finding.explanation
    assert finding.channel is None
    assert len(finding.channels) == MODULES
    assert judged(np.full((120, MODULES), 50.0) + np.linspace(0, 14, 120)[:, None]) == []


def test_a_sibling_that_falls_makes_no_swelling():
    table = np.full((120, 2), 50.0)
    table[40:, 0] = 35.0
    assert judged(table) == []


def test_few_data_are_no_trouble():
    _, not_judged = found(pressure_findings, heard_kpa(np.full((1, 2), 50.0)))
    assert "one moment" in not_judged["pressure-rise"]
    _, not_judged = found(pressure_findings, heard_kpa(np.full((30, 1), 50.0)))
    assert "15 kPa" in not_judged["pressure-rise"]
    assert judged(np.full((2, 3), 50.0)) == []
    gone = sound(3)
    gone[:, 1] = np.nan
    gone[60:, 2] = np.nan
    assert judged(gone) == []
    assert pytest.approx(50) == heard_kpa(np.full((2, 1), 50.0))["Swelling_1"].value[0]
