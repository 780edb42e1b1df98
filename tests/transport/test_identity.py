"""What answerers say they are."""

import pytest

from decoder.transport.exchange import End, Exchange
from decoder.transport.identity import identity

PACK = End(0x6EA, extended=False)
ASKER = End(0x6E2, extended=False)
VIN = b"TESTV1N0000000001"


def asked(request, answer, *, time_ns=0, outcome="answered", answerer=PACK, bus="can0"):
    whole = bytes.fromhex(request) if request is not None else None
    return Exchange(
        time_ns=time_ns,
        bus=bus,
        asker=ASKER if whole else None,
        answerer=answerer,
        service=whole[0] if whole else answer[0] - 0x40,
        identifier=None,
        name="",
        request=whole,
        answer=answer,
        outcome=outcome,
    )


def shown(*exchanges, **more):
    return [(row.asked_as, row.name, row.text) for row in identity(exchanges, **more)]


def test_texts_come_with_the_words_of_the_standard_in_the_order_of_their_identifiers():
    rows = shown(asked("22 F18C", b"\x62\xf1\x8cSN-1"), asked("22 F187", b"\x62\xf1\x87PART-2\x00\xff"))
    assert rows == [
        ("F187", "vehicle manufacturer spare part number", "PART-2"),
        ("F18C", "ECU serial number", "SN-1"),
    ]


def test_each_of_several_identifiers_in_one_request_counts():
    answer = b"\x62\xf1\x87PART-2\xf1\x86\x01\xf1\x95V1.2"
    assert [row[0::2] for row in shown(asked("22 F187 F186 F195", answer))] == [("F187", "PART-2"), ("F195", "V1.2")]


@pytest.mark.parametrize(
    ("request_", "answer"),
    [
        ("22 F186", b"\x62\xf1\x86\x01"),  # a number
        ("22 0104", b"\x62\x01\x04ABCDEF"),  # measured values that look like text
        ("22 F190", b"\x7f\x22\x31"),
        ("09 06", b"\x49\x06\x01ABCD"),  # a checksum that looks like text
        ("27 01", b"\x67\x01ABCD"),
    ],
)
def test_what_is_no_name_or_number_of_a_part_is_left_out(request_, answer):
    assert shown(asked(request_, answer)) == []


def test_answers_that_did_not_arrive_whole_are_left_out():
    assert shown(asked("22 F187", b"\x62\xf1\x87PAR", outcome="broken")) == []


def test_an_answer_whose_request_was_not_heard_counts():
    assert shown(asked(None, b"\x62\xf1\x87PART-2"))[0][0::2] == ("F187", "PART-2")


def test_equal_answers_are_one_row_with_the_latest_time():
    (row,) = identity([asked("22 F187", b"\x62\xf1\x87ABC", time_ns=n) for n in (5, 9)])
    assert row.time_ns == 9


def test_answers_that_differ_are_both_there_the_earlier_first():
    rows = identity([asked("22 F187", b"\x62\xf1\x87" + text, time_ns=n) for n, text in ((5, b"OLD"), (9, b"NEW"))])
    assert [(row.text, row.time_ns) for row in rows] == [("OLD", 5), ("NEW", 9)]


def test_the_same_identifier_of_two_answerers_is_two_rows_in_the_order_of_their_identifiers():
    other = End(0x18DAF140, extended=True)
    rows = identity([asked("22 F187", b"\x62\xf1\x87ABC", answerer=end) for end in (other, PACK)])
    assert [row.answerer for row in rows] == [PACK, other]


@pytest.mark.parametrize(
    ("request_", "answer"),
    [
        ("22 F190", b"\x62\xf1\x90" + VIN),
        ("1A 90", b"\x5a\x90" + VIN),
        ("09 02", b"\x49\x02\x01" + VIN),
        ("09 02", b"\x49\x02\x01\x00\x00\x00" + VIN),
        ("22 F18C", b"\x62\xf1\x8c" + VIN),  # under another identifier, known by its form
    ],
)
def test_a_vehicle_identification_number_shows_only_its_maker_unless_asked_for(request_, answer):
    exchange = asked(request_, answer)
    (hidden,) = shown(exchange)
    assert hidden[2] == "TES" + "*" * 14
    (whole,) = shown(exchange, show_vin=True)
    assert whole[2] == VIN.decode()


def test_two_different_vehicle_identification_numbers_stay_two_rows_though_they_look_alike():
    other = VIN[:-1] + b"2"
    rows = shown(asked("22 F190", b"\x62\xf1\x90" + VIN), asked("22 F190", b"\x62\xf1\x90" + other))
    assert len(rows) == 2
    assert rows[0] == rows[1]


def test_calibration_identifications_have_16_bytes_each():
    data = b"CAL-0001".ljust(16, b"\x00") + b"CAL-0002".ljust(16, b"\x00")
    rows = shown(asked("09 04", b"\x49\x04\x02" + data))
    assert rows == [("09 04", "calibration identifications", "CAL-0001, CAL-0002")]


def test_an_ecu_name_is_acronym_and_name():
    rows = shown(asked("09 0A", b"\x49\x0a\x01PACK\x2dCellMonitor\x00"))
    assert rows == [("09 0A", "ECU name", "PACK-CellMonitor")]
    rows = shown(asked("09 0A", b"\x49\x0a\x01ECM\x00\x2dEngine\x00\x00\x00\x00\x00\x00\x00\x00\x00"))
    assert rows[0][2] == "ECM-Engine"


def test_identification_options_take_the_words_of_the_later_data_identifiers():
    assert shown(asked("1A 91", b"\x5a\x91HW-7")) == [("1A 91", "vehicle manufacturer ECU hardware number", "HW-7")]
    assert shown(asked("1A 87", b"\x5a\x87XY-7")) == [("1A 87", "", "XY-7")]
