"""Rows of cells: every cell once, no row too long."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from decoder.report.cell_pictures import CellPoints, cell_picture, rows_of_modules


@given(st.lists(st.integers(1, 60), min_size=1, max_size=30), st.integers(4, 40))
def test_every_cell_stands_in_one_row_and_no_row_is_too_long(sizes, across):
    module = np.repeat(np.arange(1, len(sizes) + 1), sizes)
    rows = rows_of_modules(module, across)
    assert np.concatenate([part for row in rows for part in row]).tolist() == list(range(len(module)))
    assert all(sum(map(len, row)) <= across for row in rows)
    assert all(len(set(module[part])) == 1 for row in rows for part in row)


def test_a_cell_without_a_value_is_drawn_as_unknown_and_a_finding_by_its_number():
    value = np.array([1.0, np.nan, -30.0, 2.0])
    points = CellPoints(np.ones(4, int), np.arange(1, 5), value, None, "mV", 0, 0.0, {2: (7, "◆", "warning")})
    wide, narrow = cell_picture(points, "p", "Cells", "four cells")
    for picture in (wide, narrow):
        assert ">×<" in picture
        assert "◆ 7" in picture
        assert "\u221230" in picture


def test_nothing_known_at_all_still_draws():
    points = CellPoints(np.zeros(3, int), np.arange(1, 4), np.full(3, np.nan), None, "mV", 0, 0.0, {})
    assert len(cell_picture(points, "p", "Cells", "none")) == 2
