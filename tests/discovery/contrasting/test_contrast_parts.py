"""Parts of contrasting: spans around and away from marks, chances counted, sizes in usual sizes."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from decoder.discovery.contrasting.contrast_fields import Table
from decoder.discovery.contrasting.contrast_odds import chances, timing, usual_of, worth
from decoder.discovery.contrasting.contrast_sizes import flips_of, largest_near, sizes_of
from decoder.discovery.contrasting.contrast_spans import OFF_S, around, away, width_of

TIMES = st.lists(st.floats(0, 300), min_size=1, max_size=8, unique=True)


@given(TIMES, st.floats(0.01, 3))
def test_spans_around_marks_hold_their_mark_and_do_not_overlap(marks_s, period_s):
    spans = around(marks_s, period_s)
    ordered = np.sort(marks_s)
    assert np.all((spans[:, 0] <= ordered) & (ordered <= spans[:, 1]))
    assert np.all(spans[1:, 0] >= spans[:-1, 1] - 1e-9)
    assert np.all(spans[:, 0] >= ordered - OFF_S - 1e-9)
    assert np.all(spans[:, 1] - spans[:, 0] <= width_of(period_s) + 1e-9)


@given(TIMES, st.floats(0, 4), st.floats(1, 9))
def test_spans_away_from_marks_keep_their_distance(marks_s, guard_s, width_s):
    spans = around(marks_s, 0.1)
    quiet = away(0.0, 300.0, spans, width_s, guard_s)
    assert np.all(quiet[:, 0] < quiet[:, 1])
    assert np.all((quiet >= 0) & (quiet <= 300))
    for start, end in quiet:
        assert np.all((end <= spans[:, 0] - guard_s + 1e-9) | (start >= spans[:, 1] + guard_s - 1e-9))
        assert 0.5 * width_s - 1e-9 <= end - start < 2 * width_s
    assert np.all(quiet[1:, 0] >= quiet[:-1, 1] - 1e-9)


def test_a_capture_without_marks_is_quiet_throughout():
    quiet = away(0.0, 100.0, np.empty((0, 2)), 5.0, 2.0)
    assert len(quiet) == 20
    assert (quiet[:, 1] - quiet[:, 0]).sum() == pytest.approx(100)


def test_worth_is_one_on_average_where_nothing_was_done():
    chance = (np.arange(1_000_000) + 0.5) / 1_000_000
    assert np.exp(worth(chance)).mean() == pytest.approx(1.0, abs=0.13)  # the sum misses some of the peak at 0
    assert worth(np.array(1.0)) < 0 < worth(np.array(0.01))


def test_timing_is_one_on_average_over_the_span():
    delays = np.linspace(-OFF_S, width_of(0.1) - OFF_S, 4001)
    assert 0.85 < np.exp(timing(delays, 0.1, width_of(0.1))).mean() <= 1.0
    assert timing(np.array(0.05), 0.1, width_of(0.1)) > 0 > timing(np.array(-2.0), 0.1, width_of(0.1))


def test_chances_of_noise_are_not_too_small():
    rng = np.random.default_rng(4)
    away_sizes, at_marks = rng.gumbel(3, 0.4, (30, 200)), rng.gumbel(3, 0.4, (1, 200))
    chance = chances(usual_of([away_sizes]), away_sizes, at_marks)
    for limit in (0.5, 0.1, 0.05, 0.002):
        assert np.mean(chance < limit) < 1.3 * limit + 0.005  # rather too timid than too bold
    assert np.mean(chance < 0.2) > 0.02


def test_a_larger_change_is_never_likelier():
    rng = np.random.default_rng(5)
    away_sizes = rng.gumbel(3, 0.4, (20, 50))
    rising = np.repeat(np.linspace(1, 60, 40)[:, None], 50, axis=1)
    chance = chances(usual_of([away_sizes]), away_sizes, rising)
    assert np.all(np.diff(chance, axis=0) <= 1e-12)
    assert np.all((chance > 0) & (chance <= 1))


def test_a_fields_own_record_counts():
    away_sizes = np.zeros((20, 50))
    away_sizes[:7, 3] = 9.0
    chance = chances(usual_of([away_sizes]), away_sizes, np.full((1, 50), 8.0))
    assert chance[0, 3] == pytest.approx(7.5 / 21)
    assert chance[0, 4] < 0.01


def test_without_any_span_away_nothing_is_known():
    none = np.empty((0, 5))
    assert np.all(chances(usual_of([none]), none, np.full((1, 5), 1e6)) >= 0.4)


def test_marks_at_which_a_field_was_not_heard_have_no_chance():
    away_sizes = np.ones((5, 2))
    chance = chances(usual_of([away_sizes]), away_sizes, np.array([[np.nan, 2.0]]))
    assert np.isnan(chance[0, 0])
    assert chance[0, 1] <= 1


def table(values, period_s=0.1):
    values = np.asarray(values, float).reshape(len(values), -1)
    return Table((None,) * values.shape[1], np.arange(len(values)) * period_s, values)


QUIET = np.array([[0.0, 30.0]])


def test_a_step_is_largest_where_it_is_and_as_large_as_it_is():
    values = np.random.default_rng(1).normal(0, 1, 600) + 20 * (np.arange(600) >= 400)
    sizes = sizes_of(table(values), "step", QUIET)
    at = np.nanargmax(sizes.size[:, 0])
    assert sizes.moment_s[at] == pytest.approx(40.0, abs=0.3)
    assert sizes.raw[at, 0] == pytest.approx(20, abs=2)
    assert sizes.size[at, 0] > 10


def test_a_steady_trend_is_no_change():
    values = np.random.default_rng(1).normal(0, 1, 600) + np.arange(600)
    assert np.nanmax(np.abs(sizes_of(table(values), "step", QUIET).size)) < 7
    assert np.nanmax(np.abs(sizes_of(table(values), "drift", QUIET).size)) < 7


def test_a_bend_is_found_and_a_step_is_no_bend():
    noise = np.random.default_rng(1).normal(0, 1, 900)
    bent = noise + 3 * np.clip(np.arange(900) - 600, 0, None)
    sizes = sizes_of(table(bent), "drift", QUIET)
    at = np.nanargmax(sizes.size[:, 0])
    assert sizes.moment_s[at] == pytest.approx(60.0, abs=1.5)
    assert sizes.raw[at, 0] == pytest.approx(30, rel=0.2)  # a second
    step = noise + 40 * (np.arange(900) >= 600)
    near = np.abs(sizes_of(table(step), "drift", QUIET).size[580:620])
    assert np.nanmax(near) < 0.2 * np.nanmax(sizes.size)


@given(st.lists(st.integers(0, 9), min_size=2, max_size=60), st.integers(0, 30))
def test_the_largest_near_is_what_a_plain_search_finds(values, reach):
    columns = np.array(values, float)[:, None]
    moments = np.arange(len(values), dtype=float)
    plain = [max(values[max(0, at - reach) : at + reach + 1]) for at in range(len(values))]
    assert largest_near(columns, moments, reach + 0.5)[:, 0].tolist() == plain


def test_flips_have_a_sign_and_a_time():
    sizes = flips_of(table([0, 0, 1, 1, 0, 2]))
    assert sizes.moment_s.tolist() == pytest.approx([0.2, 0.4, 0.5])
    assert sizes.size[:, 0].tolist() == [1, -1, 1]
    assert sizes.raw[:, 0].tolist() == [1, -1, 2]
