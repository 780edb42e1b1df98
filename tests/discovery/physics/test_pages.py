"""Which payloads share a layout, and which bits move in them."""

import numpy as np

from decoder.bits import Field, put_field
from decoder.discovery.carve import carve
from decoder.discovery.field_at import FieldAt, Sampled
from decoder.discovery.physics.containers import families_of
from decoder.discovery.physics.levels import Scan
from decoder.discovery.physics.like_fields import LikeFields
from decoder.discovery.proposal import Selector
from tests.building import capture
from tests.discovery.small_packs import big


def turning(pages, turns, value):
    """Rows: a page number in byte 0 and 16 bits behind it."""
    rows = []
    for at in range(pages * turns):
        payload = put_field(bytes(3), Field(0, 8), at % pages)
        rows.append((0.02 * at, 0x330, put_field(payload, big(8), value(at % pages, at // pages))))
    return capture(rows)


def test_one_byte_that_numbers_pages_is_not_taken_with_the_next():
    noise = np.random.default_rng(2).integers(0, 200, (32, 36))
    frames = turning(32, 36, lambda page, turn: 7424 + 256 * (turn // 18) + int(noise[page, turn]))
    selectors = {
        one.selector.field
        for family in families_of(carve(frames))
        for one in family.containers
        if one.selector is not None
    }
    assert {(one.first_byte, one.length) for one in selectors} == {(0, 8)}


def test_waking_up_is_no_movement():
    frames = turning(40, 6, lambda page, turn: 0xFFFF if turn == 0 else 652 + (page == 3) * turn % 2)
    families = [one for one in families_of(carve(frames)) if one.in_pages and len(one.containers) == 40]
    assert families
    for family in families:
        moving = Scan(family).of_order["little"].moving
        assert not np.delete(moving, 3, axis=0).any()
        assert moving[3].any()


def test_values_leap_where_an_upper_bit_that_moves_is_cut_off():
    frames = turning(20, 30, lambda page, turn: 32768 + (-1) ** turn * (page + 1))
    found = carve(frames)
    sampled = Sampled([one.stream for one in found])
    family = next(one for one in families_of(found) if one.in_pages)
    key = family.containers[0].key
    fields = tuple(FieldAt(key, big(8), Selector(Field(0, 8), page)) for page in range(20))
    row = LikeFields(fields, (16, 15), 16, 0.0, sampled)
    assert row.leaps(16) == 0
    assert row.leaps(15) > 0.3
