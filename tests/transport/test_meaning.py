import re

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from decoder.transport.meaning import answer_hex, group_hex, masked, meaning, request_hex, text_of

_VIN = "TESTV1N0000000001"


@pytest.mark.parametrize("service", [0x24, 0x2E, 0x2F])
def test_a_number_under_its_identifier_is_hidden_whatever_the_service(service):
    number = b"testv1n0000000001"  # in small letters it does not have the form of one
    asked, answered = bytes([service, 0xF1, 0x90]) + number, bytes([service + 0x40, 0xF1, 0x90]) + number
    assert number.hex(" ").upper() not in request_hex(asked)
    assert number.hex(" ").upper() not in answer_hex(asked, answered)
    assert number.hex(" ").upper() not in answer_hex(None, answered)


def _hex(text):
    return bytes.fromhex(text)


@pytest.mark.parametrize(
    ("request_", "answer", "line"),
    [
        ("22 F18C", b"\x62\xf1\x8cHS-PACK-62\0\0", "text 'HS-PACK-62'"),
        (None, b"\x62\xf1\x8cHS-PACK-62\xff", "text 'HS-PACK-62'"),
        ("1A 87", b"\x5a\x87HS-PACK-62", "text 'HS-PACK-62'"),
        ("21 80", b"\x61\x80HS-PACK-62", "text 'HS-PACK-62'"),
        ("09 0A", b"\x49\x0a\x01HS-PACK-62\0\0", "text 'HS-PACK-62'"),
        (
            "19 02 FF",
            _hex("59 02 FF 0AA617 09 C07300 08"),
            "2 trouble codes: P0AA6-17 confirmed, test failed; U0073 confirmed",
        ),
        ("19 01 FF", _hex("59 01 FF 01 0007"), "counts 7 trouble codes"),
        ("22 F190", _hex("7F 22 31"), "refused: request out of range"),
        ("22 F190", _hex("7F 22 78"), "response pending"),
        ("22 F190", _hex("7F 22"), "refused, without a reason"),
        ("22 F190", _hex("7F 22 F0"), "refused: reason 0xF0"),
        ("10 03", _hex("50 03 00 32 01 F4"), "P2 50 ms, P2* 5000 ms"),
        ("10 81", _hex("50 81"), "accepted"),
        ("3E 00", _hex("7E 00"), "accepted"),
        ("2E F198 01", _hex("6E F198"), "accepted"),
        ("22 0100", _hex("62 0100 0E74"), "2 bytes"),
        ("27 01", b"\x67\x01SEED", "4 bytes"),
        ("22 F18C 0100", b"\x62\xf1\x8cHS-PACK-62\x01\x00\x0e", "F18C text 'HS-PACK-62'; 0100 1 byte"),
        (
            "22 0100 0200",
            _hex("62 0100 55 0200 0200 66"),
            "2 identifiers asked for; where each one begins is not clear",
        ),
        ("22 0100", _hex("62 0200 55"), "does not fit the request"),
        ("22 0100", None, ""),
        (None, None, ""),
    ],
)
def test_a_line_says_what_the_answer_says(request_, answer, line):
    assert meaning(None if request_ is None else _hex(request_), answer) == line


def test_text_is_three_printable_characters_or_more():
    assert text_of(b"HS1 \0\xff\0") == "HS1"
    assert text_of(b"HS\0\0\0") is None
    assert text_of(b"   \0\0") is None
    assert text_of(b"HS\x1b[2J") is None
    assert text_of(b"HS\0PACK") is None
    assert text_of(b"H\xe4fen") is None
    assert text_of(b"") is None


def test_a_long_text_is_cut():
    line = meaning(_hex("22 F197"), _hex("62 F197") + b"x" * 4000)
    assert len(line) < 80
    assert "…" in line


def test_a_masked_number_keeps_its_maker():
    assert masked(_VIN) == "TES**************"
    assert masked("TESTV1N") == "*******"


