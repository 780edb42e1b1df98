import inspect

import pytest
import udsoncan
from hypothesis import given
from hypothesis import strategies as st
from udsoncan import Request, Response, services
from udsoncan.BaseService import BaseService, BaseSubfunction
from udsoncan.ResponseCode import ResponseCode

from decoder.transport.services import (
    REASONS,
    SERVICES,
    echo_of_answer,
    expected_echo,
    identifier_of_answer,
    identifier_of_request,
    is_pending,
    is_plausible_answer,
    is_plausible_request,
    negative_for,
    positive_for,
    reason_word,
    service_name,
    service_of,
    waives_answer,
)

# The codes 38 to 40 had another meaning in ISO 15764, which ISO 14229-1 gave up for 38 to 3A; ours spelled otherwise.
_TWICE = {"GeneralSecurityViolation", "SecuredModeRequested", "InsufficientProtection"}
_OTHER_WORDS = {
    "RequestCorrectlyReceived_ResponsePending": "response pending",
    "ExceedNumberOfAttempts": "exceeded number of attempts",
    "UploadDownloadNotAccepted": "upload or download not accepted",
    "ThrottlePedalTooHigh": "throttle or pedal too high",
    "ThrottlePedalTooLow": "throttle or pedal too low",
    "SessionKeyCreationDerivationFailed": "session key creation or derivation failed",
}
_REFUSALS = [
    (name, code)
    for name, code in inspect.getmembers(ResponseCode, lambda member: isinstance(member, int))
    if code and name not in _TWICE
]
_CLASSES = [cls for _, cls in inspect.getmembers(services, inspect.isclass) if issubclass(cls, BaseService)]


def _letters(words):
    return "".join(filter(str.isalpha, words)).lower()


def _hex(text):
    return bytes.fromhex(text)


@pytest.mark.parametrize(("name", "code"), _REFUSALS)
def test_a_reason_is_that_of_udsoncan(name, code):
    assert _letters(reason_word(code)) == _letters(_OTHER_WORDS.get(name, name))


def test_udsoncan_gives_every_reason_that_is_not_of_iso_14230():
    older = {0x23, 0x41, 0x42, 0x43, 0x74, 0x75, 0x76, 0x77, 0x79, 0x80}
    assert set(REASONS) - older == {code for _, code in _REFUSALS}


@pytest.mark.parametrize("cls", _CLASSES)
def test_a_service_has_number_and_name_of_udsoncan(cls):
    assert _letters(SERVICES[cls.request_id()].name) == _letters(cls.__name__)
    assert expected_echo(bytes([cls.request_id()]))[0] == cls.response_id()


def test_udsoncan_knows_every_service_of_iso_14229():
    ours = {row.number for row in SERVICES.values() if row.standard == "ISO 14229-1"}
    assert ours == {cls.request_id() for cls in _CLASSES}


@pytest.mark.parametrize("cls", _CLASSES)
def test_a_service_has_a_sub_function_where_udsoncan_has_one(cls):
    row = SERVICES[cls.request_id()]
    if "_use_subfunction" in vars(cls):
        assert not row.sub_function
    elif any(inspect.isclass(item) and issubclass(item, BaseSubfunction) for item in vars(cls).values()):
        assert row.sub_function


# Answers whose repeated bytes udsoncan names; (class, data after the service, attributes and their bytes).
_ECHOES = [
    (services.DiagnosticSessionControl, "03 0032 01F4", {"session_echo": 1}),
    (services.ECUReset, "01", {"reset_type_echo": 1}),
    (services.CommunicationControl, "01", {"control_type_echo": 1}),
    (services.ControlDTCSetting, "02", {"setting_type_echo": 1}),
    (services.AccessTimingParameter, "03", {"access_type_echo": 1}),
    (services.LinkControl, "01", {"control_type_echo": 1}),
    (services.TesterPresent, "00", {"subfunction_echo": 1}),
    (services.TransferData, "07 AABB", {"sequence_number_echo": 1}),
    (services.WriteDataByIdentifier, "F198", {"did_echo": 2}),
    (services.RoutineControl, "01 0203 10", {"control_type_echo": 1, "routine_id_echo": 2}),
    (services.DynamicallyDefineDataIdentifier, "01 F201", {"subfunction_echo": 1, "did_echo": 2}),
]


@pytest.mark.parametrize(("cls", "data", "echoes"), _ECHOES)
def test_a_positive_answer_repeats_what_udsoncan_says_it_does(cls, data, echoes):
    response = Response(cls, code=ResponseCode.PositiveResponse, data=_hex(data))
    told = cls.interpret_response(response).service_data
    echo = b"".join(getattr(told, name).to_bytes(size, "big") for name, size in echoes.items())
    payload = response.get_payload()
    assert SERVICES[cls.request_id()].echo == len(echo)
    assert payload[1 : 1 + echo_of_answer(payload)] == echo
    request = bytes([cls.request_id()]) + echo + b"\x55\x66"
    assert expected_echo(request) == payload[: 1 + len(echo)] or cls is services.TesterPresent
    assert positive_for(request[: 1 + len(echo)], payload)


