"""Edits of the work, and undoing them."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoder.bits import Field
from decoder.discovery.field_at import FieldAt, StreamKey
from decoder.discovery.meaning import Meaning
from decoder.discovery.natural_scales import scales_of
from decoder.discovery.workbench import edits
from decoder.discovery.workbench.borders import GRIPS, fits
from decoder.discovery.workbench.history import History
from decoder.discovery.workbench.scales import next_scale, scale_number
from decoder.discovery.workbench.work import Work
from decoder.errors import UsageError
from decoder.maps.pack_sheet import Place
from decoder.maps.quantities import QUANTITIES

KEY = StreamKey("can0", 0x310, extended=False)
OTHER = StreamKey("can0", 0x311, extended=False)
BYTES = 8
NAMES = [row.name for row in QUANTITIES]


def meaning(start=7, length=16, order="big", key=KEY, **more):
    return Meaning(FieldAt(key, Field(start, length, order)), **more)


# Each edit as a function of the work; those that need a chosen field leave the work as it is where there is none.
EDITS = st.one_of(
    st.tuples(st.sampled_from(GRIPS), st.integers(-20, 20)).map(
        lambda how: lambda work: edits.end_moved(work, how[0], how[1], BYTES)
    ),
    st.sampled_from(
        [
            edits.order_turned,
            edits.sign_turned,
            edits.deleted,
            lambda work: edits.added(work, KEY, BYTES),
            lambda work: edits.taken(work, meaning()),
            lambda work: edits.taken(work, meaning(23, key=OTHER)),
            lambda work: edits.with_all(work, [meaning(7), meaning(23), meaning(39)]),
            lambda work: edits.described(work, name="Hull_V", place=Place(1, 2)),
            lambda work: edits.with_reading(work, "t=1 cell 3.6 V"),
        ]
    ),
    st.sampled_from([1, -1]).map(lambda by: lambda work: edits.scale_stepped(work, by)),
    st.sampled_from([*NAMES, None]).map(lambda name: lambda work: edits.of_quantity(work, name)),
)


def done(history, edit):
    try:
        return history.step(edit(history.work))
    except UsageError:
        assert history.work.meaning is None
        return history


@given(st.lists(EDITS, max_size=30))
@settings(max_examples=200)
def test_undoing_all_steps_gives_each_state_before_and_doing_them_again_each_state_after(steps):
    history = History()
    states = [history.work]
    for edit in steps:
        before = history
        history = done(history, edit)
        if history is not before:
            states.append(history.work)
    for state in reversed(states):
        assert history.work == state
        history = history.undo()
    assert history.undo() is history
    for state in states:
        assert history.work == state
        history = history.redo()
    assert history.redo() is history


@given(st.lists(EDITS, max_size=30))
@settings(max_examples=200)
def test_no_edit_leads_a_field_out_of_its_payload_or_two_meanings_into_one_choice(steps):
    history = History()
    for edit in steps:
        history = done(history, edit)
        work = history.work
        assert all(fits(one.at.field, BYTES) for one in work.meanings)
        assert work.chosen is None or 0 <= work.chosen < len(work.meanings)
        assert work.meaning is None or work.beside is None


def test_a_new_step_after_an_undo_takes_the_place_of_what_was_undone():
    history = History().step(edits.taken(Work(), meaning()))
    named = history.step(edits.described(history.work, name="A"))
    other = named.undo().step(edits.described(history.work, name="B"))
    assert other.undone == 0
    assert other.work.meanings[0].name == "B"
    assert other.undo().work == history.work


def test_what_changes_nothing_is_no_step():
    history = History().step(edits.taken(Work(), meaning(0, 1, "little")))
    assert history.step(edits.end_moved(history.work, "begin", -1, BYTES)) is history
    assert history.step(edits.described(history.work, name="")) is history


def test_looking_at_something_else_is_no_step_and_takes_nothing_that_can_be_done_again():
    history = History().step(edits.taken(Work(), meaning())).undo()
    looking = history.look(edits.show_stream(history.work, OTHER))
    assert looking.undone == 1
    assert looking.redo().work.meanings


def test_a_field_that_is_taken_twice_is_one():
    work = edits.taken(Work(), meaning(name="A"))
    again = edits.taken(work, meaning(name="B"))
    assert [one.name for one in again.meanings] == ["B"]


def test_a_deleted_field_stays_chosen_as_one_that_is_nobodys():
    work = edits.deleted(edits.taken(Work(), meaning()))
    assert work.meanings == ()
    assert work.at == meaning().at
    with pytest.raises(UsageError, match="no field of yours"):
        edits.deleted(work)


def test_a_field_is_added_behind_the_chosen_one_in_its_byte_order():
    work = edits.taken(Work(), meaning(0, 12, "little"))
    assert edits.added(work, KEY, BYTES).at.field == Field(12, 8, "little")
    assert edits.added(Work(), KEY, BYTES).at.field == Field(7, 8, "big")
    at_end = edits.taken(Work(), meaning(63, 8, "big"))
    assert edits.added(at_end, KEY, BYTES).at.field == Field(56, 1, "big")
    elsewhere = edits.added(work, OTHER, BYTES)
    assert elsewhere.at.stream == OTHER
    assert elsewhere.at.field.first_byte == 0


def test_a_quantity_brings_its_unit_and_its_most_usual_scale_unless_there_is_one_already():
    work = edits.of_quantity(edits.taken(Work(), meaning()), "cell voltage")
    assert (work.meaning.unit, work.meaning.scale) == ("V", 0.001)
    scaled = edits.described(edits.taken(Work(), meaning()), scale=0.0002)
    assert edits.of_quantity(scaled, "cell voltage").meaning.scale == 0.0002
    assert edits.of_quantity(work, None).meaning.quantity is None


@pytest.mark.parametrize("name", [None, *NAMES])
@pytest.mark.parametrize("field", [Field(0, 1), Field(0, 8), Field(7, 13, "big"), Field(0, 16, signed=True)])
def test_stepping_goes_through_all_natural_scales_and_comes_round(name, field):
    one = Meaning(FieldAt(KEY, field), quantity=name)
    first = Meaning(one.at, quantity=name, scale=next_scale(one, 0)[0], offset=next_scale(one, 0)[1])
    _, count = scale_number(first)
    seen, now = [], first
    for _ in range(count):
        seen.append((now.scale, now.offset))
        scale, offset = next_scale(now, 1)
        back = Meaning(one.at, quantity=name, scale=scale, offset=offset)
        assert next_scale(back, -1) == (now.scale, now.offset)
        now = back
    assert (now.scale, now.offset) == seen[0]
    assert len(set(seen)) == count
    if name is not None:
        natural = {row.scale for row in scales_of(name)}
        assert {scale for scale, _ in seen} <= natural | {1.0}


def test_an_offset_by_half_the_range_is_for_unsigned_fields_only():
    signed = Meaning(FieldAt(KEY, Field(0, 16, signed=True)), quantity="pack current")
    unsigned = Meaning(FieldAt(KEY, Field(0, 16)), quantity="pack current", scale=0.1, offset=-3276.8)
    assert scale_number(unsigned) is not None
    assert scale_number(Meaning(signed.at, quantity="pack current", scale=0.1, offset=-3276.8)) is None
