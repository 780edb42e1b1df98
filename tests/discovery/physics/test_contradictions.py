"""What cannot be true at once: cells of one pack are alike, modules add up to it, summaries are no cells."""

import numpy as np
import pytest

from decoder.bits import Field, put_field
from decoder.discovery.carve import carve
from decoder.discovery.field_at import FieldAt, Sampled, StreamKey
from decoder.discovery.infer import infer
from decoder.discovery.physics.array_meanings import Meaning
from decoder.discovery.physics.like_fields import LikeFields, freed
from decoder.discovery.physics.series import Track
from decoder.discovery.physics.singles import Single
from decoder.discovery.physics.weighing import Weighed, _without_contradictions
from tests.discovery.small_packs import big, cell_arrays, cells_v, current_a, joined, recorded, whole_pack

KEY = StreamKey("can0", 0x123, extended=False)
SAMPLED = Sampled([])


def weighed(quantity, members, value, chance=0.9):
    fields = tuple(FieldAt(KEY, Field(16 * number, 16)) for number in range(members))
    meaning = Meaning(quantity, 0.001, 0.0, 16, value, 0.004, -2.0)
    return Weighed(LikeFields(fields, (16,), 16, 100.0, SAMPLED), (meaning,), (chance,))


@pytest.mark.parametrize(("value", "stays"), [(3.65, True), (3.2, False)])
def test_cells_of_one_pack_are_alike(value, stays):
    first, other = _without_contradictions([weighed("cell voltage", 48, 3.7), weighed("cell voltage", 14, value)])
    assert first.chances[0] == 0.9
    assert (other.chances[0] > 0.5) is stays


def test_without_cells_nothing_is_held_against_anything():
    alone = [weighed("module voltage", 4, 30.0), weighed("cell voltage", 6, 3.2)]
    assert _without_contradictions(alone) == alone


def nested(volt):
    """Rows: module and page in two bytes, three cells of 16 bits; module 0 tells the highest, lowest and mean cell."""
    rows = []
    for at, scan in enumerate(volt):
        summary = (scan.max(), scan.min(), scan.mean())
        pages = [(0, 0, summary)]
        pages += [(1 + one // 4, one % 4, scan[3 * one : 3 * one + 3]) for one in range(len(scan) // 3)]
        for number, (module, page, values) in enumerate(pages):
            payload = put_field(put_field(bytes(8), Field(0, 8), module), Field(8, 8), page)
            for slot, value in enumerate(values):
                payload = put_field(payload, big(16 + 16 * slot), round(value / 0.001))
            rows.append((at * 0.4 + 0.01 * number, 0x330, payload))
    return rows


def test_a_lone_page_before_the_modules_holds_no_cells():
    (array,) = cell_arrays(infer(recorded(nested(cells_v(current_a(60), cells=36)))))
    assert len(array.members) == 36
    assert {one.at.multiplexor.within.value for one in array.members} == {1, 2, 3}


def test_the_last_of_many_coarse_values_may_well_be_the_lowest():
    chance = np.random.default_rng(3)
    rows, warm = [], chance.integers(71, 74, 28)
    warm[27] = 70
    for at in range(40):
        rows += [(0.1 * at + 0.001 * one, 0x200 + one, bytes([warm[one] + (at > 20)])) for one in range(28)]
    sampled = Sampled([one.stream for one in carve(recorded(rows))])
    fields = tuple(FieldAt(StreamKey("can0", 0x200 + one, extended=False), Field(0, 8)) for one in range(28))
    assert len(freed(LikeFields(fields, (8,), 8, 100.0, sampled))) == 28


def test_a_sum_of_two_arrays_names_the_other():
    current = current_a()
    volt = cells_v(current, cells=48)
    found = infer(recorded(joined(volt[:, :24]), joined(volt[:, 24:], 0x330), whole_pack(volt, current)))
    texts = [some.text for one in cell_arrays(found) for some in one.evidence]
    assert any("48 cells, together with 24 fields from 330 on" in text for text in texts)
    assert any("48 cells, together with 24 fields from 310 on" in text for text in texts)
    assert not any("tell the same" in text for text in texts)


@pytest.mark.parametrize(("likely", "bits", "length"), [(0, (8, 8), 8), (9, (8, 16), 9), (0, (10, 16), 10)])
def test_a_number_is_told_in_the_likely_length_or_a_usual_one(likely, bits, length):
    track = Track(np.arange(3.0), np.array([100.0, 101, 102]))
    single = Single(FieldAt(KEY, Field(0, 10)), 7, (), track, 0.9, likely)
    assert single.named(bits).field == Field(0, length)
