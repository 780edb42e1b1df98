"""Quantities from physics alone, on small packs whose every field is known."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoder.discovery.carve import carve
from decoder.discovery.infer import infer
from decoder.discovery.inference import Inference
from tests.building import capture, conversation
from tests.discovery.small_packs import (
    STEP_S,
    cell_arrays,
    cells_v,
    current_a,
    joined,
    lowest_bit,
    paged,
    places,
    recorded,
    unrelated,
    whole_pack,
)

CURRENT = current_a()
VOLT = cells_v(CURRENT)
NOISE = np.random.default_rng(8)
EXPECTED = [(0x310 + frame, None, 8 + 16 * slot) for frame in range(6) for slot in range(4)]


@pytest.fixture(scope="module")
def pack():
    return infer(recorded(joined(VOLT), whole_pack(VOLT, CURRENT), unrelated()))


def channel(inference, quantity, can_id):
    return next((o for o in inference.channels if o.quantity == quantity and o.at.stream.can_id == can_id), None)


def test_all_cells_are_found_in_order_and_at_their_scale(pack):
    (array,) = cell_arrays(pack)
    assert places(array) == EXPECTED
    assert (array.scale, array.offset, array.unit) == (0.001, 0, "V")
    assert array.likelihood > 0.8
    assert [one.order for one in array.members] == list(range(1, 25))
    assert all(one.place.module is None and one.place.cell is None for one in array.members)


def test_the_sum_of_the_cells_is_told_as_evidence(pack):
    (array,) = cell_arrays(pack)
    told = {one.what: one for one in array.evidence}
    assert told["sum equals pack voltage"].numbers["cells"] == 24
    assert told["sum equals pack voltage"].numbers["sum_v"] == pytest.approx(np.median(VOLT.sum(axis=1)), abs=0.3)
    assert "120" in told["sum equals pack voltage"].text
    assert told["close together"].numbers["spread"] == pytest.approx(np.ptp(np.median(VOLT, axis=0)), abs=0.002)


def test_the_pack_voltage_is_the_number_that_equals_the_sum(pack):
    found = channel(pack, "pack voltage", 0x120)
    assert lowest_bit(found.at.field) == 8
    assert found.scale == 0.1


def test_the_current_is_the_number_that_the_cells_voltage_steps_with(pack):
    found = channel(pack, "pack current", 0x120)
    assert lowest_bit(found.at.field) == 24
    assert found.at.field.signed
    assert found.scale > 0  # positive while discharging, as the wire counts it
    assert found.evidence[0].numbers["mohm"] == pytest.approx(0.9, rel=0.1) or found.scale != 0.1


def test_a_current_counted_while_charging_has_a_negative_scale():
    found = infer(recorded(joined(VOLT), whole_pack(VOLT, -CURRENT)))
    assert channel(found, "pack current", 0x120).scale < 0


def test_pages_are_one_array_in_the_order_of_their_numbers():
    (array,) = cell_arrays(infer(recorded(paged(VOLT), whole_pack(VOLT, CURRENT))))
    assert places(array) == [(0x330, page, 16 + 16 * slot) for page in range(8) for slot in range(3)]


def test_a_long_answer_is_searched_like_frames():
    talk = []
    for at, scan in enumerate(VOLT[::4]):
        content = b"".join(round(value / 0.001).to_bytes(2, "big") for value in scan)
        talk.append((4 * at * STEP_S, b"\x22\x01\x04", b"\x62\x01\x04" + content))
    (array,) = cell_arrays(infer(capture(conversation(talk))))
    assert [lowest_bit(one.at.field) for one in array.members] == [8 * (3 + 2 * cell + 1) for cell in range(24)]
    assert array.members[0].at.stream.carrier.prefix == b"\x62\x01\x04"


def test_copies_at_another_scale_are_an_array_of_their_own():
    copies = joined(VOLT, first_id=0x400, scale=0.0001, begin_s=0.02)
    arrays = cell_arrays(infer(recorded(joined(VOLT), copies, whole_pack(VOLT, CURRENT))))
    assert sorted((one.scale, len(one.members)) for one in arrays) == [(0.0001, 24), (0.001, 24)]
    assert all(any(some.what == "same values elsewhere" for some in one.evidence) for one in arrays)


def test_highest_lowest_and_mean_are_no_members():
    volt = np.round(VOLT, 3)
    summary = np.stack([volt.max(axis=1), volt.min(axis=1), volt.mean(axis=1)], axis=1)
    found = infer(recorded(joined(volt), joined(summary, first_id=0x316, begin_s=0.02)))
    (array,) = [one for one in cell_arrays(found) if len(one.members) > 6]
    assert places(array) == EXPECTED


def test_what_rests_behind_the_last_cell_is_no_member():
    volt = VOLT[:, :22]
    (array,) = cell_arrays(infer(recorded(joined(volt), whole_pack(volt, CURRENT))))
    assert places(array) == EXPECTED[:22]


def test_no_two_claims_share_a_bit(pack):
    taken = [
        (at.stream, at.multiplexor, bit)
        for at in [m.at for a in pack.arrays for m in a.members] + [c.at for c in pack.channels]
        for bit in at.field.bit_numbers()
    ]
    assert len(taken) == len(set(taken))


def test_likelihoods_of_a_claim_and_its_rivals_are_chances(pack):
    for one in (*pack.arrays, *pack.channels):
        assert 0 < one.likelihood <= 1
        assert all(0 <= rival.likelihood <= 1 for rival in one.rivals)
        assert all(rival.why for rival in one.rivals)


@settings(max_examples=5, deadline=None)
@given(st.integers(0x200, 0x6C0), st.sampled_from((1, 2)))
def test_shifting_the_identifiers_of_an_array_changes_nothing_else(first_id, step):
    few = slice(0, 80)
    found = infer(recorded(joined(VOLT[few], first_id, step), whole_pack(VOLT[few], CURRENT[few])))
    (array,) = cell_arrays(found)
    assert places(array) == [(first_id + step * (can_id - 0x310), page, bit) for can_id, page, bit in EXPECTED]
    assert array.scale == 0.001


@settings(max_examples=4, deadline=None)
@given(st.permutations((0x500, 0x540, 0x580)))
def test_other_streams_may_stand_anywhere(ids):
    few = slice(0, 80)
    others = [row for which, can_id in enumerate(ids) for row in unrelated(80, seed=which, first_id=can_id)[::2]]
    found = infer(recorded(joined(VOLT[few]), whole_pack(VOLT[few], CURRENT[few]), others))
    assert [places(one) for one in cell_arrays(found)] == [EXPECTED]


def test_without_the_pack_voltage_no_cell_is_lost(pack):
    (with_it,) = cell_arrays(pack)
    (without,) = cell_arrays(infer(recorded(joined(VOLT), unrelated())))
    assert places(without) == places(with_it)
    assert without.likelihood <= with_it.likelihood


def test_no_array_is_seen_in_noise():
    chance = np.random.default_rng(1)
    rows = [(0.1 * at, 0x310 + which, chance.bytes(8)) for at in range(120) for which in range(4)]
    assert all(one.likelihood < 0.5 for one in infer(capture(rows)).arrays)


@pytest.mark.parametrize(
    "rows",
    [
        [],
        [(0.0, 0x123, b"")],
        [(0.0, 0x123, bytes(8))],
        [(0.1 * at, 0x123, b"\x01") for at in range(30)],
        [(0.0, 0x123, bytes([at] * 8)) for at in range(30)],
        [(9.0 - 0.1 * at, 0x123 + at % 3, NOISE.bytes(8)) for at in range(60)],
        [(0.1 * at, 0x123, b"\xff" * 8) for at in range(30)],
    ],
    ids=["nothing", "no bytes", "one frame", "one byte", "one time", "backwards", "all ones"],
)
def test_captures_that_say_nothing_give_nothing_sure(rows):
    found = infer(capture(rows))
    assert isinstance(found, Inference)
    assert not [one for one in (*found.arrays, *found.channels) if one.likelihood > 0.5]


def test_known_carvings_are_used_and_progress_is_told():
    frames = recorded(joined(VOLT[:60]), whole_pack(VOLT[:60], CURRENT[:60]))
    told = []
    assert infer(frames, carvings=carve(frames), progress=told.append) == infer(frames)
    assert told == sorted(told)
    assert 0 < told[-1] <= 1
