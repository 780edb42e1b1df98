"""Vehicle identification numbers in payloads: which bytes, and what is then not said."""

import pytest

from decoder.bits import Field
from decoder.discovery.pictures.hidden_numbers import hidden_bytes, without_numbers
from decoder.discovery.proposal import Carrier
from tests.discovery.carvings import carving, number, stream

VIN = b"CGHARBRSHTL000001"
ISO_TP = Carrier("iso-tp")


@pytest.mark.parametrize(
    ("payload", "first"),
    [
        (b"\x62\xf1\x90" + VIN, 3),  # ISO 14229-1: read data by identifier
        (b"\x2e\xf1\x90" + VIN, 3),  # a request that writes it
        (b"\x49\x02\x01" + VIN, 3),  # ISO 15031-5: info type 02
        (b"\x62\x01\x04\x00" + VIN, 4),  # by its form
    ],
)
def test_the_number_and_nothing_before_it_is_hidden(payload, first):
    hidden = hidden_bytes(stream([payload], carrier=ISO_TP))
    assert set(range(first, first + len(VIN))) <= hidden
    assert 0 not in hidden


def test_one_message_with_a_number_is_enough():
    other = b"\x62\x01\x04" + bytes(17)
    assert hidden_bytes(stream([other, b"\x62\x01\x04" + VIN, other], carrier=ISO_TP)) == frozenset(range(3, 20))


def test_the_parameter_group_of_the_number_is_hidden_whole():
    one = stream([b"not of its form"], carrier=Carrier("j1939-tp", pgn=0xFEEC))
    assert hidden_bytes(one) == frozenset(range(15))


@pytest.mark.parametrize(
    "payload", [b"\x62\xf1\x87HS-PK-062-0417", b"\x62\x01\x04\x00\xf1\x90" + bytes(range(30, 47)), b""]
)
def test_other_messages_are_not_hidden(payload):
    assert hidden_bytes(stream([payload], carrier=ISO_TP)) == frozenset()


def test_single_frames_hold_no_number():
    assert hidden_bytes(stream([b"\x62\xf1\x90" + VIN])) == frozenset()


def test_only_fields_in_hidden_bytes_lose_what_tells_the_value():
    first = number(Field(7, 8, "big"), value=0x62)
    inside = number(Field(15, 16, "big"), value=77, changes=3, certain={"start": 15, "length": 16})
    shown = without_numbers(carving([bytes(4)], first, inside), frozenset({2})).proposals
    assert shown[0] == first
    assert shown[1].detail == {"changes": 3, "certain": {"start": 15, "length": 16}, "hidden": True}
