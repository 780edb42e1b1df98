"""Exchanges in words: rows of a list, one exchange in full, and the list with what is chosen, sought and filtered."""

from __future__ import annotations

import re
from bisect import bisect_left
from collections import Counter
from dataclasses import dataclass, field
from functools import lru_cache
from typing import TYPE_CHECKING, Final

from decoder.printable import printable
from decoder.screens.symbols import NOTHING, time_words
from decoder.transport.exchanges import FAILED
from decoder.transport.identifiers import identifier_name
from decoder.transport.identity import identifier_text
from decoder.transport.meaning import answer_hex, meaning, request_hex
from decoder.transport.services import echo_of_answer, identifiers_of_request

if TYPE_CHECKING:
    from collections.abc import Sequence

    from decoder.screens.session import Session, Talk
    from decoder.transport.exchange import End, Exchange
    from decoder.transport.identity import IdentityRow

NO_EXCHANGES: Final = (
    "No questions and answers in this capture. Perhaps only broadcast frames pass at this plug, or nobody asked"
    " anything while it was recorded: questions come from diagnostic equipment or from another controller."
)
_FIRST_BYTES: Final = 16  # shown of an answer that says nothing in words
_NO_ANSWER: Final = {
    "silent": "none, as asked: the question waived it",
    "unanswered": "none within 5 s or before the capture ended",
    "pending": "none but requests for more time",
}
_ONLY_LENGTH: Final = re.compile(r"\d+ bytes?")


# One exchange


def sides(exchange: Exchange, arrow: str = "→") -> str:
    """Write who asked whom; a question mark stands for a side that was not heard."""
    heard = exchange.answerer or ("all" if exchange.functional else "?")
    return f"{exchange.asker or '?'} {arrow} {heard}"


def identifier_words(service: int | None, identifier: int | None) -> str:
    """Write an identifier in hex; empty where there is none."""
    return "" if identifier is None else identifier_text(service, identifier)


def asked_words(exchange: Exchange) -> str:
    """Write service and identifier in hex; of several identifiers the first, and how many more."""
    service = "" if exchange.service is None else f"{exchange.service:02X}"
    more = len(identifiers_of_request(exchange.request or b"")) - 1
    and_more = f" +{more}" if more > 0 else ""
    return f"{service} {identifier_words(exchange.service, exchange.identifier)}{and_more}".strip() or NOTHING


def took_words(latency_ms: float | None) -> str:
    """Write how long an answer took, in milliseconds without the unit; empty where there is none."""
    return "" if latency_ms is None else f"{latency_ms:.1f}"


def reason_parts(exchange: Exchange, times: str = "×") -> list[str]:
    """Write why an exchange came to no good end, and how often the answerer asked for more time, as far as it did."""
    parts = [printable(exchange.reason)] if exchange.reason else []
    return [*parts, f"{exchange.pending} {times} pending"] if exchange.pending else parts


def outcome_words(exchange: Exchange, times: str = "×") -> str:
    """Write the outcome with its reason, and how often the answerer asked for more time."""
    parts = reason_parts(exchange, times)
    return f"{exchange.outcome}: {', '.join(parts)}" if parts else exchange.outcome


def says_words(exchange: Exchange, *, show_vin: bool = False) -> str:
    """Write what an answer says, or its first bytes in hex; what was asked, where there is no positive answer."""
    request, answer = exchange.request, exchange.answer
    if answer and exchange.outcome == "broken":
        return _first_bytes(request, answer, 0, show_vin=show_vin)
    if answer and exchange.outcome == "answered":
        said = meaning(request, answer, show_vin=show_vin)
        if _ONLY_LENGTH.fullmatch(said):
            return _first_bytes(request, answer, 1 + echo_of_answer(answer), show_vin=show_vin)
        return said
    return f"asked {_cut(request_hex(request, show_vin=show_vin).split(' '))}" if request else ""


