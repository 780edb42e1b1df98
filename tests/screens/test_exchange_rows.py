"""Exchanges in words, without a terminal."""

import pytest

from decoder.channels import decode
from decoder.judgement import judge
from decoder.maps.signal_map import SignalMap
from decoder.screens.exchange_rows import (
    ExchangeList,
    asked_words,
    counted_words,
    full_lines,
    identity_words,
    outcome_words,
    says_words,
    sides,
    took_words,
)
from decoder.screens.session import Session
from decoder.transport.exchange import End, Exchange
from decoder.transport.identity import identity
from tests.building import capture
from tests.screens.small_talk import POLLS, VIN, talk_frames

PACK = End(0x6EA, extended=False)
ASKER = End(0x6E2, extended=False)


def one(request="22 F1 87", answer=None, outcome="answered", *, asker=ASKER, answerer=PACK, identifier=0xF187, **more):
    asked = bytes.fromhex(request) if request else None
    return Exchange(
        time_ns=0,
        bus="can0",
        asker=asker,
        answerer=answerer,
        service=asked[0] if asked else None,
        identifier=identifier,
        name="read data by identifier",
        request=asked,
        answer=answer,
        outcome=outcome,
        **more,
    )


def session(frames=None, **more):
    channels = decode(talk_frames() if frames is None else frames, SignalMap())
    return Session(channels, judge(channels), **more)


@pytest.fixture(scope="module")
def talking():
    return session()


def lines_by_word(exchange, talk, **more):
    return dict(full_lines(exchange, talk, 0, **more))


@pytest.mark.parametrize(
    ("exchange", "words"),
    [
        (one(), "6E2 → 6EA"),
        (one(answerer=None), "6E2 → ?"),
        (one(answerer=None, functional=True), "6E2 → all"),
        (one(asker=None), "? → 6EA"),
        (one(answerer=End(0x18DAF140, extended=True, address=0xF1)), "6E2 → 18DAF140/F1"),
    ],
)
def test_who_asks_whom(exchange, words):
    assert sides(exchange) == words
    assert sides(exchange, ">") == words.replace("→", ">")


def test_identifiers_have_as_many_digits_as_their_service_gives_them():
    assert asked_words(one()) == "22 F187"
    assert asked_words(one("22 00 04", identifier=4)) == "22 0004"
    assert asked_words(one("09 0A", identifier=10)) == "09 0A"
    assert asked_words(one("3E 80", identifier=None)) == "3E"
    assert asked_words(one(None, identifier=None)) == "—"


def test_outcomes_carry_their_reason_and_the_count_of_pleas():
    assert outcome_words(one(outcome="refused", reason="security access denied")) == "refused: security access denied"
    assert outcome_words(one(pending=2)) == "answered: 2 × pending"
    assert outcome_words(one(pending=2, outcome="broken", reason="missing"), "x") == "broken: missing, 2 x pending"
    assert outcome_words(one(outcome="silent")) == "silent"


def test_how_long_it_took_has_tenths_of_a_millisecond():
    assert [took_words(took) for took in (None, 0.24, 17.857, 1704.512)] == ["", "0.2", "17.9", "1704.5"]


@pytest.mark.parametrize(
    ("exchange", "words"),
    [
        (one(answer=b"\x62\xf1\x87PART-2"), "text 'PART-2'"),
        (one("22 01 04", b"\x62\x01\x04\x92\x22"), "92 22"),  # nothing in words: the bytes themselves
        (one("22 01 04", b"\x62\x01\x04" + bytes(17)), "00 " * 16 + "…"),
        (one("19 02 08", b"\x59\x02\xff\x0a\xa6\x17\x08"), "1 trouble code: P0AA6-17 confirmed"),
        (one("22 01 04", b"\x62\x01\x04\x92", "broken"), "62 01 04 92"),
        (one("22 F1 87", b"\x7f\x22\x31", "refused"), "asked 22 F1 87"),
        (one("3E 80", None, "silent"), "asked 3E 80"),
        (one(None, None, "broken"), ""),
    ],
)
def test_what_an_answer_says_or_what_was_asked(exchange, words):
    assert says_words(exchange) == words


