"""Fewer points, the same peaks."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from decoder.bits import Field
from decoder.channels import decode
from decoder.maps.signal_map import Signal
from decoder.report.decimation import decimated, envelope
from tests.building import capture, one_message

VALUES = st.lists(st.one_of(st.floats(-1e6, 1e6), st.just(float("nan"))), min_size=1, max_size=400)


@given(VALUES, st.integers(4, 60))
def test_peaks_ends_and_order_stay(values, most):
    value = np.array(values)
    chosen = decimated(value, most)
    assert len(chosen) <= most or len(value) <= most
    assert chosen[0] == 0
    assert chosen[-1] == len(value) - 1
    assert (np.diff(chosen) > 0).all()
    if np.isfinite(value).any():
        assert np.nanmax(value[chosen]) == np.nanmax(value)
        assert np.nanmin(value[chosen]) == np.nanmin(value)


def test_one_spike_among_a_million_stays():
    value = np.zeros(1_000_000)
    value[654_321] = 5.0
    chosen = decimated(value, 1000)
    assert 654_321 in chosen
    assert len(chosen) <= 1000


def test_a_line_still_breaks_where_nothing_was_measured():
    value = np.arange(10_000.0)
    value[4000:6000] = np.nan
    chosen = decimated(value, 100)
    assert np.isnan(value[chosen]).any()
    assert np.isfinite(value[chosen][[0, -1]]).all()


def series_of(times, values):
    rows = [(t, 0x123, int(v).to_bytes(2, "little")) for t, v in zip(times, values, strict=True)]
    return decode(capture(rows), one_message([Signal("X", Field(0, 16))]))["X"]


@given(st.lists(st.tuples(st.integers(0, 99), st.integers(0, 1000)), min_size=1, max_size=80), st.integers(1, 12))
def test_an_envelope_is_what_a_plain_loop_finds(pairs, bins):
    pairs = sorted(pairs, key=lambda pair: pair[0])
    series = series_of([t / 10 for t, _ in pairs], [v for _, v in pairs])
    edges = np.linspace(0, 10_000_000_001, bins + 1).astype(np.int64)
    low, high = envelope([series], edges)[:, 0]
    for number in range(bins):
        inside = [v for t, v in pairs if edges[number] <= t * 100_000_000 < edges[number + 1]]
        before = [v for t, v in pairs if t * 100_000_000 < edges[number]]
        if not inside and before and edges[number] <= pairs[-1][0] * 100_000_000:
            inside = before[-1:]
        if inside:
            assert (low[number], high[number]) == (min(inside), max(inside))
        else:
            assert np.isnan(low[number])
            assert np.isnan(high[number])