def _first_bytes(request: bytes | None, answer: bytes, start: int, *, show_vin: bool) -> str:
    # Cut only when written: which bytes are to be hidden depends on the whole answer.
    return _cut(answer_hex(request, answer, show_vin=show_vin).split(" ")[start:])


def _cut(written: Sequence[str]) -> str:
    return " ".join(written[:_FIRST_BYTES]) + (" …" if len(written) > _FIRST_BYTES else "")


def service_words(exchange: Exchange) -> str:
    """Write the service with its number, and the identifier with the standard's word for it."""
    parts = [f"{exchange.service:02X} {exchange.name}".strip()] if exchange.service is not None else ["not heard whole"]
    if exchange.service is not None and exchange.identifier is not None:
        for identifier in identifiers_of_request(exchange.request or b"") or (exchange.identifier,):
            name = identifier_name(exchange.service, identifier)
            parts.append(f"{identifier_words(exchange.service, identifier)} {name}".strip())
    return " · ".join(parts)


def full_lines(exchange: Exchange, talk: Talk, first_ns: int, *, show_vin: bool = False) -> list[tuple[str, str]]:
    """Give all that is known of an exchange as (word, text)."""
    took = f" after {took_words(exchange.latency_ms)} ms" if exchange.latency_ms is not None else ""
    way = f"{sides(exchange)} on {printable(exchange.bus, 20)}"
    to_all = " · asked of all at once" if exchange.functional else ""
    when = time_words((exchange.time_ns - first_ns) / 1e9)
    lines = [
        ("what", service_words(exchange)),
        ("outcome", f"{outcome_words(exchange)}{took} · at {when} · {way}{to_all}"),
        ("frames", _frames_words(exchange, talk)),
    ]
    said = meaning(exchange.request, exchange.answer, show_vin=show_vin)
    if exchange.outcome == "answered" and not _ONLY_LENGTH.fullmatch(said):
        lines.append(("says", said))
    request, answer = exchange.request, exchange.answer
    lines.append(("asked", request_hex(request, show_vin=show_vin) if request else "not heard"))
    if answer:
        arrived = ", as far as it arrived" if exchange.outcome == "broken" else ""
        length = f"({len(answer)} byte{'s' * (len(answer) != 1)}{arrived})"
        lines.append(("answer", f"{answer_hex(request, answer, show_vin=show_vin)} {length}"))
    else:
        lines.append(("answer", _NO_ANSWER.get(exchange.outcome, "not heard")))
    return lines + _addressing(exchange, talk)


def _addressing(exchange: Exchange, talk: Talk) -> list[tuple[str, str]]:
    """Say which form of addressing the frames have, and by what it is known."""
    number = exchange.answer_transfer if exchange.answer_transfer is not None else exchange.request_transfer
    if number is None:
        return []
    reason = talk.transfers.paths[int(talk.transfers.path[number])].reason
    return [("heard as", reason)] if reason else []


def _frames_words(exchange: Exchange, talk: Talk) -> str:
    parts = []
    for what, number in (("question", exchange.request_transfer), ("answer", exchange.answer_transfer)):
        if number is None:
            continue
        lines = talk.lines_of(number)
        where = f"line {lines[0]}" if len(lines) == 1 else f"{len(lines)} from line {lines[0]} to {lines[-1]}"
        parts.append(f"{what}: {where}")
    return " · ".join(parts) or NOTHING


# Many exchanges


def counted_words(exchanges: Sequence[Exchange], separator: str = ", ") -> str:
    """Count exchanges by outcome, the most frequent first."""
    counts = Counter(exchange.outcome for exchange in exchanges)
    total = f"{len(exchanges):,} exchange{'s' * (len(exchanges) != 1)}"
    if not counts:
        return total
    return f"{total}: {separator.join(f'{count:,} {outcome}' for outcome, count in counts.most_common())}"


def identity_words(row: IdentityRow, rows: Sequence[IdentityRow] = ()) -> str:
    """Write what an answerer says it is in a line: word of the standard, text, identifier, whence (among `rows`)."""
    name = f"{row.name} " if row.name else ""
    return f"{name}{printable(row.text, 200)} ({row.asked_as}, from {whence(row, rows)})"


