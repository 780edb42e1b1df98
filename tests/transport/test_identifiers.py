from itertools import combinations

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from udsoncan import DataIdentifier

from decoder.transport.identifiers import identifier_name, split_identifiers

# Words of the ranges in udsoncan, and ours.
_RANGES = {
    "VehicleManufacturerSpecific": "maker's own",
    "NetworkConfigurationDataForTractorTrailerApplicationDataIdentifier": (
        "network configuration data for tractor-trailer"
    ),
    "IdentificationOptionVehicleManufacturerSpecificDataIdentifier": "maker's own identification",
    "IdentificationOptionVehicleManufacturerSpecific": "maker's own identification",
    "IdentificationOptionSystemSupplierSpecific": "supplier's own identification",
    "PeriodicDataIdentifier": "periodic data",
    "DynamicallyDefinedDataIdentifier": "dynamically defined data",
    "OBDDataIdentifier": "OBD data",
    "OBDMonitorDataIdentifier": "OBD monitor data",
    "OBDInfoTypeDataIdentifier": "OBD info type",
    "TachographDataIdentifier": "tachograph",
    "AirbagDeploymentDataIdentifier": "airbag deployment",
    "SafetySystemDataIdentifier": "safety system",
    "ReservedForLegislativeUse": "reserved for legislation",
    "SystemSupplierSpecific": "supplier's own",
    "ISOSAEReserved": "",
    "ISOSAEReservedStandardized": "",
}


def _letters(words):
    return "".join(filter(str.isalpha, words)).lower()


def test_data_identifiers_have_the_names_of_udsoncan():
    for identifier in range(0x10000):
        theirs = DataIdentifier.name_from_id(identifier)
        ours = identifier_name(0x22, identifier)
        if theirs in _RANGES:
            assert ours.split(":")[0] == _RANGES[theirs], hex(identifier)
        elif identifier == 0xF190:
            assert ours == "vehicle identification number"
        else:
            assert _letters(ours) + "dataidentifier" == theirs.lower(), hex(identifier)


@pytest.mark.parametrize(
    ("service", "identifier", "name"),
    [
        (0x09, 0x02, "vehicle identification number"),
        (0x09, 0x04, "calibration identifications"),
        (0x09, 0x06, "calibration verification numbers"),
        (0x09, 0x0A, "ECU name"),
        (0x09, 0xF0, ""),
        (0x01, 0x5B, "hybrid or electric pack remaining charge"),
        (0x02, 0x42, "control module voltage"),
        (0x22, 0xF45B, "OBD data: hybrid or electric pack remaining charge"),
        (0x22, 0xF802, "OBD info type: vehicle identification number"),
        (0x2E, 0xF190, "vehicle identification number"),
        (0x2F, 0x1234, "maker's own"),
        (0x1A, 0x90, "vehicle identification number"),
        (0x1A, 0x80, ""),
        (0x21, 0x01, ""),
        (0x31, 0xFF00, "erase memory"),
        (0x31, 0x0203, "maker's own"),
        (0x2A, 0x01, "periodic data"),
        (0x10, 0x03, ""),
        (0xBA, 0xF190, ""),
        (0x22, 0x0000, ""),
    ],
)
def test_an_identifier_has_the_name_of_its_service(service, identifier, name):
    assert identifier_name(service, identifier) == name


def _request(items):
    return b"\x22" + b"".join(identifier.to_bytes(2, "big") for identifier, _ in items)


def _answer(items):
    return b"\x62" + b"".join(identifier.to_bytes(2, "big") + data for identifier, data in items)


def _ways(request, answer):
    """All ways to cut, counted by trying every set of places."""
    asked = [request[at : at + 2] for at in range(1, len(request), 2)]
    count = 0
    for places in combinations(range(4, len(answer) - 2), len(asked) - 1):
        starts = (1, *places)
        ends = (*places, len(answer))
        count += all(answer[s : s + 2] == a and e - s > 2 for a, s, e in zip(asked, starts, ends, strict=True))
    return count


def test_several_identifiers_are_cut_where_they_begin():
    items = [(0xF18C, b"HS-PACK-62"), (0x0100, b"\x0e\x74"), (0xF189, b"1.4")]
    assert split_identifiers(_request(items), _answer(items)) == items


def test_two_ways_to_cut_give_none():
    assert split_identifiers(bytes.fromhex("22 0100 0200"), bytes.fromhex("62 0100 55 0200 0200 66")) is None


def test_a_single_identifier_is_always_cut():
    assert split_identifiers(bytes.fromhex("22 0100"), bytes.fromhex("62 0100 0100 0100")) == [(0x100, b"\1\0\1\0")]
    assert split_identifiers(bytes.fromhex("22 0100"), bytes.fromhex("62 0100")) == [(0x100, b"")]


@pytest.mark.parametrize(
    ("request_", "answer"),
    [
        ("22 0100 0200", "62 0100 55"),
        ("22 0100 0200", "62 0100 0200 55"),
        ("22 0100 0200", "62 0100 55 0200"),
        ("22 0100 0200", "62 0200 55 0100 55"),
        ("22 0100", "62 0200 55"),
        ("22 0100", "7F 22 31"),
        ("22 0100", ""),
        ("", "62 0100 55"),
        ("22 01", "62 0100 55"),
        ("21 01 00", "62 0100 55"),
    ],
)
def test_what_does_not_fit_gives_none(request_, answer):
    assert split_identifiers(bytes.fromhex(request_), bytes.fromhex(answer)) is None


# Few different bytes, so that identifiers turn up in the data of others.
_bytes = st.sampled_from([0, 1, 2])
_items = st.lists(
    st.tuples(
        st.tuples(_bytes, _bytes).map(lambda pair: pair[0] << 8 | pair[1]),
        st.lists(_bytes, min_size=1, max_size=5).map(bytes),
    ),
    min_size=1,
    max_size=3,
)


@given(_items)
@example([(0, b"\0"), (0, b"\0\0\0"), (0, b"\0")])
def test_a_built_answer_is_cut_back_exactly_when_there_is_one_way(items):
    request, answer = _request(items), _answer(items)
    expected = items if len(items) == 1 or _ways(request, answer) == 1 else None
    assert split_identifiers(request, answer) == expected


@given(st.lists(_bytes, max_size=9).map(bytes), st.lists(_bytes, max_size=14).map(bytes))
def test_any_cut_puts_the_answer_together_again(request, answer):
    request, answer = b"\x22" + request, b"\x62" + answer
    split = split_identifiers(request, answer)
    if split is not None:
        assert _answer(split) == answer
        assert _request(split) == request


@given(st.binary(max_size=12), st.binary(max_size=20))
def test_no_bytes_raise(request, answer):
    split_identifiers(request, answer)


@given(st.integers(0, 255), st.integers(0, 0xFFFF))
def test_every_identifier_has_a_name_or_none(service, identifier):
    assert isinstance(identifier_name(service, identifier), str)
