"""The sums over all cuts, and the best cut, against every cut written down one by one."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoder.bits import Field
from decoder.discovery.carving.best_cut import best_cut
from decoder.discovery.carving.segmentation import Chances, Choices, Crossings, chances_of
from tests.discovery.all_cuts import (
    Candidate,
    choices,
    columns_of,
    crossing_field,
    cuts,
    inside_field,
    possible_fields,
    sets_without_overlap,
    weight_of,
)

NONE = columns_of([])


def chances(choices):
    return chances_of([choices])[0]


def chance_of(found, candidate):
    return float((found.inside if len(candidate.place) == 3 else found.crossings)[candidate.place])


@settings(max_examples=150)
@given(st.data(), st.integers(1, 3), st.integers(1, 3))
def test_the_sums_are_those_over_every_single_cut(data, width, styles):
    given_, candidates = data.draw(choices(width, styles))
    found = chances(given_)
    weighed = [(cut, weight_of(cut, width, given_.shares, given_.changes)) for cut in cuts(candidates, given_.changing)]
    total = sum(weight for _, weight in weighed)
    assert found.total == pytest.approx(np.log2(total), abs=1e-9)
    assert found.inside.shape == (width, 8, 8)
    assert found.crossings.shape == (len(given_.crossings),)
    for one in candidates:
        expected = sum(weight for cut, weight in weighed if one in cut) / total
        assert chance_of(found, one) == pytest.approx(expected, abs=1e-9)
    assert np.count_nonzero(found.inside) <= len(candidates)


@settings(max_examples=60)
@given(st.data(), st.integers(1, 8), st.integers(1, 3))
def test_every_changing_bit_lies_in_one_field(data, width, styles):
    given_, candidates = data.draw(choices(width, styles))
    found = chances(given_)
    for bit in np.flatnonzero(given_.changing).tolist():
        covered = sum(chance_of(found, one) for one in candidates if bit in one.bits)
        assert covered == pytest.approx(1.0, abs=1e-9)


def test_an_empty_payload_has_one_cut():
    nothing = np.full((0, 8, 8, 2), -np.inf)
    given_ = Choices(np.zeros((0, 8), np.bool_), nothing, NONE, np.empty((0, 2)), np.array([0.25, 0.75]), 0.5)
    assert chances(given_).total == pytest.approx(0.0)


def test_where_nothing_changes_nothing_is_surprising():
    given_ = Choices(
        np.zeros((3, 8), np.bool_), np.full((3, 8, 8, 1), -np.inf), NONE, np.empty((0, 1)), np.ones(1), 0.25
    )
    found = chances(given_)
    assert found.total == pytest.approx(0.0)
    assert not found.inside.any()


def test_a_style_that_may_not_change_is_kept():
    """Two styles, each of which knows the field of one byte only: without a change of style both bytes have no cut."""
    changing = np.zeros((2, 8), np.bool_)
    changing[:, 0] = True
    inside = np.full((2, 8, 8, 2), -np.inf)
    inside[0, 0, 0] = [0.0, -5.0]
    inside[1, 0, 0] = [-5.0, 0.0]
    half = np.array([0.5, 0.5])
    kept = chances(Choices(changing, inside, NONE, np.empty((0, 2)), half, 1e-9))
    assert kept.total == pytest.approx(-5.0, abs=1e-6)


def test_very_unlikely_fields_are_weighed_all_the_same():
    """Descriptions take thousands of bits: 2 to the minus 5000 is no number, its share is."""
    changing = np.zeros((2, 8), np.bool_)
    changing[0, 7] = changing[1, 0] = True
    inside = np.full((2, 8, 8, 1), -np.inf)
    inside[0, 7, 7] = inside[1, 0, 0] = -2500.0
    crossing = columns_of([(False, 0, 7, 1, 0)])
    found = chances(Choices(changing, inside, crossing, np.array([[-4999.0]]), np.ones(1), 0.25))
    assert found.total == pytest.approx(-5000 + np.log2(3))
    assert found.crossings[0] == pytest.approx(2 / 3)
    assert found.inside[0, 7, 7] == pytest.approx(1 / 3)


@st.composite
def charts(draw, width):
    """Chances of random fields; what they are need not come from any cut."""
    chance = np.random.default_rng(draw(st.integers(0, 2**32)))
    inside, crossings = possible_fields(chance, width)
    table = np.zeros((width, 8, 8))
    for place in inside:
        table[place] = chance.uniform(0.05, 1)
    found = Chances(0.0, table, chance.uniform(0.05, 1, len(crossings)))
    candidates = [Candidate(place, inside_field(*place)) for place in inside]
    candidates += [Candidate((number,), crossing_field(*place)) for number, place in enumerate(crossings)]
    return found, columns_of(crossings), candidates


@settings(max_examples=120)
@given(st.data(), st.integers(1, 3))
def test_no_other_choice_is_worth_more_than_the_best_cut(data, width):
    found, crossings, candidates = data.draw(charts(width))
    pieces = best_cut(found, crossings)
    most = max(sum(chance_of(found, one) for one in chosen) for chosen in sets_without_overlap(candidates))
    assert sum(piece.chance for piece in pieces) == pytest.approx(most, abs=1e-9)
    taken = [bit for piece in pieces for bit in piece.field.bit_numbers()]
    assert len(taken) == len(set(taken))
    known = {one.bits: chance_of(found, one) for one in candidates if one.field.first_byte == one.field.last_byte}
    known |= {(one.bits, one.field.byte_order): chance_of(found, one) for one in candidates if one.borders}
    for piece in pieces:
        bits = frozenset(piece.field.bit_numbers())
        assert piece.chance == known[bits if piece.is_inside else (bits, piece.field.byte_order)]
    assert all(one.field.first_byte <= other.field.first_byte for one, other in pairwise(pieces))


@settings(max_examples=40)
@given(st.data(), st.integers(1, 2), st.integers(1, 2))
def test_the_best_cut_of_weighed_cuts_expects_the_most_right_fields(data, width, styles):
    given_, candidates = data.draw(choices(width, styles))
    found = chances(given_)
    worth = sum(piece.chance for piece in best_cut(found, given_.crossings))
    most = max(sum(chance_of(found, one) for one in cut) for cut in cuts(candidates, given_.changing))
    unlikely = 0.01 * 8 * width  # the least likely fields are not looked at
    assert worth >= most - unlikely


def test_crossing_fields_are_named_by_their_first_bit_and_order():
    crossings = Crossings(
        np.array([False, True]), np.array([0, 2]), np.array([4, 3]), np.array([1, 3]), np.array([7, 0])
    )
    pieces = best_cut(Chances(0.0, np.zeros((4, 8, 8)), np.array([0.9, 0.8])), crossings)
    assert [piece.field for piece in pieces] == [Field(4, 12), Field(2 * 8 + 3, 12, "big")]
    assert [piece.is_inside for piece in pieces] == [False, False]


def test_no_fields_no_pieces():
    assert best_cut(Chances(0.0, np.zeros((2, 8, 8)), np.empty(0)), NONE) == ()
    assert best_cut(Chances(0.0, np.zeros((0, 8, 8)), np.empty(0)), NONE) == ()