# Request, bytes before the number, bytes behind it.
_CARRIERS = [
    ("22 F190", "62 F190", ""),
    ("22 F802", "62 F802", ""),
    (None, "62 F190", ""),
    (None, "62 F190", "F18C 48532D50"),
    (None, "62 0100 0E74 F190", ""),
    ("22 F190 F18C", "62 F190", "F18C 48532D50"),
    ("22 F18C F190 0100", "62 F18C 4853 F190", "0100 0E74"),
    ("22 F18C F190", "62 F18C 4853 F190 55 F190", ""),
    ("22 F18C F190 0100", "62 F18C 4853 F190", ""),
    ("22 F18C F190", "62 F18C F190", "F190 F190"),
    ("22 F190 F18C", "62 F190", "00 F18C F18C 55"),
    ("22 0100", "62 F190", ""),
    ("22 F190", "", ""),
    ("22 F190", "55", ""),
    ("09 02", "49 02 01", ""),
    ("09 02", "49 02", ""),
    (None, "49 02 01", ""),
    ("09 04", "49 02 01", ""),
    ("09 02", "49 04 01", ""),
    ("1A 90", "5A 90", ""),
    (None, "5A 90", "000000"),
    ("21 01", "5A 90", ""),
]


# The second one has not the form of ISO 3779, so only its identifier tells.
@pytest.mark.parametrize("vin", [_VIN, "TESTV1N0000000ABC"])
@pytest.mark.parametrize(("request_", "before", "behind"), _CARRIERS)
def test_a_vehicle_identification_number_is_hidden(request_, before, behind, vin):
    request = None if request_ is None else _hex(request_)
    answer = _hex(before) + vin.encode() + _hex(behind)
    assert vin[3:] not in meaning(request, answer)
    shown = answer_hex(request, answer)
    assert len(shown) == len(answer) * 3 - 1
    place = len(_hex(before)) * 3
    assert shown[place : place + 50] == " ".join(["**"] * 17)
    assert answer_hex(request, answer, show_vin=True) == answer.hex(" ").upper()


def test_hex_hides_the_number_and_nothing_else_where_the_cut_is_clear():
    request = _hex("22 F18C F190 0100")
    answer = b"\x62\xf1\x8cHS\xf1\x90" + _VIN.encode() + b"\x01\x00\x0e\x74"
    assert answer_hex(request, answer) == "62 F1 8C 48 53 F1 90 " + "** " * 17 + "01 00 0E 74"
    assert meaning(request, answer) == "F18C 2 bytes; F190 text 'TES**************'; 0100 2 bytes"
    assert meaning(request, answer, show_vin=True) == f"F18C 2 bytes; F190 text '{_VIN}'; 0100 2 bytes"


def test_hex_hides_all_that_follows_where_the_cut_is_not_clear():
    answer = b"\x62\xf1\x8cHS\xf1\x90" + _VIN.encode() + b"\x01\x00\x0e\x01\x00\x74"
    assert answer_hex(_hex("22 F18C F190 0100"), answer) == "62 F1 8C 48 53 F1 90 " + " ".join(["**"] * 23)


def test_a_number_that_seems_too_short_hides_what_follows():
    # 5631 was left out of the answer, and its two bytes turn up within the number.
    answer = b"\x62\xf1\x90" + _VIN.encode()
    assert answer_hex(_hex("22 F190 5631"), answer) == "62 F1 90 " + " ".join(["**"] * 17)
    assert "1N000" not in meaning(_hex("22 F190 5631"), answer)


def test_a_number_under_an_identifier_of_the_maker_is_known_by_its_form():
    answer = b"\x62\x01\x41" + _VIN.encode()
    assert meaning(_hex("22 0141"), answer) == "text 'TES**************'"
    assert answer_hex(_hex("22 0141"), answer) == "62 01 41 " + " ".join(["**"] * 17)
    assert meaning(_hex("22 0141"), answer, show_vin=True) == f"text '{_VIN}'"


@pytest.mark.parametrize("text", ["HS-PACK-62-000001", "TESTV1N000000000A", "12345678901234567", "TESTV1N00000000012"])
def test_other_text_is_shown(text):
    answer = b"\x62\xf1\x8c" + text.encode()
    assert meaning(_hex("22 F18C"), answer) == f"text '{text}'"
    assert answer_hex(_hex("22 F18C"), answer) == answer.hex(" ").upper()


