"""How long one waits for the next sample: from one to the next, or from burst to burst."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from decoder.bits import Field
from decoder.channels import decode
from decoder.channels.series import State
from decoder.channels.states import usual_wait_s
from decoder.maps.signal_map import Signal
from tests.building import capture, one_message


def bursts(pages=20, count=40, apart_s=0.0025, every_s=0.5, jitter_s=0.0, seed=0):
    at_s = (np.arange(count)[:, None] * every_s + np.arange(pages) * apart_s).ravel()
    return np.sort(at_s + np.random.default_rng(seed).uniform(0, jitter_s, len(at_s)))


def as_ns(time_s):
    return np.round(np.asarray(time_s) * 1e9).astype(np.int64)


@given(st.integers(2, 60), st.floats(0.001, 0.004), st.floats(0.5, 5), st.integers(0, 99))
def test_of_bursts_it_is_the_pause(pages, apart_s, every_s, seed):
    time_s = bursts(pages, apart_s=apart_s, every_s=every_s, jitter_s=apart_s / 10, seed=seed)
    assert usual_wait_s(as_ns(time_s)) == pytest.approx(every_s - (pages - 1) * apart_s, abs=apart_s)


@given(st.floats(0.005, 2), st.floats(0, 0.3), st.floats(0, 0.2), st.integers(0, 99))
def test_of_what_comes_evenly_it_is_the_period_whatever_is_lost(period_s, jitter, lost, seed):
    rng = np.random.default_rng(seed)
    time_s = (np.arange(400) + rng.uniform(0, jitter, 400)) * period_s
    assert usual_wait_s(as_ns(time_s[rng.random(400) >= lost])) == pytest.approx(period_s, rel=0.35)


def test_what_stands_on_all_pages_is_not_stale_in_the_pauses_but_when_the_bursts_end():
    signals = [Signal("Page", Field(0, 8))]
    time_s = [*bursts(), 60.0, 60.0025]
    channels = decode(
        capture([(t, 0x123, bytes([n % 20])) for n, t in enumerate(time_s)]), one_message(signals, length=1)
    )
    stale = np.flatnonzero(channels["Page"].state == State.STALE)
    assert stale.tolist() == [20 * 40 - 1]


def test_too_few_samples_have_no_usual_wait():
    assert usual_wait_s(as_ns([0, 1])) is None
