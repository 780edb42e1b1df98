"""How sure proposals are: a share, that grows with the chance it is made from."""

from hypothesis import given
from hypothesis import strategies as st

from decoder.discovery.carving import confidence
from decoder.discovery.carving.confidence import corrected

chances = st.floats(0, 1)
changes = st.integers(1, 100_000)
kinds = st.sampled_from(["number", "counter", "flag", "state", "unknown"])
credible = st.sampled_from(["number", "counter", "flag"])  # a state that changes often hardly ever is one


@given(chances, changes, kinds, st.booleans())
def test_a_confidence_is_a_share(chance, count, kind, under):
    assert 0 <= corrected(chance, count, kind, under_multiplexor=under) <= 1


@given(chances, chances, changes, kinds)
def test_what_is_likelier_is_surer(one, other, count, kind):
    low, high = sorted((one, other))
    assert corrected(low, count, kind) <= corrected(high, count, kind)


@given(changes, credible)
def test_the_ends_are_apart(count, kind):
    assert corrected(0.0, count, kind) < 0.1 < corrected(1.0, count, kind)
    assert corrected(1.0, count, kind) < 1  # nothing is certain


def test_a_bit_that_changes_often_is_less_surely_a_flag():
    assert corrected(1.0, 100, "flag") < corrected(1.0, 3, "flag")


@given(chances, changes, kinds)
def test_what_stands_under_a_multiplexor_is_no_surer(chance, count, kind):
    assert corrected(chance, count, kind, under_multiplexor=True) <= corrected(chance, count, kind)


def test_a_proved_check_is_surer_than_one_that_is_not():
    assert 0 < confidence.CHECK_UNPROVED < confidence.CHECK_PROVED < 1
    assert 0 < confidence.MULTIPLEXOR < 1
