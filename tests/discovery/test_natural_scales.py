"""The table of natural scales holds together."""

from collections import defaultdict

import pytest

from decoder.discovery.natural_scales import NATURAL_SCALES, scales_of
from decoder.maps.quantities import quantity


def test_the_shares_of_each_quantity_add_up_to_one():
    total = defaultdict(float)
    for row in NATURAL_SCALES:
        total[row.quantity] += row.share
    assert total == pytest.approx(dict.fromkeys(total, 1.0))


def test_rows_are_plausible_and_differ():
    assert len(set(NATURAL_SCALES)) == len(NATURAL_SCALES)
    for row in NATURAL_SCALES:
        assert row.scale > 0
        assert 1 <= row.bits[0] <= row.bits[1] <= 64
        plausible = quantity(row.quantity).plausible
        assert plausible is not None
        reach = row.scale * ((1 << row.bits[1]) - 1) + row.offset_of(row.bits[1])
        assert row.offset_of(row.bits[1]) < plausible[1]
        assert reach > plausible[0]


def test_the_most_usual_row_comes_first():
    for name in {row.quantity for row in NATURAL_SCALES}:
        shares = [row.share for row in scales_of(name)]
        assert shares == sorted(shares, reverse=True)
    assert scales_of("contactor") == ()


def test_half_range_rows_mean_zero_in_the_middle():
    row = next(row for row in scales_of("pack current") if row.half_range)
    assert row.scale * (1 << 15) + row.offset_of(16) == 0
