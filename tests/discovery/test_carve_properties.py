"""What holds for the carving of any payloads."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from decoder.discovery.carve import carve
from tests.building import capture
from tests.discovery.made_captures import assert_sound, sent

SORTS = ["still", "noise", "counter", "number", "states", "flag", "once", "turn"]


def column(chance, count, sort):
    at = np.arange(count)
    if sort == "still":
        return np.full(count, chance.integers(256))
    if sort == "noise":
        return chance.integers(0, 256, count)
    if sort == "counter":
        return at * int(chance.choice([1, 1, 2, 3])) % int(chance.choice([4, 15, 16, 256]))
    if sort == "number":
        return np.cumsum(chance.integers(-2, 3, count)) % 256
    if sort == "states":
        return np.where(chance.random(count) < 0.2, chance.integers(0, 4, count) * 4, 0x55)
    if sort == "flag":
        return (chance.random(count) < 0.3) << int(chance.integers(8))
    if sort == "once":
        return np.where(at < chance.integers(count + 1), 255, chance.integers(256))
    return at % int(chance.integers(2, 5))


def matrix(seed, count, sorts):
    chance = np.random.default_rng(seed)
    columns = [column(chance, count, sort) for sort in sorts]
    return np.array(columns, np.int64).T.reshape(count, len(sorts)).astype(np.uint8)


@settings(max_examples=25)
@given(st.integers(0, 2**32), st.integers(1, 40), st.lists(st.sampled_from(SORTS), min_size=1, max_size=4))
def test_fields_never_overlap_and_stay_inside(seed, count, sorts):
    rows = [row.tobytes() for row in matrix(seed, count, sorts)]
    (found,) = carve(capture(sent(rows)))
    assert found.stream.data.shape == (count, len(sorts))
    assert_sound(found)


@settings(max_examples=15)
@given(st.lists(st.binary(max_size=8), max_size=6), st.sampled_from([0x123, 0x18FF0017, 0x7E8]))
def test_any_few_frames_are_carved(rows, can_id):
    for found in carve(capture(sent(rows, can_id))):
        assert_sound(found)