@pytest.mark.parametrize("before", ["2E F190", "2E F802", "3B 90", "2E 0141"])
def test_a_number_that_is_written_is_hidden(before):
    request = _hex(before) + _VIN.encode()
    assert request_hex(request) == _hex(before).hex(" ").upper() + " **" * 17
    assert request_hex(request, show_vin=True) == request.hex(" ").upper()


def test_other_requests_are_shown_in_full():
    assert request_hex(_hex("22F190")) == "22 F1 90"
    assert request_hex(_hex("2EF19801")) == "2E F1 98 01"
    assert request_hex(_hex("0902")) == "09 02"
    assert request_hex(b"") == ""


def test_a_refusal_is_shown_in_full():
    assert answer_hex(_hex("22F190"), _hex("7F2231")) == "7F 22 31"
    assert answer_hex(None, b"") == ""


# Most of these have not the form of ISO 3779, so only the identifier tells.
_vins = st.text("0123456789ABCDEFGHJKLMNPRSTUVWXYZ", min_size=17, max_size=17)
_some = st.sampled_from([b"\xf1\x90", b"\xf1\x8c", b"\x01\x00", b"\x02", b"\x48\x53", b"\x30"])


@given(
    st.sampled_from(["22 F190", "22 F18C F190", "22 F190 F18C", "22 F18C F190 0100", "22 F190 3030", None]),
    _vins,
    st.lists(_some, max_size=4).map(b"".join),
    st.lists(_some, max_size=4).map(b"".join),
    st.booleans(),
)
@example("22 F190 3030", "TESTV1N0000000001", b"", b"", False)
def test_no_answer_with_f190_lets_the_number_out(request_, vin, before, behind, first):
    request = None if request_ is None else _hex(request_)
    head = b"\x62" if first else b"\x62\xf1\x8c" + before
    answer = head + b"\xf1\x90" + vin.encode() + behind
    if request == _hex("22 F190"):
        answer = b"\x62\xf1\x90" + vin.encode() + behind
    place = answer.rindex(vin.encode()) if vin.encode() not in head else len(head) + 2
    shown = answer_hex(request, answer).split(" ")
    assert shown[place : place + 17] == ["**"] * 17
    line = meaning(request, answer)
    assert not any(vin[at : at + 5] in line for at in range(3, 13))


@given(st.none() | st.binary(max_size=10), st.none() | st.binary(max_size=40), st.booleans())
def test_no_bytes_raise_and_a_line_is_printable(request, answer, show_vin):
    line = meaning(request, answer, show_vin=show_vin)
    assert line.isprintable()
    assert "\n" not in line
    if answer is not None:
        assert re.fullmatch(r"([0-9A-F*]{2}( [0-9A-F*]{2})*)?", answer_hex(request, answer, show_vin=show_vin))
        assert len(answer_hex(request, answer)) == max(len(answer) * 3 - 1, 0)
    if request is not None:
        assert len(request_hex(request)) == max(len(request) * 3 - 1, 0)


@given(
    st.sampled_from([0x49, 0x50, 0x53, 0x59, 0x5A, 0x61, 0x62, 0x71, 0x7F]),
    st.binary(max_size=40),
    st.none() | st.binary(max_size=6),
)
def test_no_answer_of_a_known_service_raises(first, rest, request):
    meaning(request, bytes([first]) + rest)
    answer_hex(request, bytes([first]) + rest)


def test_a_number_right_behind_the_service_is_hidden_too():
    assert _VIN.encode().hex(" ").upper() not in answer_hex(None, b"\x61" + _VIN.encode())


def test_the_parameter_group_of_the_vehicle_identification_is_hidden():
    assert group_hex(0xFEEC, b"small letters*") == " ".join(["**"] * 14)
    assert group_hex(0xFEEC, b"AB", show_vin=True) == "41 42"
    assert group_hex(0xFF50, b"\x01" + _VIN.encode()) == "01 " + " ".join(["**"] * 17)
    assert group_hex(0xFF50, b"\x01\x02") == "01 02"
