"""Places as people type them."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from decoder.discovery.workbench.place_text import place_from_text, place_text
from decoder.errors import UsageError
from decoder.maps.pack_sheet import Place


@pytest.mark.parametrize(
    ("text", "place"),
    [
        ("", Place()),
        ("pack", Place()),
        ("m4 c11", Place(4, 11)),
        ("M4 C07", Place(4, 7)),
        ("module 4 cell 11", Place(4, 11)),
        ("4/11", Place(4, 11)),
        ("4.11", Place(4, 11)),
        ("c7", Place(None, 7)),
        ("m2", Place(2)),
        ("m2 s1", Place(2, None, 1)),
        ("sensor 3", Place(None, None, 3)),
        ("Positive", Place(None, None, "positive")),
        ("m3 busbar", Place(3, None, "busbar")),
    ],
)
def test_places_are_read(text, place):
    assert place_from_text(text) == place


@pytest.mark.parametrize("text", ["m0", "4", "m4 c", "m4 x y", "c1 s2 left", "4/0", "module", "§", "m99999"])
def test_what_is_no_place_is_refused(text):
    with pytest.raises(UsageError, match="is no place"):
        place_from_text(text)


@given(
    st.builds(
        Place,
        st.one_of(st.none(), st.integers(1, 99)),
        st.one_of(st.none(), st.integers(1, 99)),
        st.one_of(st.none(), st.integers(1, 9), st.sampled_from(["positive", "inlet"])),
    )
)
def test_a_place_that_is_written_is_read_back(place):
    assert place_from_text(place_text(place)) == place