@pytest.mark.parametrize("waive", [False, True])
def test_bit_7_waives_the_answer_as_udsoncan_writes_it(waive):
    request = Request(services.TesterPresent, subfunction=0, suppress_positive_response=waive).get_payload()
    assert waives_answer(request) is waive
    assert expected_echo(request) == b"\x7e\x00"
    assert not waives_answer(_hex("22F190"))
    assert not waives_answer(_hex("31"))


@pytest.mark.parametrize(
    ("request_", "echo"),
    [
        ("10 03", "50 03"),
        ("10 83", "50 03"),
        ("22 F190", "62 F190"),
        ("22 F190 F18C", "62 F190"),
        ("22 F1", "62 F1"),
        ("21 01", "61 01"),
        ("19 02 FF", "59 02"),
        ("3E 00", "7E 00"),
        ("3E 80", "7E 00"),
        ("3E", "7E"),
        ("3E 01", "7E"),
        ("27 01", "67 01"),
        ("31 81 0203 10", "71 01 0203"),
        ("31 85 01", "71 85"),
        ("2E F198 01", "6E F198"),
        ("2F 1234 03 01", "6F 1234"),
        ("14 FFFFFF", "54"),
        ("01 0C", "41 0C"),
        ("02 0C 00", "42 0C 00"),
        ("09 02", "49 02"),
        ("03", "43"),
        ("36 07 AA", "76 07"),
        ("1A 90", "5A 90"),
        ("18 02 FF00", "58"),
        ("BA 01", "FA"),
        ("", ""),
        ("62 F190", ""),
    ],
)
def test_a_positive_answer_begins_with_the_echo(request_, echo):
    assert expected_echo(_hex(request_)) == _hex(echo)
    assert positive_for(_hex(request_), _hex(echo) + b"\xaa") is bool(echo)


def test_an_answer_to_something_else_is_not_taken():
    assert not positive_for(_hex("22F190"), _hex("62F18C00"))
    assert not positive_for(_hex("22F190"), _hex("61F190"))
    assert not positive_for(_hex("22F190"), b"")
    assert not positive_for(_hex("1003"), _hex("5001"))


def test_a_session_above_80_may_keep_its_bit_7():
    assert positive_for(_hex("1081"), _hex("5081"))
    assert positive_for(_hex("1081"), _hex("5001003201F4"))
    assert not positive_for(_hex("1001"), _hex("5081"))


def test_the_first_of_several_identifiers_may_be_left_out():
    assert positive_for(_hex("22 F190 F18C"), _hex("62 F18C 01"))
    assert not positive_for(_hex("22 90F1 8CF1"), _hex("62 F18C 01"))
    assert positive_for(_hex("01 0C 5B"), _hex("41 5B 80"))
    assert not positive_for(_hex("08 0C 5B"), _hex("48 5B 80"))


def test_a_bare_7e_answers_tester_present():
    for request in ("3E", "3E 00", "3E 01", "3E 80"):
        assert positive_for(_hex(request), _hex("7E"))
    assert waives_answer(_hex("3E 02"))
    assert not waives_answer(_hex("3E 01"))


def test_a_negative_answer_names_the_service():
    assert negative_for(_hex("22F190"), _hex("7F2231"))
    assert negative_for(_hex("22F190"), _hex("7F2278"))
    assert not negative_for(_hex("22F190"), _hex("7F1031"))
    assert not negative_for(_hex("22F190"), _hex("7F22"))
    assert not negative_for(b"", _hex("7F2231"))
    assert is_pending(_hex("7F2278"))
    assert not is_pending(_hex("7F2231"))
    assert not is_pending(_hex("622278"))


@pytest.mark.parametrize(
    ("answer", "identifier"),
    [
        ("62 F190", 0xF190),
        ("61 01 55", 1),
        ("71 01 0203", 0x0203),
        ("71 07", 7),
        ("41 0C", 0x0C),
        ("6E F198", 0xF198),
        ("6C 01 F201", 0xF201),
        ("5A 90 41", 0x90),
        ("6A F201", None),
        ("62 F1", None),
        ("50 03", None),
        ("7F 22 31", None),
        ("22 F190", None),
        ("FA 01 02", None),
        ("", None),
    ],
)
def test_an_answer_names_its_identifier(answer, identifier):
    assert identifier_of_answer(_hex(answer)) == identifier


@pytest.mark.parametrize(
    ("request_", "identifier"),
    [
        ("22 F190", 0xF190),
        ("31 01 0203", 0x0203),
        ("31 05", 5),
        ("2A 01 07", 7),
        ("01 5B", 0x5B),
        ("22 F1", None),
        ("10 03", None),
        ("BA 01", None),
    ],
)
def test_a_request_names_its_identifier(request_, identifier):
    assert identifier_of_request(_hex(request_)) == identifier


