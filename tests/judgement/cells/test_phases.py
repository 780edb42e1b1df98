"""Rest and load, told by the current where there is one, else by the median cell."""

import numpy as np
import pytest

from decoder.judgement.cells.cell_table import cell_table
from decoder.judgement.cells.phases import largest_a, load, rest, rested_s, stretches
from tests.judgement.made_cells import Pack, cells, channels_of

STEPS = ((0.0, 0.0), (100.0, 80.0), (200.0, 0.0))


def table_of(steps, *, with_current=True, **more):
    made = cells(12, steps=steps)
    return cell_table(channels_of(Pack(made.volt, (12,), current=made.current if with_current else None, **more)))


def seconds(table):
    return table.scans.time_ns / 1e9


def test_rest_begins_ten_seconds_after_a_load_and_at_once_with_the_capture():
    table = table_of(STEPS)
    at = seconds(table)
    assert rest(table)[(at > 1) & (at < 99)].all()
    assert not rest(table)[(at > 101) & (at < 209)].any()
    assert rest(table)[at > 211].all()


def test_rested_since():
    table = table_of(STEPS)
    at = seconds(table)
    since = rested_s(table)
    assert np.isinf(since[(at > 1) & (at < 99)]).all()
    assert (since[(at > 101) & (at < 199)] == 0).all()
    assert since[np.argmin(np.abs(at - 260))] == pytest.approx(60, abs=2)


def test_a_small_current_is_rest_beside_a_large_one_only():
    beside_large = table_of(((0.0, 2.0), (100.0, 300.0), (200.0, 2.0)))
    beside_small = table_of(((0.0, 2.0), (100.0, 10.0), (200.0, 2.0)))
    early = seconds(beside_large) < 90
    assert rest(beside_large)[early].sum() > 50
    assert not rest(beside_small).any()


def test_load_is_the_large_and_steady_current():
    table = table_of(((0.0, 0.0), (100.0, 80.0), (200.0, 10.0), (300.0, -70.0), (400.0, 0.0)))
    at = seconds(table)
    loaded = load(table)
    assert loaded[(at > 104) & (at < 196)].all()
    assert loaded[(at > 304) & (at < 396)].all()
    assert not loaded[(at < 98) | ((at > 204) & (at < 296)) | (at > 404)].any()
    assert largest_a(table) == pytest.approx(80)


def test_without_a_current_rest_is_where_the_median_cell_stands_still():
    table = table_of(((0.0, 0.0), (200.0, 80.0), (210.0, 20.0), (220.0, 120.0), (230.0, 0.0)), with_current=False)
    at = seconds(table)
    assert rest(table)[at < 140].all()
    assert not rest(table)[(at > 201) & (at < 240)].any()
    assert rest(table)[at > 560].all()
    assert not load(table).any()


def test_without_a_current_half_an_hours_discharge_is_no_rest():
    made = cells(12, slope_v_per_s=-0.5 / 3600)
    assert not rest(cell_table(channels_of(Pack(made.volt, (12,))))).any()


def test_stretches_end_where_what_holds_ends_and_where_the_capture_is_silent():
    time_ns = np.array([0, 1, 2, 3, 4, 500, 501, 502]) * 10**9
    inside = np.array([1, 1, 0, 1, 1, 1, 1, 0], bool)
    assert stretches(time_ns, inside) == [(0, 2), (3, 5), (5, 7)]
    assert stretches(time_ns[:0], inside[:0]) == []
    assert stretches(time_ns[:1], inside[:1]) == [(0, 1)]


def _through_a_sensor(steps, *, offset_a, noise_a, **more):
    """A pack whose sensor of the current has an offset and noise: twenty minutes, four samples a second."""
    made = cells(12, steps=steps, **more)
    rng = np.random.default_rng(3)

    def shown(time_s):
        return made.current(time_s) + offset_a + rng.normal(0, noise_a, np.shape(time_s))

    return cell_table(channels_of(Pack(made.volt, (12,), seconds=1200, current=shown)))


@pytest.mark.parametrize("offset_a", [-0.5, -0.3, 0.1, 0.5])
def test_the_offset_and_noise_of_an_ordinary_sensor_do_not_cut_a_rest_to_pieces(offset_a):
    table = _through_a_sensor(((0.0, 0.0), (500.0, 20.0), (520.0, 0.0)), offset_a=offset_a, noise_a=0.2)
    at, resting = seconds(table), rest(table)
    assert resting[at < 499].all()
    assert not resting[(at > 501) & (at < 529)].any()
    assert resting[at > 540].all()


@pytest.mark.parametrize("current_a", [-1.2, 1.2])
def test_a_small_constant_current_is_no_rest_where_the_cells_drift_with_it(current_a):
    drifts = np.full(12, -np.sign(current_a) * 0.06 / 3600)
    table = _through_a_sensor(((0.0, current_a),), offset_a=0.0, noise_a=0.1, slope_v_per_s=drifts)
    assert not rest(table).any()
    assert rest(_through_a_sensor(((0.0, current_a),), offset_a=0.0, noise_a=0.1)).all()


def test_a_short_discharge_between_rests_is_no_rest_beside_a_noisy_sensor():
    table = _through_a_sensor(((0.0, 0.0), (400.0, 3.0), (430.0, 0.0)), offset_a=0.2, noise_a=0.2)
    at = seconds(table)
    assert not rest(table)[(at > 406) & (at < 424)].any()
