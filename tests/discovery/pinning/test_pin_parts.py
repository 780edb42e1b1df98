"""What pin is made of: multiplexors found in a moment, bytes as words, carries, rounding, hand-made marks."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from decoder.bits import Field, Payloads, field_of_word, words_at_bytes
from decoder.discovery.marks import Mark
from decoder.discovery.pinning.free_scales import rounded
from decoder.discovery.pinning.number_evidence import big_endian_log_odds, carry_log_odds, rest_log_odds
from decoder.discovery.pinning.pin_marks import marks_of
from decoder.discovery.pinning.reading_errors import by_label, quantities_of
from decoder.discovery.quick_parts import quick_parts
from decoder.discovery.readings import Reading
from decoder.discovery.streams import streams
from tests.building import capture

CHANCE = np.random.default_rng(5)


def parts_of(payloads):
    return quick_parts(streams(capture([(0.1 * at, 0x123, bytes(row)) for at, row in enumerate(payloads)])))


def selectors(parts):
    return [(part.selector.field, part.selector.value) for part in parts if part.selector is not None]


@given(st.binary(min_size=1, max_size=20), st.data())
def test_a_field_cut_from_a_word_is_the_field(payload, data):
    order = data.draw(st.sampled_from(["little", "big"]))
    byte, shift = data.draw(st.integers(0, len(payload) - 1)), data.draw(st.integers(0, 7))
    room = 8 * (len(payload) - byte if order == "little" else byte + 1) - shift
    length = data.draw(st.integers(1, min(room, 57)))
    columns = np.frombuffer(payload, np.uint8)[None]
    word = int(words_at_bytes(columns, order)[0, byte])
    field = field_of_word(byte, shift, length, order)
    assert (word >> shift) & ((1 << length) - 1) == int(Payloads(columns).field(field)[0])


def test_pages_in_turn_are_parts():
    rows = [[page, 14, 100 + 3 * page + int(CHANCE.integers(4)), 0] for _ in range(40) for page in range(11)]
    parts = parts_of(rows)
    assert selectors(parts) == [(Field(0, 8), page) for page in range(11)]
    assert all(len(part.data) == 40 for part in parts[1:])
    assert not parts[0].allowed.any()


def test_a_page_within_a_module_is_a_part():
    rows = [
        [module, page, 14, int(CHANCE.integers(256))] for _ in range(30) for module in range(1, 4) for page in range(5)
    ]
    found = [part for part in parts_of(rows) if part.selector is not None]
    assert len(found) == 15
    assert {len(set(map(bytes, part.data[:, :2]))) for part in found} == {1}


@pytest.mark.parametrize("modulus", [15, 16])
def test_a_counter_beside_a_number_is_no_multiplexor(modulus):
    slow = 3000 + np.cumsum(CHANCE.integers(-1, 2, 400))
    rows = [[at % modulus, int(raw) >> 8, int(raw) & 255, 7] for at, raw in enumerate(slow)]
    assert selectors(parts_of(rows)) == []


def test_a_number_that_another_follows_is_no_multiplexor():
    first = 100 + np.cumsum(CHANCE.integers(-1, 2, 600)) % 40
    rows = [[int(raw), int(raw) // 2 + 50, int(CHANCE.integers(2)), 0] for raw in first]
    assert selectors(parts_of(rows)) == []


def test_the_lowest_bit_of_a_number_carries_and_a_foreign_one_does_not():
    slow = 500 + np.cumsum(CHANCE.choice([-1, 1], 800))
    assert carry_log_odds(slow >> 1, slow & 1) > 5
    assert carry_log_odds(slow, CHANCE.integers(0, 2, 800)) < 0


@pytest.mark.parametrize(
    ("raw", "rests"), [([4, 6, 8, 4], True), ([5, 7, 9, 5], True), ([4, 5, 8], False), ([0, 8, 16], True)]
)
def test_lowest_bits_that_never_move_speak_against_a_number(raw, rests):
    assert (rest_log_odds(np.array(raw)) < 0) == rests


def test_byte_order_shows_in_carries():
    slow = 40_000 + np.cumsum(CHANCE.integers(-90, 91, 3000))
    for order, sign in (("big", 1), ("little", -1)):
        odds = big_endian_log_odds(parts_of([int(raw).to_bytes(2, order) for raw in slow]))
        assert odds * sign > 1


@pytest.mark.parametrize(
    ("number", "within", "expected"),
    [
        (0.00100007, 1e-6, 0.001),
        (0.0499, 0.0002, 0.05),
        (-40.02, 0.1, -40.0),
        (0.03, 0.1, 0.0),
        (0.00122, 2e-6, 0.00122),
    ],
)
def test_fitted_numbers_become_as_round_as_the_noise_allows(number, within, expected):
    assert rounded(number, within) == pytest.approx(expected, rel=1e-9)


@given(st.floats(-1e6, 1e6), st.floats(1e-9, 1e3))
def test_rounding_stays_within_what_it_may(number, within):
    assert abs(rounded(number, within) - number) <= within * (1 + 1e-6) + abs(number) * 1e-9


@pytest.mark.parametrize(
    ("label", "mark", "named"),
    [
        ("cell 7 voltage", "load on cell 7", True),
        ("cell voltage module 2 cell 5", "load on module 2 cell 5", True),
        ("cell voltage module 2 cell 5", "load on module 3 cell 5", False),
        ("cell 7 voltage", "load on cell 17", False),
        ("cell 7 voltage", "warm sensor 7", False),
        ("pack current", "charger on", False),
        ("left busbar", "left busbar warmed", True),
    ],
)
def test_which_marks_a_label_means(label, mark, named):
    assert (marks_of(label, [Mark(4.0, mark)]) == [4.0]) == named


def test_what_a_label_may_mean():
    assert list(quantities_of("cell 7", "V")) == ["cell voltage"]
    assert list(quantities_of("Supply  voltage of the pack", "V")) == ["supply voltage"]
    assert set(quantities_of("left busbar", "degC")) == {
        "cell temperature",
        "module temperature",
        "coolant temperature",
    }
    assert quantities_of("torque", "Nm") == {}


def test_readings_are_sorted_by_label_and_time():
    readings = [Reading(2.0, "a", 1.5, "V"), Reading(1.0, "b", 7.0, "A", 0.1), Reading(1.0, "a", 1.25, "V")]
    first, second = by_label(readings)
    assert (first.label, first.time_s.tolist(), first.value.tolist()) == ("a", [1.0, 2.0], [1.25, 1.5])
    assert first.step.tolist() == [0.01, 0.01]  # the finest that any of them was written in
    assert (second.label, second.step.tolist()) == ("b", [0.1])
