import pytest
from hypothesis import given
from hypothesis import strategies as st
from udsoncan import Dtc, Response, services
from udsoncan.ResponseCode import ResponseCode

from decoder.transport.trouble_codes import (
    STATUS_WORDS,
    TroubleCode,
    code_text,
    status_words,
    trouble_code_words,
    trouble_codes,
)

_LISTS = [0x02, 0x0A, 0x0B, 0x0C, 0x0D, 0x0E, 0x0F, 0x13, 0x15]


def _hex(text):
    return bytes.fromhex(text)


# SAE J2012, ISO 15031-6: two bits for the letter, two for the first digit, three hex digits.
@pytest.mark.parametrize(
    ("code", "text"),
    [("0AA6", "P0AA6"), ("0133", "P0133"), ("9A01", "B1A01"), ("4123", "C0123"), ("C073", "U0073"), ("3FFF", "P3FFF")],
)
def test_two_bytes_are_a_code(code, text):
    assert code_text(*_hex(code)) == text


@given(st.integers(0, 0xFFFF))
def test_a_code_holds_all_sixteen_bits(code):
    text = code_text(code >> 8, code & 0xFF)
    assert len(text) == 5
    assert "PCBU".index(text[0]) << 14 | int(text[1]) << 12 | int(f"0{text[2:]}", 16) == code


@given(st.integers(0, 255))
def test_status_bits_are_those_of_udsoncan(status):
    theirs = Dtc.Status.from_byte(status)
    assert status_words(status) == tuple(word for word in STATUS_WORDS if getattr(theirs, word.replace(" ", "_")))


def test_two_codes_of_a_list():
    answer = _hex("59 02 FF 0AA617 09 C07300 08")
    assert trouble_codes(answer) == (TroubleCode("P0AA6", 0x17, 9), TroubleCode("U0073", 0, 8))
    assert trouble_code_words(answer) == "2 trouble codes: P0AA6-17 confirmed, test failed; U0073 confirmed"


@given(
    st.sampled_from(_LISTS),
    st.lists(st.tuples(st.integers(1, 0xFFFFFF), st.integers(0, 255)), max_size=10),
)
def test_a_list_reads_as_udsoncan_reads_it(sub_function, codes):
    data = bytes([sub_function, 0xFF]) + b"".join(code.to_bytes(3, "big") + bytes([status]) for code, status in codes)
    response = Response(services.ReadDTCInformation, code=ResponseCode.PositiveResponse, data=data)
    # The edition of 2013 has all of these sub-functions.
    theirs = services.ReadDTCInformation.interpret_response(response, sub_function, standard_version=2013).service_data
    ours = trouble_codes(response.get_payload())
    assert [(code.failure_type, code.status) for code in ours] == [
        (dtc.id & 0xFF, dtc.status.get_byte_as_int()) for dtc in theirs.dtcs
    ]
    assert [code.code for code in ours] == [code_text(dtc.id >> 16, dtc.id >> 8 & 0xFF) for dtc in theirs.dtcs]


@given(st.sampled_from([0x01, 0x07, 0x11, 0x12]), st.integers(0, 0xFFFF))
def test_a_count_reads_as_udsoncan_reads_it(sub_function, count):
    data = bytes([sub_function, 0xFF, 1]) + count.to_bytes(2, "big")
    response = Response(services.ReadDTCInformation, code=ResponseCode.PositiveResponse, data=data)
    theirs = services.ReadDTCInformation.interpret_response(response, sub_function, standard_version=2013).service_data
    assert trouble_codes(response.get_payload()) == ()
    words = trouble_code_words(response.get_payload())
    assert words == f"counts {theirs.dtc_count} trouble code{'' if count == 1 else 's'}"


@pytest.mark.parametrize(
    ("answer", "codes", "words"),
    [
        ("43 02 0AA6 C073", ["P0AA6", "U0073"], "2 trouble codes: P0AA6; U0073"),
        ("47 01 0133", ["P0133"], "1 trouble code: P0133"),
        ("4A 00", [], "no trouble codes"),
        ("43 01 0AA6 00 00", ["P0AA6"], "1 trouble code: P0AA6; 2 bytes left over"),
        ("43 03 0AA6 C0", ["P0AA6"], "1 trouble code: P0AA6; 3 announced; 1 byte left over"),
        ("43", [], "too short for trouble codes"),
        ("53 01 0AA6", ["P0AA6"], "1 trouble code: P0AA6"),
        ("53 01 0AA6 60", ["P0AA6"], "1 trouble code: P0AA6 status 0x60"),
        ("58 02 0AA6 60 0133 E1", ["P0AA6", "P0133"], "2 trouble codes: P0AA6 status 0x60; P0133 status 0xE1"),
        ("58 00", [], "no trouble codes"),
        ("59 02 FF", [], "no trouble codes"),
        ("59 02 FF 0AA617 00", ["P0AA6"], "1 trouble code: P0AA6-17 no status bit set"),
        ("59 02 FF 0AA617 08 C073", ["P0AA6"], "1 trouble code: P0AA6-17 confirmed; 2 bytes left over"),
        ("59 02", [], "too short for trouble codes"),
        ("59 01 FF 01 00", [], "too short for trouble codes"),
    ],
)
def test_codes_and_their_line(answer, codes, words):
    assert [code.code for code in trouble_codes(_hex(answer))] == codes
    assert trouble_code_words(_hex(answer)) == words


@pytest.mark.parametrize("answer", ["", "59", "59 06 0AA617 09", "62 F190", "7F 19 31", "50 03", "19 02 FF"])
def test_other_answers_hold_no_codes(answer):
    assert trouble_codes(_hex(answer)) is None
    assert trouble_code_words(_hex(answer)) is None


def test_a_long_list_is_cut_in_the_line_only():
    answer = _hex("59 02 FF") + _hex("0AA617 08") * 9
    assert len(trouble_codes(answer)) == 9
    words = trouble_code_words(answer)
    assert words.startswith("9 trouble codes: P0AA6-17 confirmed; ")
    assert words.endswith("; and 3 more")
    assert words.count("P0AA6") == 6


@given(st.binary(max_size=30) | st.binary(max_size=20).map(lambda rest: b"\x59\x02" + rest))
def test_no_bytes_raise(answer):
    assert (trouble_codes(answer) is None) == (trouble_code_words(answer) is None)


@given(st.sampled_from([0x43, 0x47, 0x4A, 0x53, 0x57, 0x58]), st.binary(min_size=1, max_size=30))
def test_no_byte_is_lost_or_read_twice(first, rest):
    answer = bytes([first]) + rest
    codes = trouble_codes(answer)
    read = sum(2 if code.status is None else 3 for code in codes)
    left_over = len(rest) - 1 - read
    assert left_over >= 0
    assert (f"{left_over} byte" in trouble_code_words(answer)) == (left_over > 0)
