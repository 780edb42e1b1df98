"""Where multiplexors stand, and what depends on them."""

from __future__ import annotations

import numpy as np

from decoder.bits import Field
from decoder.discovery.carving.multiplexors import possible_multiplexors, with_all

N = 600
TURN = np.arange(N)
FREE = np.ones(64, np.bool_)


def cells(page, chance):
    """Give three bytes that stay near a level of their own under each page."""
    levels = chance.integers(20, 230, (int(page.max()) + 1, 3))
    return (levels[page] + chance.integers(-1, 2, (len(page), 3))).astype(np.uint8)


def test_a_multiplexor_behind_check_and_counter_stands_in_a_usual_place():
    chance = np.random.default_rng(1)
    data = np.zeros((N, 8), np.uint8)
    page = TURN % 6
    data[:, 0] = chance.integers(0, 256, N)
    data[:, 1] = TURN % 16
    data[:, 2] = page
    data[:, 3:6] = cells(page, chance)
    free = FREE.copy()
    free[:8] = False  # the check is known
    best = possible_multiplexors(data, free)[0]
    assert (best.field.start, best.is_usual) == (16, True)


def test_of_module_and_page_the_module_is_the_outer_one():
    chance = np.random.default_rng(2)
    data = np.zeros((N, 8), np.uint8)
    place = TURN % 12
    data[:, 0], data[:, 1] = place // 4, place % 4
    data[:, 2:5] = cells(place, chance)
    (outer,) = possible_multiplexors(data, FREE)
    assert outer.field == Field(0, 2)
    assert outer.is_clear


def test_what_is_common_and_seldom_flips_does_not_depend_on_the_page():
    chance = np.random.default_rng(3)
    data = np.zeros((N, 8), np.uint8)
    page = chance.integers(0, 20, N)
    data[:, 0] = page
    data[:, 1:4] = cells(page, chance)
    data[TURN > 250, 6] |= 0x10
    dependent = with_all(possible_multiplexors(data, FREE)[0], data, FREE).dependent
    assert dependent[8:32].any()
    assert not dependent[48:56].any()