@pytest.mark.parametrize(
    "request_",
    [
        udsoncan.services.DiagnosticSessionControl.make_request(3).get_payload(),
        udsoncan.services.ECUReset.make_request(1).get_payload(),
        udsoncan.services.TesterPresent.make_request().get_payload(),
        udsoncan.services.ClearDiagnosticInformation.make_request(0xFFFFFF).get_payload(),
        udsoncan.services.ReadDTCInformation.make_request(2, status_mask=0xFF).get_payload(),
        udsoncan.services.ReadDTCInformation.make_request(
            0x18, dtc=0x123456, snapshot_record_number=1, memory_selection=2
        ).get_payload(),
        udsoncan.services.RoutineControl.make_request(0x0203, 1).get_payload(),
        udsoncan.services.SecurityAccess.make_request(1, mode=0).get_payload(),
        udsoncan.services.ReadMemoryByAddress.make_request(udsoncan.MemoryLocation(0x1234, 16)).get_payload(),
        udsoncan.services.RequestDownload.make_request(
            udsoncan.MemoryLocation(0x12345678, 0x1000, 32, 32)
        ).get_payload(),
        udsoncan.services.TransferData.make_request(1, b"\0\1").get_payload(),
        udsoncan.services.RequestTransferExit.make_request().get_payload(),
        _hex("22 F190"),
        _hex("22 F190 F18C"),
        _hex("21 01"),
        _hex("3E"),
        _hex("3E 01"),
        _hex("01 00 20 40 60 80 A0"),
        _hex("09 02"),
        _hex("03"),
        _hex("31 07"),
    ],
)
def test_a_request_of_the_standards_is_plausible(request_):
    assert is_plausible_request(request_)


@pytest.mark.parametrize(
    "payload",
    [
        "",
        "00",
        "22",
        "22 F1",
        "22 F190 F1",
        "10",
        "10 03 00",
        "3E 00 00",
        "03 00",
        "01",
        "01 00 20 40 60 80 A0 C0",
        "02 0C",
        "62 F190 00",
        "BA 01",
        "7F 22 31",
    ],
)
def test_what_no_standard_allows_is_no_plausible_request(payload):
    assert not is_plausible_request(_hex(payload))


@pytest.mark.parametrize("payload", ["7F 22 31", "62 F190", "7E", "7E 00", "54", "71 07", "43 00", "50 03 0032 01F4"])
def test_an_answer_of_the_standards_is_plausible(payload):
    assert is_plausible_answer(_hex(payload))


@pytest.mark.parametrize("payload", ["", "7F 22", "7F 22 31 00", "7F BA 31", "7F 22 F0", "62 F1", "22 F190", "FA 00"])
def test_what_cannot_be_an_answer_is_not_plausible(payload):
    assert not is_plausible_answer(_hex(payload))


def test_7f_is_never_a_positive_answer():
    assert expected_echo(_hex("3F 01")) == b""
    assert not positive_for(_hex("3F"), _hex("7F 3F 11"))
    assert negative_for(_hex("3F"), _hex("7F 3F 11"))


def test_what_no_standard_names_is_shown_by_number():
    assert reason_word(0xF0) == "reason 0xF0"
    assert reason_word(0x31) == "request out of range"
    assert service_name(0xBA) == "service 0xBA"
    assert service_name(0x22) == "read data by identifier"
    assert service_of(_hex("BA01")) == 0xBA
    assert service_of(_hex("7F2231")) is None
    assert service_of(b"") is None


def test_rows_are_whole():
    for row in SERVICES.values():
        assert (row.identifier_at is None) == (row.identifier_bytes == 0)
        assert row.shortest >= 1
        assert row.longest is None or row.longest >= row.shortest
        assert not row.number & 0x40
        assert row.echo or not row.several


@given(st.binary(max_size=12), st.binary(max_size=12))
def test_no_bytes_raise(request, answer):
    for question in (expected_echo, waives_answer, identifier_of_request, is_plausible_request, service_of):
        question(request)
    for question in (is_pending, identifier_of_answer, is_plausible_answer, echo_of_answer):
        question(answer)
    positive_for(request, answer)
    negative_for(request, answer)


def _is_asked(request):
    return not request[0] & 0x40 and request[0] != 0x3F


@given(st.binary(min_size=1, max_size=12).filter(_is_asked), st.binary(max_size=8))
def test_what_begins_with_the_echo_is_positive_and_names_the_same_identifier(request, data):
    answer = expected_echo(request) + data
    assert positive_for(request, answer)
    assert not negative_for(request, answer)
    if is_plausible_request(request) and request[0] != 0x2A and len(request) > 3:
        assert identifier_of_answer(answer) == identifier_of_request(request)
