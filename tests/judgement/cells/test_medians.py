"""Medians with gaps as numpy has them, and the slope of Theil and Sen."""

import warnings

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import array_shapes, arrays

from decoder.judgement.cells.medians import column_medians, median_of, row_medians, slopes, spread_of

TABLES = arrays(
    np.float64,
    array_shapes(min_dims=2, max_dims=2, max_side=7),
    elements=st.one_of(st.floats(-10, 10), st.just(np.nan)),
)


def as_numpy(table, axis):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return np.nanmedian(table, axis=axis)


@given(TABLES)
def test_medians_are_those_of_numpy_with_gaps_left_out(table):
    assert row_medians(table) == pytest.approx(as_numpy(table, 1), nan_ok=True)
    assert column_medians(table, np.ones(len(table), bool)) == pytest.approx(as_numpy(table, 0), nan_ok=True)


def test_values_left_out_do_not_count():
    table = np.array([[1.0], [2.0], [9.0]])
    assert column_medians(table, np.ones(3, bool), table > 5) == pytest.approx([1.5])
    assert column_medians(table, table[:, 0] > 5) == pytest.approx([9])


def test_the_published_example_of_the_modified_z_score():
    volts = np.array([3.651, 3.652, 3.650, 3.649, 3.652, 3.590])
    z = 0.6745 * (volts - median_of(volts)) / spread_of(volts)
    assert z[-1] == pytest.approx(-27.2, abs=0.05)
    assert np.abs(z[:-1]).max() < 0.7


def test_the_slope_of_theil_and_sen_does_not_follow_one_outlier():
    assert slopes(np.arange(5.0), np.array([[1.0, 2, 3, 4, 50]]).T) == pytest.approx([1])


def test_nothing_gives_nan():
    assert np.isnan(median_of(np.array([np.nan])))
    assert np.isnan(slopes(np.zeros(1), np.zeros((1, 1)))).all()
    assert np.isnan(row_medians(np.zeros((2, 0)))).all()