def whence(row: IdentityRow, rows: Sequence[IdentityRow]) -> str:
    """Write who answered, with the bus where `rows` come from several."""
    several = len({one.bus for one in rows}) > 1
    return f"{row.answerer} on {printable(row.bus, 20)}" if several else str(row.answerer)


@lru_cache(maxsize=4096)
def _words_of_question(service: int | None, identifier: int | None, name: str, ends: tuple[End | None, ...]) -> str:
    words = [name, *(str(end) for end in ends if end is not None)]
    if service is not None:
        words.append(f"{service:02X} {identifier_words(service, identifier)}")
        if identifier is not None:
            words.append(identifier_name(service, identifier))
    return " ".join(words).casefold()


def _holds(exchange: Exchange, sought: str, *, show_vin: bool) -> bool:
    """Tell whether an exchange's words hold a text that is in lower case."""
    ends = (exchange.asker, exchange.answerer)
    if sought in _words_of_question(exchange.service, exchange.identifier, exchange.name, ends):
        return True
    if sought in exchange.outcome or sought in exchange.reason.casefold():
        return True
    return sought in meaning(exchange.request, exchange.answer, show_vin=show_vin).casefold()


@dataclass
class ExchangeList:
    """The exchanges of a session as a list: which ones show, and which is chosen (its number among all)."""

    session: Session
    only_failed: bool = False
    find: str = ""
    chosen: int = 0
    _shown: tuple[object, Sequence[int]] | None = field(default=None, repr=False)
    _sides: tuple[object, int] | None = field(default=None, repr=False)
    _several: bool = False

    @property
    def narrowed(self) -> bool:
        """Whether a filter or a search is on."""
        return self.only_failed or bool(self.find)

    def widen(self) -> None:
        """Take filter and search off."""
        self.only_failed, self.find = False, ""

    def shown(self) -> Sequence[int]:
        """Give the numbers of the exchanges that filter and search leave, in their order."""
        talk = self.session.talk
        key = (talk, self.only_failed, self.find)
        if self._shown is None or self._shown[0] != key:
            self._shown = (key, self._left(talk.exchanges))
        return self._shown[1]

    def _left(self, exchanges: Sequence[Exchange]) -> Sequence[int]:
        if not self.narrowed:
            return range(len(exchanges))
        sought, show_vin = self.find.casefold(), self.session.show_vin
        return [
            number
            for number, exchange in enumerate(exchanges)
            if (not self.only_failed or exchange.outcome in FAILED)
            and (not sought or _holds(exchange, sought, show_vin=show_vin))
        ]

    def row(self) -> int:
        """Give the row of the chosen exchange; where it does not show, the next one that does is chosen."""
        shown = self.shown()
        if not shown:
            return 0
        row = min(bisect_left(shown, self.chosen), len(shown) - 1)
        self.chosen = shown[row]
        return row

    @property
    def exchange(self) -> Exchange | None:
        """The chosen exchange; ``None`` where none shows."""
        shown = self.shown()
        return self.session.talk.exchanges[shown[self.row()]] if shown else None

    def move(self, by: int) -> None:
        """Choose another row."""
        shown = self.shown()
        if shown:
            self.chosen = shown[min(max(self.row() + by, 0), len(shown) - 1)]

    def sides_of(self, exchange: Exchange) -> str:
        """Write who asked whom, with the bus in front where there are several."""
        return f"{printable(exchange.bus, 12)} {sides(exchange)}" if self._several else sides(exchange)

    def sides_width(self) -> int:
        """Give the columns that the longest pair of sides needs."""
        talk = self.session.talk
        if self._sides is None or self._sides[0] is not talk:
            one_each = {(one.bus, one.asker, one.answerer, one.functional): one for one in talk.exchanges}
            self._several = len({one.bus for one in one_each.values()}) > 1
            self._sides = (talk, max((len(self.sides_of(one)) for one in one_each.values()), default=0))
        return self._sides[1]
