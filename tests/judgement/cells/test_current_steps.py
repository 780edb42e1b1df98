"""Steps of the current are found where it is quiet before and after, and nowhere else."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoder.bits import Field
from decoder.channels import decode
from decoder.judgement.cells.current_steps import LOOK_AHEAD_S, current_steps
from decoder.maps.signal_map import Signal
from tests.building import capture, one_message


def current(ampere, every_s=0.01, times=None):
    times = np.arange(len(ampere)) * every_s if times is None else times
    rows = [
        (at, 0x123, round(value * 10).to_bytes(2, "little", signed=True))
        for at, value in zip(times, ampere, strict=True)
    ]
    signal = Signal("Pack_A", Field(0, 16, signed=True), 0.1, unit="A")
    return decode(capture(rows), one_message([signal], length=2))["Pack_A"]


def test_one_step_with_its_current_and_its_quiet_stretches():
    steps = current_steps(current(np.repeat([0, 40], 500)))
    assert len(steps) == 1
    assert (steps.before_a[0], steps.after_a[0], steps.by_a[0]) == (0, 40, 40)
    assert steps.wobble_a[0] == 0
    assert steps.before_to_ns[0] <= 5e9 <= steps.after_from_ns[0]
    assert steps.after_from_ns[0] - steps.before_to_ns[0] <= 0.2e9
    assert steps.after_to_ns[0] == pytest.approx(10e9, abs=0.1e9)


def test_the_other_sign():
    steps = current_steps(current(np.repeat([0, -40], 500)), -1)
    assert steps.by_a.tolist() == [40]


@pytest.mark.parametrize("first_s", [0.02, 0.2, 0.45, 0.5])
def test_a_slow_current_may_step_right_before_the_sample_that_shows_it(first_s):
    times = np.concatenate([[first_s], 1 + np.arange(60) * 0.5])
    ampere = np.where(times < 14.9, -218, -141)  # first seen at 15.0
    (after_ns,) = current_steps(current(ampere, times=times)).after_from_ns
    assert after_ns == pytest.approx(15.0e9, abs=1e6)


def test_quiet_after_ends_where_the_current_moves_on():
    steps = current_steps(current(np.repeat([0, 40, 80], 300)))
    assert len(steps) == 2
    assert steps.after_to_ns[0] == pytest.approx(6e9, abs=0.1e9)


def test_a_quick_ramp_is_a_step_and_a_slow_one_is_none():
    def ramp(seconds):
        return np.concatenate([np.zeros(400), np.linspace(0, 40, int(seconds * 100)), np.full(400, 40)])

    assert len(current_steps(current(ramp(1)))) == 1
    assert len(current_steps(current(ramp(6)))) == 0


@pytest.mark.parametrize(
    "ampere",
    [
        np.zeros(1000),
        50 * np.sin(np.arange(3000) / 100),
        np.repeat([0, 40, 0, 40, 0], 50),  # never quiet for a second
        np.repeat([100, 101], 500),  # far less than what counts as quiet
        [7.0],
        [0, 40],
    ],
)
def test_what_is_no_step(ampere):
    assert len(current_steps(current(ampere))) == 0


def test_a_gap_in_the_recording_is_no_step():
    times = np.concatenate([np.arange(300) * 0.01, 60 + np.arange(300) * 0.01])
    assert len(current_steps(current(np.repeat([0, 40], 300), times=times))) == 0


def test_a_clock_that_jumps_back_is_no_step_and_no_trouble():
    times = np.concatenate([np.arange(500) * 0.01, 2 + np.arange(500) * 0.01])
    steps = current_steps(current(np.repeat([0, 40], 500), times=times))
    assert (np.diff(steps.before_to_ns) >= 0).all()


@settings(max_examples=40, deadline=None)
@given(
    st.lists(st.sampled_from([-80, -30, 0, 25, 60, 120]), min_size=2, max_size=6),
    st.floats(2.5, 20),
    st.sampled_from([0.01, 0.05, 0.1]),
    st.floats(0, 0.3),
    st.integers(0, 99),
)
def test_every_clean_step_is_found_once(levels, each_s, every_s, noise_a, seed):
    ampere = np.repeat(levels, int(each_s / every_s)).astype(float)
    noisy = ampere + np.random.default_rng(seed).normal(0, noise_a, len(ampere))
    steps = current_steps(current(noisy, every_s))
    true = np.diff(levels)
    assert len(steps) == np.count_nonzero(true)
    assert steps.by_a == pytest.approx(true[true != 0], abs=0.5)
    at_ns = np.flatnonzero(np.diff(ampere)) * every_s * 1e9
    assert (steps.before_to_ns <= at_ns + every_s * 1e9).all()
    assert (at_ns <= steps.after_from_ns + every_s * 1e9).all()
    assert (steps.after_to_ns - steps.after_from_ns <= (LOOK_AHEAD_S + 0.3) * 1e9).all()
