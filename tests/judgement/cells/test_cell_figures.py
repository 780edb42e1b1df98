"""Figures of cells and modules against what a made pack truly is."""

import numpy as np
import pytest

from decoder.judgement.cells.balancing import bleeding, neighbours
from decoder.judgement.cells.cell_figures import cell_figures
from decoder.judgement.cells.cell_table import cell_table
from tests.judgement.made_cells import Cells, Pack, channels_of

OFFSETS_MV = np.array([0, 5, -3, 1, -1, 0, 2, -10, 0, 0, 1, -2])  # medians: 0 in both modules of six
STEPS = ((0.0, 0.0), (200.0, 100.0), (400.0, 0.0))


def made(steps=STEPS):
    ohm = np.full(12, 0.001)
    ohm[3] = 0.0013
    return Cells(OFFSETS_MV / 1000, ohm, np.zeros(12), np.full(12, 60.0), steps)


def figures(pack):
    channels = channels_of(pack)
    return cell_figures(channels, cell_table(channels))


def test_offsets_spreads_and_order_at_rest_and_under_load():
    found = figures(Pack(made().volt, (6, 6), current=made().current))
    assert found.rest_v == pytest.approx(3.7 + OFFSETS_MV / 1000)
    assert found.rest_offset_v == pytest.approx(OFFSETS_MV / 1000)
    # Cell 4 gives way by 30 mV more: 1 - 30 = -29; the median of 0, 5, -3, -29, -1, 0 is then -0.5.
    assert found.load_offset_v[:6] * 1000 == pytest.approx([0.5, 5.5, -2.5, -28.5, -0.5, 0.5])
    assert found.rest_spread_v == pytest.approx({1: 0.008, 2: 0.012})
    assert found.load_spread_v == pytest.approx({1: 0.034, 2: 0.012})
    assert found.leads == {1: 1, 2: 6}
    assert found.lags == {1: 2, 2: 7}


def test_spread_over_state_of_charge():
    def volt(time_s):
        return made(((0.0, 0.0),)).volt(time_s) + np.where(time_s < 300, 0, 1) * np.linspace(0, 0.02, 12)

    found = figures(Pack(volt, (6, 6), charge=lambda at: np.where(at < 300, 81.0, 63.5)))
    later = OFFSETS_MV / 1000 + np.linspace(0, 0.02, 12)
    assert [at for at, _ in found.spread_by_charge] == [62.5, 82.5]
    assert found.spread_by_charge[0][1] == pytest.approx(np.ptp(later), abs=0.001)
    assert found.spread_by_charge[1][1] == pytest.approx(0.015)


def test_a_pack_that_never_rests_keeps_what_a_line_over_the_current_leaves():
    steps = tuple((60.0 * n, ampere) for n, ampere in enumerate([20, 100, 40, -60, 80, 30, 60, 20, 90, 10]))
    found = figures(Pack(made(steps).volt, (6, 6), current=made(steps).current))
    assert np.isnan(found.rest_v).all()
    assert found.rest_offset_v == pytest.approx(OFFSETS_MV / 1000, abs=0.0006)
    assert found.rest_spread_v == {}
    assert found.leads == {1: 1, 2: 6}


def test_nothing_known_is_nothing_said():
    constant = made(((0.0, 100.0),))
    found = figures(Pack(constant.volt, (6, 6), current=constant.current))
    assert np.isnan(found.rest_offset_v).all()
    assert found.leads == {}
    assert found.spread_by_charge == ()


def test_balancing_is_told_by_cell_with_the_cells_beside():
    channels = channels_of(Pack(made().volt, (6, 6), bleeding={(1, 6): (100, 200), (2, 2): (0, 1e9)}))
    table = cell_table(channels)
    flags = bleeding(channels, table)
    assert np.flatnonzero(flags.known).tolist() == [5, 7]
    at = table.scans.time_ns / 1e9
    assert flags.on[(at > 101) & (at < 199), 5].all()
    assert not flags.on[(at < 99) | (at > 201), 5].any()
    assert np.flatnonzero(flags.touched[at > 201].all(axis=0)).tolist() == [6, 7, 8]
    assert np.flatnonzero(flags.touched.any(axis=0)).tolist() == [4, 5, 6, 7, 8]
    assert (5, 6) not in neighbours(table)  # the last cell of a module and the first of the next
