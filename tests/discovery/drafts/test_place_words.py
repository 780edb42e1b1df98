"""Places that labels of readings name."""

from decoder.discovery.drafts.place_words import place_in
from decoder.maps.pack_sheet import Place


def test_a_label_of_a_reading_tells_its_place_where_it_names_one():
    assert place_in("module 4 cell 11") == Place(4, 11)
    assert place_in("cell 7 voltage") == Place(None, 7)
    assert place_in("pack voltage") == Place()
    assert place_in("module 0") == Place()
