"""Identifiers split as SAE J1939-21 has them."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from decoder.transport.j1939_id import J1939Id, destination, parts, pgn, priority, source

# identifier, priority, parameter group, destination, source address
_SPLITS = [
    (0x18FF50E5, 6, 0x0FF50, 0xFF, 0xE5),
    (0x18FEF100, 6, 0x0FEF1, 0xFF, 0x00),
    (0x0CF00400, 3, 61444, 0xFF, 0x00),
    (0x18EAFFF9, 6, 0x0EA00, 0xFF, 0xF9),
    (0x18EEFF80, 6, 0x0EE00, 0xFF, 0x80),
    (0x1CECFF00, 7, 0x0EC00, 0xFF, 0x00),
    (0x18EF21F4, 6, 0x0EF00, 0x21, 0xF4),
    (0x18DA00F1, 6, 55808, 0x00, 0xF1),
    (0x19FF0A21, 6, 130826, 0xFF, 0x21),
    (0x1AFEF5E0, 6, 196341, 0xFF, 0xE0),
]


@pytest.mark.parametrize(("can_id", "prio", "group", "to", "sender"), _SPLITS)
def test_one_identifier_is_split(can_id, prio, group, to, sender):
    assert J1939Id.of(can_id) == J1939Id(prio, group, to, sender)
    assert (priority(can_id), pgn(can_id), destination(can_id), source(can_id)) == (prio, group, to, sender)


def test_a_column_is_split_like_its_members():
    columns = parts(np.array([row[0] for row in _SPLITS], np.uint32))
    for index, name in enumerate(("priority", "pgn", "destination", "source"), start=1):
        assert getattr(columns, name).tolist() == [row[index] for row in _SPLITS]
    assert [column.dtype for column in columns] == [np.uint8, np.uint32, np.uint8, np.uint8]


@given(st.lists(st.integers(0, 0x1FFFFFFF), max_size=20))
def test_an_identifier_can_be_put_together_again_from_its_parts(can_ids):
    columns = parts(np.array(can_ids, np.uint32))
    for can_id, prio, group, to, sender in zip(can_ids, *(column.tolist() for column in columns), strict=True):
        specific = to if (group >> 8) & 0xFF < 240 else 0
        assert (prio << 26) | ((group | specific) << 8) | sender == can_id
        assert J1939Id.of(can_id) == J1939Id(prio, group, to, sender)
