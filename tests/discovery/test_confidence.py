"""How sure proposals are: a share, that grows with the chance it is made from."""

from hypothesis import given
from hypothesis import strategies as st

from decoder.discovery import confidence
from decoder.discovery.confidence import corrected

chances = st.floats(0, 1)
changes = st.integers(1, 100_000)


@given(chances, changes)
def test_a_confidence_is_a_share(chance, count):
    assert 0 <= corrected(chance, count) <= 1


@given(chances, chances, changes)
def test_what_is_likelier_is_surer(one, other, count):
    low, high = sorted((one, other))
    assert corrected(low, count) <= corrected(high, count)


@given(changes)
def test_the_ends_are_apart(count):
    assert corrected(0.0, count) < 0.5 < corrected(1.0, count)
    assert corrected(1.0, count) < 1  # nothing is certain


def test_a_proved_check_is_surer_than_one_that_is_not():
    assert 0 < confidence.CHECK_UNPROVED < confidence.CHECK_PROVED < 1
    assert 0 < confidence.MULTIPLEXOR < 1
