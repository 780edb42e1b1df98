"""Labels of readings say where cells sit: cells per module are solved for, copies share places, doubt stays doubt."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoder.bits import Field
from decoder.discovery.drafts.copies import Copy, copies_among
from decoder.discovery.drafts.place_words import place_in, quantity_in
from decoder.discovery.drafts.placing import place_arrays, with_places
from decoder.discovery.field_at import FieldAt, Sampled, StreamKey
from decoder.discovery.inference import ArrayClaim, Member
from decoder.discovery.pinned import Match, Pinned
from decoder.discovery.proposal import Carrier, Stream
from decoder.maps.pack_sheet import PackSheet, Place

PREFIX = bytes.fromhex("620104")


def key(first, carrier=None):
    return StreamKey("can0", first, False, carrier)


def array(count, first=0x310, quantity="cell voltage", carrier=None, scale=0.001, places=()):
    """Two fields of 16 bits an identifier."""
    members = [
        Member(
            FieldAt(key(first + at // 2, carrier), Field(7 + 16 * (at % 2), 16, "big")),
            at + 1,
            places[at] if places else Place(),
        )
        for at in range(count)
    ]
    return ArrayClaim(quantity, "V", scale, 0, tuple(members), 0.95)


def reading(label, *matches):
    """A label with (array, order, likelihood)."""
    found = [Match(one.members[order - 1].at, 0.001, 0, 0.001, likelihood) for one, order, likelihood in matches]
    return Pinned(label, "V", 3, 0, None, tuple(found))


@pytest.mark.parametrize(
    ("label", "place"),
    [
        ("module 4 cell 11", Place(4, 11)),
        ("Mod4_Cell11 voltage", Place(4, 11)),
        ("m4 c11", Place(4, 11)),
        ("cell 017", Place(None, 17)),
        ("module 1 sensor 2", Place(1, None, 2)),
        ("pack voltage", Place()),
        ("cell 0", Place()),
        ("12 V supply", Place()),
        ("4", Place()),
    ],
)
def test_a_label_says_where(label, place):
    assert place_in(label) == place


def test_a_label_says_what():
    assert quantity_in("module 4 cell 11", "V") == "cell voltage"
    assert quantity_in("pack voltage", "V") == "pack voltage"
    assert quantity_in("something", "V") is None
    words = ("pack voltage", "pack current", "module 2 cell 3", "module 1 temperature 2", "soc", "insulation", "x")
    assert [quantity_in(one) for one in words] == [
        "pack voltage",
        "pack current",
        "cell voltage",
        "module temperature",
        "state of charge",
        "insulation resistance",
        None,
    ]


@settings(max_examples=150, deadline=None)
@given(st.integers(2, 8), st.integers(2, 24), st.data())
def test_labels_that_fit_only_one_number_of_cells_place_all(modules, cells, data):
    one = array(modules * cells)
    labels = []
    for _ in range(3):
        module, cell = data.draw(st.integers(2, modules)), data.draw(st.integers(1, cells))
        labels.append(reading(f"module {module} cell {cell}", (one, (module - 1) * cells + cell, 0.9)))
    found = place_arrays([one], labels)
    # what the labels allow, worked out from scratch
    fits = [
        number
        for number in range(2, modules * cells + 1)
        if all(
            (place_in(label.label).module - 1) * number + place_in(label.label).cell
            == label.matches[0].at.field.start // 16 + 1 + 2 * (label.matches[0].at.stream.can_id - 0x310)
            and place_in(label.label).cell <= number
            for label in labels
        )
    ]
    assert fits == [cells]
    assert found.cells_per_module == cells
    assert found.modules == modules
    assert found.places[0] == tuple(Place(k // cells + 1, k % cells + 1) for k in range(modules * cells))


def test_likelihoods_of_several_labels_add_up():
    one = array(84)
    unsure = [
        reading("module 4 cell 11", (one, 53, 0.3), (one, 49, 0.3), (one, 17, 0.3)),
        reading("module 2 cell 9", (one, 23, 0.4), (one, 22, 0.4)),
        reading("module 6 cell 2", (one, 72, 0.5), (one, 67, 0.3)),
    ]
    assert place_arrays([one], unsure).cells_per_module == 14
    found = place_arrays([one], unsure[:1])
    # 53 = 3 x 14 + 11; 49 and 17 would need 12.67 and 2 cells a module: only 14 fits and divides the pack
    assert found.cells_per_module == 14


def test_what_several_numbers_explain_is_left_open_and_said():
    one = array(48)
    doubt = [reading("module 2 cell 1", (one, 13, 0.45), (one, 9, 0.45))]
    found = place_arrays([one], doubt)
    assert found.cells_per_module is None
    assert found.modules is None
    assert [cells for cells, _ in found.hypotheses[:2]] == [8, 12]
    assert 0.99 <= sum(chance for _, chance in found.hypotheses) <= 1.001
    assert "8 (" in found.notes[0]
    assert "12 (" in found.notes[0]
    assert found.places[0] == tuple(Place(cell=k) for k in range(1, 49))


def test_a_label_of_the_first_module_tells_nothing():
    one = array(48)
    found = place_arrays([one], [reading("module 1 cell 5", (one, 5, 0.99))])
    assert found.hypotheses == ()
    assert "--cells-per-module" in found.notes[0]


def test_what_is_given_counts_and_what_does_not_fit_is_said():
    one = array(50)
    labels = [reading("module 2 cell 1", (one, 13, 0.99))]
    assert place_arrays([one], labels, cells_per_module=10).places[0][49] == Place(5, 10)
    sheet = PackSheet(modules=4, cells_per_module=(13, 13, 12, 12), cells_in_series=50)
    found = place_arrays([one], labels, sheet=sheet)
    assert found.places[0][12:15] == (Place(1, 13), Place(2, 1), Place(2, 2))
    assert found.places[0][49] == Place(4, 12)
    assert not found.notes
    assert "do not divide evenly" in place_arrays([one], cells_per_module=12).notes[0]
    assert "said to have 24" in place_arrays([one], sheet=PackSheet(cells_per_module=(12, 12))).notes[0]
    assert "says 48 in series" in place_arrays([one], cells_per_module=10, sheet=PackSheet(cells_in_series=48)).notes[0]


def test_several_arrays_count_on_and_share_cells_per_module():
    some, more = array(42), array(42, 0x400, scale=0.0001)
    labels = [reading("module 4 cell 11", (more, 11, 0.9)), reading("module 2 cell 9", (some, 23, 0.9))]
    found = place_arrays([more, some], labels)
    assert found.cells_per_module == 14
    assert found.places[1][0] == Place(1, 1)
    assert found.places[0][0] == Place(4, 1)
    assert found.places[0][41] == Place(6, 14)


def test_places_that_are_known_stay():
    own = [Place(9, 1), *[Place()] * 5]
    assert place_arrays([array(6, places=own)], cells_per_module=3).places[0][:2] == (Place(9, 1), Place(1, 2))


def test_sensors_go_by_module_where_there_is_one_for_each_else_they_are_counted():
    cells, one_each = array(12), array(3, 0x400, "swelling pressure")
    six, four = array(6, 0x410, "module temperature"), array(4, 0x420, "module temperature")
    found = place_arrays([cells, one_each, six, four], cells_per_module=4)
    assert found.places[1] == (Place(1), Place(2), Place(3))
    assert found.places[2] == tuple(Place(sensor=k) for k in range(1, 7))
    assert found.places[3] == tuple(Place(sensor=k) for k in range(7, 11))


def test_no_arrays_have_no_places():
    found = place_arrays([])
    assert (found.places, found.cells, found.notes) == ((), 0, ())


def test_members_get_their_places():
    one = with_places(array(2), (Place(1, 1), Place(1, 2)))
    assert [member.place for member in one.members] == [Place(1, 1), Place(1, 2)]


def recorded(claims, values, times):
    """Streams that hold `values` (members x times, V) of each array, every array in one payload a moment."""
    found = []
    for claim, volts in zip(claims, values, strict=True):
        carrier = claim.members[0].at.stream.carrier
        raw = np.round(volts / claim.scale).astype(np.uint16)
        for first in range(0, len(volts), 2):
            payload = np.zeros((len(times), 8), np.uint8)
            for byte, row in zip((0, 2), raw[first : first + 2], strict=False):
                payload[:, byte], payload[:, byte + 1] = row >> 8, row & 0xFF
            can_id = claim.members[first].at.stream.can_id
            found.append(Stream("can0", can_id, False, carrier, times, payload, np.arange(len(times))))
    return Sampled(found)


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 2**32 - 1), st.integers(0, 8))
def test_an_array_that_repeats_cells_is_known_by_their_differences(seed, shift):
    rng = np.random.default_rng(seed)
    times = np.arange(60, dtype=np.int64) * 10**8
    moves = 0.05 * np.sin(np.arange(60) / 9)
    cells = 3.7 + rng.normal(0, 0.004, (16, 1)) + moves + rng.normal(0, 0.0003, (16, 60))
    others = 3.7 + rng.normal(0, 0.004, (12, 1)) + moves + rng.normal(0, 0.0003, (12, 60))
    large, apart = array(16), array(12, 0x400)
    polled = array(8, 0x6E0, carrier=Carrier("iso-tp", PREFIX), scale=0.0001)
    again = cells[shift : shift + 8] + rng.normal(0, 0.0003, (8, 60))
    sampled = recorded([polled, large, apart], [again, cells, others], times)
    assert copies_among([polled, large, apart], sampled) == {0: Copy(1, shift)}
    found = place_arrays([polled, large, apart], cells_per_module=4, sampled=sampled)
    assert found.cells == 28
    assert found.places[0] == found.places[1][shift : shift + 8]


def test_three_cells_are_too_few_to_be_known_again():
    times = np.arange(20, dtype=np.int64) * 10**8
    volts = np.full((6, 20), 3.7) + np.arange(6)[:, None] / 100
    large, small = array(6), array(3, 0x500)
    assert copies_among([large, small], recorded([large, small], [volts, volts[:3]], times)) == {}


def test_labels_tell_whether_sensors_count_by_module_or_by_number():
    cells, sensors = array(12), array(6, 0x400, "module temperature")

    def placed(*labels):
        found = place_arrays([cells, sensors], labels, cells_per_module=4)
        return found.places[1], found.notes

    assert placed(reading("module 1 sensor 1", (sensors, 1, 0.9)))[0][1] == Place(sensor=2)
    assert "which is which is open" in placed()[1][0]
    assert placed(reading("module 1 sensor 2", (sensors, 2, 0.9)))[0][3] == Place(2, None, 2)
    assert placed(reading("module 1 sensor 2", (sensors, 4, 0.9)))[0][1:4] == (
        Place(2, None, 1),
        Place(3, None, 1),
        Place(1, None, 2),
    )


def test_modules_that_differ_fit_no_one_number():
    one = array(90)  # modules of 11, 11, 12, 11, 11, 11, 12, 11 cells
    labels = [
        reading("module 6 cell 5", (one, 61, 0.9)),
        reading("module 6 cell 9", (one, 65, 0.9)),
        reading("module 2 cell 6", (one, 17, 0.9)),
    ]
    found = place_arrays([one], labels)
    assert found.cells_per_module is None
    assert found.hypotheses[0][0] is None
    assert "module by module" in found.notes[0]
    assert set(found.places[0]) == {Place(cell=k) for k in range(1, 91)}


def test_behind_the_last_label_of_a_pack_that_is_not_filled_evenly_nothing_is_claimed():
    one = array(40)  # modules of 9, 9, 9, 9 and 4 cells, or else
    labels = [reading(f"module {module} cell 2", (one, (module - 1) * 9 + 2, 0.9)) for module in (2, 3, 3)]
    found = place_arrays([one], labels)
    assert (found.cells_per_module, found.known_to, found.told, found.modules) == (9, 20, None, None)
    assert found.places[0][17:21] == (Place(2, 9), Place(3, 1), Place(3, 2), Place(cell=21))
    assert "up to cell 20" in found.notes[0]
    even = place_arrays([array(36)], labels)
    assert (even.told, even.modules, even.known_to) == (9, 4, 36)


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_a_copy_in_coarse_steps_is_known_and_other_cells_in_coarse_steps_are_not(seed):
    rng = np.random.default_rng(seed)
    times = np.arange(80, dtype=np.int64) * 10**8
    moves = 0.1 * np.sin(np.arange(80) / 5)
    fine, other = (3.7 + rng.normal(0, 0.006, (24, 1)) + moves for _ in range(2))
    large, coarse = array(24), array(24, 0x500, scale=0.01)
    assert copies_among([large, coarse], recorded([large, coarse], [fine, fine], times)) == {1: Copy(0, 0)}
    assert copies_among([large, coarse], recorded([large, coarse], [fine, other], times)) == {}
    hopeless = array(24, 0x500, scale=0.05)
    assert copies_among([large, hopeless], recorded([large, hopeless], [fine, fine], times)) == {}
