"""Questions and answers as udsoncan writes them, put on a bus by hand, and what becomes of them."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from udsoncan import Request, Response, services

from decoder.transport.exchange import End
from decoder.transport.exchanges import FAILED, exchanges
from decoder.transport.iso_tp import conversations
from tests.building import capture, cut_up

ASKER, ANSWERER = 0x7E0, 0x7E8
OK = Response.Code.PositiveResponse
WAIT = Response.Code.RequestCorrectlyReceived_ResponsePending
READ = services.ReadDataByIdentifier


def ask(service, data=b"", **more):
    return Request(service, data=data, **more).get_payload()


def answer(service, data=b"", code=OK):
    return Response(service, code, data=data if code == OK else None).get_payload()


def read(identifier, *more):
    return ask(READ, b"".join(one.to_bytes(2, "big") for one in (identifier, *more)))


def value(identifier, body=b"\x01\x02"):
    return answer(READ, identifier.to_bytes(2, "big") + body)


def frames(time_s, can_id, payload, to=None):
    """Rows of one message from `time_s` on, a millisecond apart; flow control comes from `to`."""
    if len(payload) <= 7:
        return [(time_s, can_id, (bytes([len(payload)]) + payload).ljust(8, b"\x55"))]
    words = [(can_id, (0x1000 | len(payload)).to_bytes(2, "big") + payload[:6])]
    words += [(to, bytes.fromhex("300000").ljust(8, b"\x55"))] if to is not None else []
    for number, at in enumerate(range(6, len(payload), 7), start=1):
        words.append((can_id, (bytes([0x20 | number % 16]) + payload[at : at + 7]).ljust(8, b"\x55")))
    return [(time_s + at / 1000, *word) for at, word in enumerate(words)]


ASK = read(0xF190)
NAME = value(0xF190, b"TESTV1N0000000001")
OPENING = frames(0, ASKER, read(0xF190)) + frames(0.01, ANSWERER, NAME, ASKER)


def heard(*messages, opening=OPENING, until=None):
    """The exchanges of a capture of (time, identifier, payload), without the one in front that leaves no doubt."""
    rows = list(opening)
    for time_s, can_id, payload in messages:
        rows += frames(time_s, can_id, payload, ASKER if can_id == ANSWERER else ANSWERER)
    rows += [(until, 0x555, b"\xff" * 8)] if until else []
    listed = exchanges(capture(sorted(rows, key=lambda row: row[0])))
    return listed[1:] if opening else listed


def only(listed):
    (one,) = listed
    return one


def test_the_one_in_front():
    one = only(exchanges(capture(OPENING)))
    assert (one.asker, one.answerer, one.bus) == (End(ASKER, False), End(ANSWERER, False), "can0")
    assert (one.request, one.answer, one.outcome, one.reason) == (read(0xF190), NAME, "answered", "")
    assert (one.service, one.identifier, one.name) == (0x22, 0xF190, "read data by identifier")
    assert (one.functional, one.pending, one.time_ns) == (False, 0, 0)
    assert one.latency_ms == pytest.approx(10)
    assert (one.request_transfer, one.answer_transfer) == (0, 1)


def test_latency_is_from_the_last_frame_of_the_question_to_the_first_of_the_answer():
    question = ask(services.WriteDataByIdentifier, bytes.fromhex("F198") + bytes(30))
    one = only(heard((1, ASKER, question), (1.107, ANSWERER, answer(services.WriteDataByIdentifier, b"\xf1\x98"))))
    # A first frame, flow control, four more: the last comes 5 ms behind the first, so 102 ms are left.
    assert len(frames(1, ASKER, question, ANSWERER)) == 6
    assert one.latency_ms == pytest.approx(102)
    assert (one.outcome, one.request, one.identifier) == ("answered", question, 0xF198)


def test_refused():
    refusal = answer(READ, code=Response.Code.RequestOutOfRange)
    one = only(heard((1, ASKER, read(0x5000)), (1.02, ANSWERER, refusal)))
    assert (one.outcome, one.reason, one.answer) == ("refused", "request out of range", bytes.fromhex("7F2231"))
    assert one.latency_ms == pytest.approx(20)
    assert one.outcome in FAILED


def test_the_final_answer_after_two_that_ask_for_time():
    pending = answer(READ, code=WAIT)
    one = only(
        heard(
            (1, ASKER, read(0x5000)), (1.05, ANSWERER, pending), (5.5, ANSWERER, pending), (10, ANSWERER, value(0x5000))
        )
    )
    assert (one.outcome, one.pending, one.answer) == ("answered", 2, value(0x5000))
    assert one.latency_ms == pytest.approx(9000)


def test_the_final_answer_never_comes():
    pending = answer(READ, code=WAIT)
    one = only(heard((1, ASKER, read(0x5000)), (1.05, ANSWERER, pending), until=30))
    assert (one.outcome, one.pending, one.answer, one.latency_ms) == ("pending", 1, None, None)
    assert one.outcome in FAILED


def test_the_final_answer_comes_too_late_after_one_that_asks_for_time():
    pending = answer(READ, code=WAIT)
    listed = heard((1, ASKER, read(0x5000)), (1.05, ANSWERER, pending), (6.2, ANSWERER, value(0x5000)))
    assert [(one.outcome, one.request is None) for one in listed] == [("pending", False), ("answered", True)]


def test_a_refusal_after_one_that_asks_for_time():
    pending, refusal = answer(READ, code=WAIT), answer(READ, code=Response.Code.ConditionsNotCorrect)
    one = only(heard((1, ASKER, read(0x5000)), (1.05, ANSWERER, pending), (2, ANSWERER, refusal)))
    assert (one.outcome, one.reason, one.pending) == ("refused", "conditions not correct", 1)


def test_nothing_comes():
    one = only(heard((1, ASKER, read(0x5000)), until=30))
    assert (one.outcome, one.answer, one.latency_ms, one.answer_transfer) == ("unanswered", None, None, None)
    assert one.outcome in FAILED


def test_what_comes_after_five_seconds_is_no_answer():
    listed = heard((1, ASKER, read(0x5000)), (6.1, ANSWERER, value(0x5000)))
    assert [(one.outcome, one.request is None) for one in listed] == [("unanswered", False), ("answered", True)]


def test_what_comes_within_five_seconds_is():
    assert only(heard((1, ASKER, read(0x5000)), (5.9, ANSWERER, value(0x5000)))).latency_ms == pytest.approx(4900)


def test_who_wants_no_answer_gets_silence():
    one = only(heard((1, ASKER, ask(services.TesterPresent, subfunction=0, suppress_positive_response=True)), until=30))
    assert (one.request, one.outcome, one.service) == (b"\x3e\x80", "silent", 0x3E)
    assert one.outcome not in FAILED


def test_who_wants_no_answer_can_be_refused():
    question = ask(services.TesterPresent, subfunction=0, suppress_positive_response=True)
    refusal = answer(services.TesterPresent, code=Response.Code.SubFunctionNotSupported)
    one = only(heard((1, ASKER, question), (1.02, ANSWERER, refusal)))
    assert (one.outcome, one.reason) == ("refused", "sub-function not supported")


def test_an_answer_that_loses_a_frame_is_broken():
    rows = OPENING + frames(1, ASKER, read(0xF190)) + frames(1.01, ANSWERER, NAME, ASKER)
    for gone, reason in ((len(rows) - 2, "missing"), (len(rows) - 1, "cut off")):
        one = exchanges(capture(rows[:gone] + rows[gone + 1 :]))[1]
        assert (one.outcome, one.reason, one.request) == ("broken", reason, read(0xF190))
        assert NAME.startswith(one.answer)
        assert one.outcome in FAILED


def test_an_answer_without_its_first_frame_is_broken():
    rows = OPENING + frames(1, ASKER, read(0xF190)) + frames(1.01, ANSWERER, NAME, ASKER)[1:]
    one = only(exchanges(capture(rows))[1:])
    assert (one.outcome, one.reason, one.answer) == ("broken", "missing", None)


def test_a_question_that_loses_a_frame_is_broken():
    question = ask(services.WriteDataByIdentifier, bytes.fromhex("F198") + bytes(30))
    rows = OPENING + frames(1, ASKER, question, ANSWERER)[:-1]
    one = only(exchanges(capture([*rows, (30, 0x555, b"\xff" * 8)]))[1:])
    assert (one.outcome, one.reason) == ("broken", "time-out")
    assert question.startswith(one.request)


def test_a_question_to_all_gives_an_exchange_for_each_that_answers():
    listed = heard(
        (1, 0x7DF, bytes.fromhex("0100")),
        (1.01, 0x7E8, bytes.fromhex("4100BE1FA813")),
        (1.02, 0x7E9, bytes.fromhex("410080000001")),
        opening=(),
    )
    assert [(str(one.asker), str(one.answerer), one.functional, one.outcome) for one in listed] == [
        ("7DF", "7E8", True, "answered"),
        ("7DF", "7E9", True, "answered"),
    ]
    assert [one.latency_ms for one in listed] == [pytest.approx(10), pytest.approx(20)]
    assert {one.request_transfer for one in listed} == {0}


def test_a_question_to_all_that_nobody_answers_is_one_unanswered():
    listed = heard(
        (1, 0x7DF, bytes.fromhex("0100")),
        (1.01, 0x7E8, bytes.fromhex("4100BE1FA813")),
        (1.02, 0x7E9, bytes.fromhex("410080000001")),
        (9, 0x7DF, bytes.fromhex("0120")),
        opening=(),
        until=30,
    )
    assert len(listed) == 3
    assert (listed[2].answerer, listed[2].outcome, listed[2].functional) == (None, "unanswered", True)


def test_a_question_to_all_without_any_answer_in_the_capture():
    one = only(heard((1, 0x7DF, bytes.fromhex("0100")), opening=(), until=30))
    assert (str(one.asker), one.answerer, one.outcome, one.functional) == ("7DF", None, "unanswered", True)


def test_answers_alone_name_what_they_answer():
    rows = [row for row in OPENING if row[1] == ANSWERER]
    one = only(exchanges(capture(rows)))
    assert (one.asker, one.answerer, one.request, one.outcome) == (None, End(ANSWERER, False), None, "answered")
    assert (one.service, one.identifier, one.answer, one.latency_ms) == (0x22, 0xF190, NAME, None)


def test_a_refusal_alone_names_the_service():
    one = only(heard((1, ANSWERER, answer(READ, code=Response.Code.RequestOutOfRange)), opening=()))
    assert (one.asker, one.service, one.outcome, one.reason) == (None, 0x22, "refused", "request out of range")


def test_answers_alone_that_ask_for_time_are_counted_with_the_final_one():
    pending = answer(READ, code=WAIT)
    one = only(heard((1, ANSWERER, pending), (2, ANSWERER, pending), (3, ANSWERER, value(0x5000)), opening=()))
    assert (one.outcome, one.pending, one.request) == ("answered", 2, None)


def test_several_identifiers_in_one_question():
    both = answer(READ, bytes.fromhex("F190") + b"TESTV1N0000000001" + bytes.fromhex("F18C01020304"))
    one = only(heard((1, ASKER, read(0xF190, 0xF18C)), (1.01, ANSWERER, both)))
    assert (one.outcome, one.identifier, one.answer) == ("answered", 0xF190, both)


def test_of_several_identifiers_only_the_last_is_known():
    one = only(heard((1, ASKER, read(0xF190, 0xF18C)), (1.01, ANSWERER, value(0xF18C))))
    assert (one.outcome, one.answer) == ("answered", value(0xF18C))


def test_two_askers_of_one_answerer_each_get_their_own():
    messages = []
    for turn in range(6):
        asker, identifier = ((ASKER, 0x5000), (0x6F0, 0x6000))[turn % 2]
        messages += [(1 + turn, asker, read(identifier)), (1.02 + turn, ANSWERER, value(identifier))]
    listed = heard(*messages)
    assert [(one.asker.can_id, one.identifier, one.outcome) for one in listed] == [
        (ASKER, 0x5000, "answered"),
        (0x6F0, 0x6000, "answered"),
    ] * 3


def test_a_late_answer_goes_to_the_earlier_question_that_it_fits():
    listed = heard((1, ASKER, read(0x5000)), (2, ASKER, read(0x6000)), (2.1, ANSWERER, value(0x5000)), until=30)
    assert [(one.identifier, one.outcome) for one in listed] == [(0x5000, "answered"), (0x6000, "unanswered")]
    assert listed[0].latency_ms == pytest.approx(1100)


def test_a_refusal_goes_to_the_latest_question_of_its_service():
    refusal = answer(READ, code=Response.Code.RequestOutOfRange)
    listed = heard(
        (1, ASKER, read(0x5000)),
        (2, ASKER, read(0x6000)),
        (3, ASKER, ask(services.ECUReset, subfunction=1)),
        (3.1, ANSWERER, refusal),
        until=30,
    )
    assert [one.outcome for one in listed] == ["unanswered", "refused", "unanswered"]


def test_the_same_question_twice_is_answered_twice():
    listed = heard(
        *((1 + turn, ASKER, read(0x5000)) for turn in range(3)),
        *((1.02 + turn, ANSWERER, value(0x5000, bytes([turn]))) for turn in range(3)),
    )
    assert [one.answer[-1] for one in listed] == [0, 1, 2]


def test_extended_addresses_are_named():
    rows = []
    for can_id, words in ((0x6F1, ["12 03 22 F1 90 AA AA AA"]), (0x612, ["F1 07 62 F1 90 31 32 33"])):
        rows += [(len(rows) / 100, can_id, bytes.fromhex(word)) for word in words]
    # seven bytes do not fit behind the address, so the answer takes two frames
    rows[1:] = [
        (0.01, 0x612, bytes.fromhex("F1100862F1903132")),
        (0.02, 0x6F1, bytes.fromhex("12300000AAAAAAAA")),
        (0.03, 0x612, bytes.fromhex("F121333435AAAAAA")),
    ]
    one = only(exchanges(capture(rows)))
    assert (str(one.asker), str(one.answerer)) == ("6F1/12", "612/F1")
    assert one.answer == bytes.fromhex("62F1903132333435")


_BODIES = st.binary(min_size=1, max_size=60)
_EACH = st.one_of(
    st.tuples(st.just("answered"), st.integers(0, 0xFFFF), _BODIES, st.integers(0, 3)),
    st.tuples(st.just("refused"), st.integers(0, 0xFFFF), st.sampled_from([0x10, 0x22, 0x31, 0x33]), st.integers(0, 3)),
    st.tuples(st.just("unanswered"), st.integers(0, 0xFFFF), st.none(), st.just(0)),
    st.tuples(st.just("pending"), st.integers(0, 0xFFFF), st.none(), st.integers(1, 3)),
    st.tuples(st.just("silent"), st.just(None), st.none(), st.just(0)),
)


@given(st.lists(_EACH, max_size=12))
def test_any_row_of_outcomes_is_listed_as_it_was(told):
    messages, clock, expected = [], 1.0, []
    for outcome, identifier, content, pleas in told:
        question = b"\x3e\x80" if outcome == "silent" else read(identifier)
        messages.append((clock, ASKER, question))
        messages += [(clock + 0.1 * (1 + n), ANSWERER, answer(READ, code=WAIT)) for n in range(pleas)]
        reply = None
        if outcome == "answered":
            reply = value(identifier, content)
        elif outcome == "refused":
            reply = answer(READ, code=content)
        if reply:
            messages.append((clock + 0.5, ANSWERER, reply))
        expected.append((outcome, question, reply, pleas, pytest.approx(500) if reply else None))
        clock += 10
    listed = heard(*messages, until=clock)
    assert [(one.outcome, one.request, one.answer, one.pending, one.latency_ms) for one in listed] == expected


def test_the_numbers_of_transfers_lead_to_the_bytes():
    frames_heard = capture(OPENING)
    found = conversations(frames_heard)
    for one in exchanges(frames_heard, found):
        assert found.transfers.payload(one.request_transfer) == one.request
        assert found.transfers.payload(one.answer_transfer) == one.answer


def rows_of(payload, can_id, time_s):
    return [(time_s + 0.002 * at, can_id, frame) for at, frame in enumerate(cut_up(payload))]


def test_an_answer_that_is_begun_anew_after_a_silence_is_whole():
    """The first try broke off behind its first frame; the question was asked again."""
    again = [(20.0, ASKER, cut_up(ASK)[0]), rows_of(NAME, ANSWERER, 20.01)[0], (22.0, ASKER, cut_up(ASK)[0])]
    listed = exchanges(capture([*OPENING, *again, *rows_of(NAME, ANSWERER, 22.01)]))
    assert [(one.outcome, one.reason) for one in listed[1:]] == [("broken", "time-out"), ("answered", "")]


def test_an_answer_that_is_begun_anew_after_an_overflow_is_whole():
    refused = [(20.0, ASKER, cut_up(ASK)[0]), rows_of(NAME, ANSWERER, 20.01)[0]]
    refused += [(20.02, ASKER, b"\x32\x00\x00"), (20.5, ASKER, cut_up(ASK)[0])]
    listed = exchanges(capture([*OPENING, *refused, *rows_of(NAME, ANSWERER, 20.51)]))
    assert [(one.outcome, one.reason) for one in listed[1:]] == [("broken", "overflow"), ("answered", "")]


def test_a_clock_that_is_set_back_between_question_and_answer_does_not_part_them():
    late = [(20.0, ASKER, cut_up(ASK)[0]), *rows_of(NAME, ANSWERER, 19.9999)]
    one = exchanges(capture([*OPENING, *late]))[-1]
    assert (one.outcome, one.request, one.latency_ms) == ("answered", ASK, None)


def test_pleas_for_time_without_their_question_do_not_wait_for_ever():
    rows = [(30.0, ANSWERER, b"\x03\x7f\x22\x78"), *rows_of(NAME, ANSWERER, 1000.0)]
    listed = exchanges(capture([*OPENING, *rows]))[1:]
    assert [(one.outcome, one.pending) for one in listed] == [("pending", 1), ("answered", 0)]


def test_a_question_that_was_ignored_inside_an_answer_does_not_end_it():
    long = bytes.fromhex("62F190") + bytes(range(60))
    answer_rows = rows_of(long, ANSWERER, 20.01)
    rows = [
        (20.0, ASKER, cut_up(ASK)[0]),
        *answer_rows[:5],
        (20.019, ASKER, cut_up(b"\x22\xf1\x87")[0]),
        *answer_rows[5:],
    ]
    listed = exchanges(capture([*OPENING, *rows]))[1:]
    assert [one.outcome for one in listed] == ["answered", "unanswered"]
    assert listed[0].answer == long


def test_the_call_that_keeps_a_session_open_does_not_end_the_answer_that_it_falls_into():
    rows = rows_of(bytes.fromhex("62F190") + bytes(60), ANSWERER, 20.01)
    alive = (20.011, ASKER, cut_up(b"\x3e\x80")[0])
    listed = exchanges(capture([*OPENING, (20.0, ASKER, cut_up(ASK)[0]), rows[0], alive, *rows[1:]]))[1:]
    assert [one.outcome for one in listed] == ["answered", "silent"]
