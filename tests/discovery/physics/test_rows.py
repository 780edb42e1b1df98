"""Rows of like fields: what closeness is worth, what is left out at the ends, what they may mean."""

import numpy as np
import pytest

from decoder.bits import Field
from decoder.discovery.carve import carve
from decoder.discovery.field_at import FieldAt, Sampled, StreamKey
from decoder.discovery.physics.array_meanings import meanings_of
from decoder.discovery.physics.candidates import rows_of
from decoder.discovery.physics.containers import families_of
from decoder.discovery.physics.grids import worth
from decoder.discovery.physics.like_fields import LikeFields, like_fields, with_length
from decoder.discovery.physics.picking import Occupied, picked
from decoder.discovery.physics.series import track_of
from tests.building import capture
from tests.discovery.small_packs import cells_v, current_a, joined, paged, recorded

KEY = StreamKey("can0", 0x123, extended=False)


def test_close_values_are_worth_more_and_filling_ones_nothing():
    close, far = np.array([3700.0, 3701, 3702, 3703]), np.array([3700.0, 3300, 3000, 4000])
    assert worth(close, 12) > worth(far, 12) > 0
    assert worth(np.full(4, 3700.0), 12) == pytest.approx(np.log2(3700))
    assert worth(np.full(4, 0xFF74), 16) < worth(np.full(4, 0x1F74), 16)
    assert worth(np.full(4, 4092.0), 13) > 11


def test_a_module_that_lies_apart_costs_little():
    apart = np.concatenate([np.full(20, 3700.0), np.full(20, 3650.0)])
    mixed = np.array([3700.0, 3650.0] * 20)
    assert worth(apart, 12) > worth(mixed, 12)


@pytest.mark.parametrize("order", ["little", "big"])
def test_a_longer_field_keeps_its_lowest_bit(order):
    at = FieldAt(KEY, Field(20, 8, order))
    assert with_length(at, 12).field.bit_numbers()[:8] == at.field.bit_numbers()


def test_a_field_does_not_begin_before_the_payload():
    with pytest.raises(ValueError, match="before"):
        with_length(FieldAt(KEY, Field(7, 8, "big")), 9)


def test_what_means_not_available_is_left_out():
    rows = [(0.1 * at, 0x123, b"\xff\xff" if at < 5 else bytes([0x0E, 0x60 + at])) for at in range(20)]
    sampled = Sampled([one.stream for one in carve(capture(rows))])
    track = track_of(sampled, FieldAt(KEY, Field(7, 16, "big")))
    assert (len(track), track.absent) == (15, 5)
    assert track.raw.max() == 0x0E60 + 19


def rows_in(frames):
    carvings = carve(frames)
    sampled = Sampled([one.stream for one in carvings])
    return like_fields(picked(rows_of(families_of(carvings)), carvings, sampled, Occupied(sampled)), sampled)


@pytest.mark.parametrize("form", [joined, paged])
def test_the_best_row_of_a_small_pack_is_its_cells(form):
    best = rows_in(recorded(form(cells_v(current_a(80)))))[0]
    assert len(best) == 24
    first, *others = meanings_of(best)
    assert (first.quantity, first.scale) == ("cell voltage", 0.001)
    assert first.value == pytest.approx(3.64, abs=0.1)
    assert all(one.weight <= first.weight for one in others)


def test_the_freed_row_tells_what_it_left_out():
    volt = cells_v(current_a(80), cells=28)
    volt[:, 27] = 3.9  # rests, while the others move
    best = max((row.cut_to(16) for row in rows_in(recorded(joined(volt)))), key=len)
    assert isinstance(best, LikeFields)
    assert len(best) == 27
    assert [why for _, why in best.dropped] == ["does not go with the others"]