@pytest.mark.parametrize("outcome", ["answered", "broken", "refused"])
def test_a_vehicle_identification_number_is_nowhere_unless_asked_for(talking, outcome):
    read = one("22 F1 90", b"\x62\xf1\x90" + VIN, outcome)
    written = one("2E F1 90" + VIN.hex(), b"\x7f\x2e\x33", outcome)
    for exchange in (read, written):
        shown = says_words(exchange) + repr(full_lines(exchange, talking.talk, 0))
        assert VIN.decode() not in shown
        assert VIN[5:8].hex(" ").upper() not in shown
        whole = repr(full_lines(exchange, talking.talk, 0, show_vin=True))
        assert VIN.hex(" ").upper() in whole


def test_one_in_full_names_service_identifier_timing_frames_and_all_bytes(talking):
    first = talking.talk.exchanges[0]
    lines = lines_by_word(first, talking.talk)
    assert lines["what"] == "22 read data by identifier · F187 vehicle manufacturer spare part number"
    assert lines["outcome"] == "answered after 5.0 ms · at 1.000 s · 6E2 → 6EA on can0"
    assert lines["says"] == "text 'HS-PK-TEST-1'"
    assert lines["asked"] == "22 F1 87"
    assert lines["answer"] == f"{(bytes([0x62, 0xF1, 0x87]) + b'HS-PK-TEST-1').hex(' ').upper()} (15 bytes)"
    assert lines["frames"] == "question: line 1 · answer: 3 from line 2 to 5"  # line 3: the flow control


def test_one_in_full_says_why_there_is_no_answer(talking):
    by_outcome = {exchange.outcome: exchange for exchange in talking.talk.exchanges}
    assert "none within 5 s" in lines_by_word(by_outcome["unanswered"], talking.talk)["answer"]
    assert "as far as it arrived" in lines_by_word(by_outcome["broken"], talking.talk)["answer"]
    assert "waived" in lines_by_word(one("3E 80", outcome="silent"), talking.talk)["answer"]
    unheard = one(None, b"\x62\xf1\x87PART-2", asker=None)
    assert lines_by_word(unheard, talking.talk)["asked"] == "not heard"


def test_counts_by_outcome_the_most_frequent_first(talking):
    assert counted_words(talking.talk.exchanges) == (
        f"{POLLS + 8} exchanges: {POLLS + 5} answered, 1 refused, 1 unanswered, 1 broken"
    )
    assert counted_words([one()]) == "1 exchange: 1 answered"
    assert counted_words([]) == "0 exchanges"


def test_what_an_answerer_says_it_is_in_a_line():
    (row,) = identity([one(answer=b"\x62\xf1\x87PART-2")])
    assert identity_words(row) == "vehicle manufacturer spare part number PART-2 (F187, from 6EA)"


# The list


def test_the_list_shows_all_until_narrowed(talking):
    listed = ExchangeList(talking)
    assert list(listed.shown()) == list(range(POLLS + 8))
    listed.only_failed = True
    shown = [talking.talk.exchanges[number].outcome for number in listed.shown()]
    assert sorted(shown) == ["broken", "refused", "unanswered"]


@pytest.mark.parametrize(
    ("sought", "count"),
    [
        ("F187", 2),  # the second names it together with another
        ("f18c", 3),
        ("SPARE PART", 2),
        ("hs-pk-test", 2),
        ("p0aa6", 1),
        ("security", 1),
        ("unanswered", 1),
        ("6EA", POLLS + 8),
        ("trouble", 1),
        ("nothing of the kind", 0),
        (VIN.decode(), 0),  # hidden, so it is not found either
    ],
)
def test_the_list_finds_identifiers_words_of_the_standard_answers_and_outcomes(talking, sought, count):
    listed = ExchangeList(talking, find=sought)
    assert len(listed.shown()) == count


def test_a_shown_vehicle_identification_number_can_be_found():
    assert len(ExchangeList(session(show_vin=True), find=VIN.decode()).shown()) == 1


def test_moving_stops_at_the_ends_and_follows_what_is_left(talking):
    listed = ExchangeList(talking)
    listed.move(-1)
    assert listed.chosen == 0
    listed.move(10**9)
    assert listed.chosen == POLLS + 7
    listed.only_failed = True
    assert listed.exchange.outcome == "broken"  # the last that shows
    listed.move(-10)
    assert listed.exchange.outcome == "refused"
    listed.find = "nothing of the kind"
    assert listed.exchange is None
    listed.move(1)
    listed.only_failed, listed.find = False, ""
    assert listed.exchange.outcome == "refused"


def test_a_capture_without_questions_has_an_empty_list():
    listed = ExchangeList(session(capture([(0.0, 0x123, b"\x01\x02")])))
    assert list(listed.shown()) == []
    assert listed.exchange is None
    assert listed.sides_width() == 0
