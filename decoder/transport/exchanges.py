"""Exchanges: questions and what came back, from the conversations of a capture.

An answer belongs to the latest open question that it fits: service + 40h and what the question was about, or 7Fh and
the service (ISO 14229-1, clause 8). An answer that asks for more time (7F xx 78) keeps its question open for another
5 s. A functional question, which goes to all at once, gives one exchange for each that answers it.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from decoder.transport.evidence import LONGEST_ANSWER_NS
from decoder.transport.exchange import End, Exchange
from decoder.transport.iso_tp import Conversations, conversations
from decoder.transport.pairs import FUNCTIONAL
from decoder.transport.services import (
    NEGATIVE,
    POSITIVE,
    identifier_of_answer,
    identifier_of_request,
    is_pending,
    negative_for,
    positive_for,
    reason_word,
    service_name,
    service_of,
    waives_answer,
)
from decoder.transport.transfers import Fault

if TYPE_CHECKING:
    from collections.abc import Sequence

    from decoder.frames import Frames
    from decoder.transport.exchange import Outcome
    from decoder.transport.transfers import Path

FAILED: Final[frozenset[Outcome]] = frozenset({"refused", "pending", "unanswered", "broken"})


@dataclass(frozen=True, slots=True)
class _Said:
    """One transfer: its number, path, payload as far as it arrived, fault, its first and last row and their times."""

    number: int
    path: int
    payload: bytes
    fault: Fault
    first_row: int
    last_row: int
    first_ns: int
    last_ns: int


@dataclass(slots=True)
class _Open:
    """A question that waits for its answer."""

    question: _Said
    functional: bool
    pending: int = 0
    waits_since_ns: int = 0


@dataclass(slots=True)
class _Book:
    """The exchanges of one answerer while they are put together."""

    open: list[_Open] = field(default_factory=list)
    done: list[tuple[_Open | None, _Said | None, int]] = field(default_factory=list)  # question, answer, pending
    # Service -> pleas for time whose question was not heard: the first, the latest, how many.
    waiting: dict[int, tuple[_Said, _Said, int]] = field(default_factory=dict)


def exchanges(frames: Frames, found: Conversations | None = None) -> tuple[Exchange, ...]:
    """List the questions and answers of a capture, in the order in which they began."""
    found = found or conversations(frames)
    said = _said(frames, found)
    functional = _functional(found)
    listed: list[tuple[int, Exchange]] = []
    unanswered: dict[int, _Said] = {
        one.number: one for path, side in enumerate(found.side) if side == "asker" for one in said[path]
    }
    for path, side in enumerate(found.side):
        if side == "asker":
            continue
        questions = [one for asker in found.askers.get(path, ()) for one in said[asker]]
        for question, answer, pending in _matched(questions, said[path], functional).done:
            if question is not None and question.functional and answer is None and not pending:
                continue
            if question is not None:
                unanswered.pop(question.question.number, None)
            listed.append(_exchange(frames, found, path, question, answer, pending))
    for one in unanswered.values():
        question = _Open(one, one.path in functional)
        listed.append(_exchange(frames, found, None, question, None, 0))
    return tuple(exchange for _, exchange in sorted(listed, key=lambda pair: pair[0]))


def _said(frames: Frames, found: Conversations) -> list[list[_Said]]:
    """Give the transfers of each path, in order."""
    transfers = found.transfers
    by_path: list[list[_Said]] = [[] for _ in transfers.paths]
    first, last = transfers.first_row, transfers.last_row
    columns = zip(
        transfers.path.tolist(),
        transfers.fault.tolist(),
        first.tolist(),
        last.tolist(),
        frames.time_ns[first].tolist(),
        frames.time_ns[last].tolist(),
        strict=True,
    )
    for number, (path, fault, *where) in enumerate(columns):
        by_path[path].append(_Said(number, path, transfers.payload(number), Fault(fault), *where))
    return by_path


def _functional(found: Conversations) -> frozenset[int]:
    """Give the asking paths whose questions go to several answerers at once."""
    asked = [asker for of_it in found.askers.values() for asker in of_it]
    paths = found.transfers.paths
    named = {number for number, path in enumerate(paths) if (path.key.can_id, path.key.extended) in FUNCTIONAL}
    return frozenset({one for one in asked if asked.count(one) > 1} | named)


def _matched(questions: Sequence[_Said], answers: Sequence[_Said], functional: frozenset[int]) -> _Book:
    """Go through what was asked and answered in the order of the bus."""
    book = _Book()
    events = [(one.last_row, True, one) for one in questions] + [(one.first_row, False, one) for one in answers]
    for _, asks, one in sorted(events, key=lambda event: event[0]):
        if asks:
            _close_old(book, one.first_ns)
            book.open.append(_Open(one, one.path in functional, waits_since_ns=one.last_ns))
        else:
            _take_answer(book, one)
    book.done += [(question, None, question.pending) for question in book.open]
    book.done += [(None, plea, pending) for plea, _, pending in book.waiting.values()]
    return book


def _close_old(book: _Book, now_ns: int) -> None:
    """Give up questions that have waited too long; they stand in the order in which they were asked."""
    while book.open and _is_late(book.open[0].waits_since_ns, now_ns):
        question = book.open.pop(0)
        book.done.append((question, None, question.pending))
    for service, (first, latest, count) in list(book.waiting.items()):
        if _is_late(latest.last_ns, now_ns):
            del book.waiting[service]
            book.done.append((None, first, count))


def _is_late(since_ns: int, now_ns: int) -> bool:
    return now_ns - since_ns > LONGEST_ANSWER_NS


def _take_answer(book: _Book, answer: _Said) -> None:
    _close_old(book, answer.first_ns)
    question = next((one for one in reversed(book.open) if _belongs(one, answer)), None)
    if is_pending(answer.payload):
        service = answer.payload[1]
        if question is not None:
            question.pending += 1
            question.waits_since_ns = answer.last_ns
        else:
            first, _, count = book.waiting.get(service, (answer, answer, 0))
            book.waiting[service] = first, answer, count + 1
        return
    if question is not None:
        book.open.remove(question)
        book.done.append((question, answer, question.pending))
        return
    waiting = book.waiting.pop(_service_answered(answer.payload) or 0, None)
    book.done.append((None, answer, waiting[2] if waiting else 0))


def _belongs(asked: _Open, answer: _Said) -> bool:
    """Tell whether an answer fits a question; one whose beginning is not there fits any that waits.

    What stood first on the bus is told by rows: the capture's clock may be set back.
    """
    if _is_late(asked.waits_since_ns, answer.first_ns):
        return False
    request = asked.question.payload
    if not answer.payload:
        return True
    return positive_for(request, answer.payload) or negative_for(request, answer.payload)


def _service_answered(answer: bytes) -> int | None:
    """Give the service that an answer is of."""
    if answer[:1] == bytes([NEGATIVE]):
        return answer[1] if len(answer) > 1 else None
    return answer[0] - POSITIVE if answer and answer[0] & POSITIVE else None


def _exchange(
    frames: Frames,
    found: Conversations,
    answerer: int | None,
    question: _Open | None,
    answer: _Said | None,
    pending: int,
) -> tuple[int, Exchange]:
    """Give one exchange, and the row where it began."""
    paths = found.transfers.paths
    asked = question.question if question else None
    began = asked or answer
    assert began is not None
    request, reply = (one.payload or None if one else None for one in (asked, answer))
    service = service_of(request) if request else _service_answered(reply or b"")
    outcome, reason = _outcome(asked, answer, pending)
    exchange = Exchange(
        time_ns=began.first_ns,
        bus=frames.bus_names[paths[began.path].key.bus],
        asker=_end(paths[asked.path]) if asked else None,
        answerer=_end(paths[answerer]) if answerer is not None else None,
        service=service,
        identifier=identifier_of_request(request) if request else identifier_of_answer(reply or b""),
        name=service_name(service) if service is not None else "",
        request=request,
        answer=reply,
        outcome=outcome,
        reason=reason,
        latency_ms=_latency_ms(asked, answer) if outcome != "pending" else None,
        functional=question.functional if question else False,
        pending=pending,
        request_transfer=asked.number if asked else None,
        answer_transfer=answer.number if answer else None,
    )
    return began.first_row, exchange


def _latency_ms(asked: _Said | None, answer: _Said | None) -> float | None:
    """Give how long an answer took; ``None`` where a side was not heard, or the clock was set back between them."""
    if asked is None or answer is None or answer.first_ns < asked.last_ns:
        return None
    return (answer.first_ns - asked.last_ns) / 1e6


def _outcome(asked: _Said | None, answer: _Said | None, pending: int) -> tuple[Outcome, str]:
    if answer is not None and is_pending(answer.payload):
        return "pending", ""
    for one in (answer, asked):
        if one is not None and one.fault is not Fault.NONE:
            return "broken", one.fault.word
    if answer is not None:
        if answer.payload[:1] == bytes([NEGATIVE]):
            return "refused", reason_word(answer.payload[2]) if len(answer.payload) > 2 else ""
        return "answered", ""
    if pending:
        return "pending", ""
    assert asked is not None
    return ("silent" if waives_answer(asked.payload) else "unanswered"), ""


def _end(path: Path) -> End:
    return End(path.key.can_id, path.key.extended, path.address)
