"""Small packs whose every field is known, and what is inferred from them."""

import numpy as np

from decoder.bits import Field, put_field
from tests.building import capture

SCALE_V = 0.001
STEP_S = 0.2
COUNT = 200


def current_a(count=COUNT, seed=5):
    """Steps of some seconds, A, positive while discharging."""
    chance = np.random.default_rng(seed)
    levels = chance.uniform(-60, 140, count // 15 + 1)
    return np.repeat(levels, 15)[:count]


def cells_v(current, cells=24, seed=6, rest_v=3.68):
    """Cells of one resistance, some mV apart, with noise: count x cells."""
    chance = np.random.default_rng(seed)
    own = np.clip(chance.normal(0, 0.004, cells), -0.01, 0.01)
    return rest_v + own - current[:, None] * 0.9e-3 + chance.normal(0, 0.0004, (len(current), cells))


def big(position, length=16):
    return Field(position // 8 * 8 + 7 - position % 8, length, "big")


def joined(volt, first_id=0x310, step=1, scale=SCALE_V, begin_s=0.0):
    """Rows: four cells a frame, 16 bits, big-endian, over consecutive identifiers."""
    rows = []
    for at, scan in enumerate(volt):
        for frame in range(0, len(scan), 4):
            payload = bytes(8)
            for slot, value in enumerate(scan[frame : frame + 4]):
                payload = put_field(payload, big(16 * slot), round(value / scale))
            rows.append((begin_s + at * STEP_S + 0.001 * (frame // 4), first_id + step * (frame // 4), payload))
    return rows


def paged(volt, can_id=0x330):
    """Rows: a page number in byte 0, three cells of 16 bits behind it, a page every hundredth of a second."""
    rows = []
    for at, scan in enumerate(volt):
        for page in range(len(scan) // 3):
            payload = put_field(bytes(8), Field(0, 8), page)
            for slot in range(3):
                payload = put_field(payload, big(8 + 16 * slot), round(scan[3 * page + slot] / SCALE_V))
            rows.append((at * STEP_S + 0.01 * page, can_id, payload))
    return rows


def whole_pack(volt, current, can_id=0x120):
    """Rows: pack voltage (0.1 V) and current (0.1 A, signed) in one message."""
    rows = []
    for at, (scan, amps) in enumerate(zip(volt, current, strict=True)):
        payload = put_field(bytes(8), big(0), round(scan.sum() / 0.1))
        payload = put_field(payload, Field(big(16).start, 16, "big", signed=True), round(amps / 0.1))
        rows.append((at * STEP_S + 0.05, can_id, payload))
    return rows


def unrelated(count=COUNT, seed=7, first_id=0x500):
    """Rows: two messages that have nothing to do with a pack."""
    chance = np.random.default_rng(seed)
    walk = 900 + np.cumsum(chance.integers(-3, 4, (count, 2)), axis=0)
    rows = []
    for at in range(count):
        for which in range(2):
            payload = put_field(bytes(4), big(0, 12), int(walk[at, which]))
            rows.append((at * STEP_S + 0.07 + 0.01 * which, first_id + 0x40 * which, payload))
    return rows


def recorded(*parts):
    """One capture of several senders."""
    return capture(sorted((row for rows in parts for row in rows), key=lambda row: row[:2]))


def cell_arrays(inference):
    return [one for one in inference.arrays if one.quantity == "cell voltage"]


def places(array):
    """Identifier, page and start bit of each member, in order."""
    members = sorted(array.members, key=lambda one: one.order)
    return [
        (one.at.stream.can_id, one.at.multiplexor and one.at.multiplexor.value, lowest_bit(one.at.field))
        for one in members
    ]


def lowest_bit(field):
    return field.bit_numbers()[0]
