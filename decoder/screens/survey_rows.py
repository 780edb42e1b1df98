"""What is on the wire in words: rows of a list, one identifier in full, and the list with what is chosen and sought."""

from __future__ import annotations

from bisect import bisect_left
from collections import Counter
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final, NamedTuple

from decoder.printable import printable
from decoder.screens.symbols import NOTHING, time_words
from decoder.transport.j1939_id import source

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence

    from decoder.channels import Channels
    from decoder.discovery.bus_load import BusLoad
    from decoder.discovery.survey import Identifier, Survey
    from decoder.frames import Key
    from decoder.maps.signal_map import Message
    from decoder.screens.session import Session, Wire

NO_IDENTIFIERS: Final = (
    "No identifier: the capture holds no data frame. Press i for what became of its lines; check that the recorder was"
    " connected, at the bus's bit rate, and that the controller was awake."
)
MARKS: Final = "·▁▂▃▄▅▆▇█"  # of a byte, by how many of its bits change
_RESTS, _CHANGES, _UNKNOWN = "·", "█", "?"
_BYTE_COLUMNS: Final = 9  # eight bits and a space
_PERIOD: Final = 7
_WHOLE_RATE: Final = 100
_LONGEST_TENTHS_MS: Final = 1e5  # from here on a time has no tenths
_KILO: Final = 1000


class SurveyRow(NamedTuple):
    """One identifier as the list shows it, cell by cell."""

    bus: str
    identifier: str
    frames: str
    load: str
    period: str
    burst: str
    length: str
    bits: str
    open: str
    marks: str
    transport: str
    message: str


# One identifier


def identifier_words(one: Identifier) -> str:
    """Write an identifier in hex, with 3 digits, or 8 where it has 29 bits."""
    return f"{one.can_id:0{8 if one.extended else 3}X}"


def row_of(one: Identifier, messages: Sequence[Message], unexplained: float, *, has_load: bool) -> SurveyRow:
    """Write an identifier as a row.

    messages : those of the map that describe it
    unexplained : changes of bits a second that nothing explains yet
    """
    shortest, longest = min(one.lengths), max(one.lengths)
    return SurveyRow(
        bus=printable(one.bus, 12),
        identifier=identifier_words(one),
        frames=f"{one.frames:,}",
        load=f"{one.load_percent:.2f}" if has_load and one.load_percent else NOTHING,
        period=period_words(one),
        burst=str(one.burst) if one.burst > 1 else "",
        length=str(shortest) if shortest == longest else f"{shortest}-{longest}",
        bits=str(one.changing_bits),
        open=rate_per_s(unexplained),
        marks=change_marks(one),
        transport=one.transport or "",
        message=names_of(messages),
    )


def rate_per_s(rate: float) -> str:
    """Write how often something happens in a second; nothing where it never does."""
    return "" if not rate else f"{rate:.1f}" if rate < _WHOLE_RATE else f"{rate:,.0f}"


def names_of(messages: Sequence[Message]) -> str:
    """Write the messages that describe an identifier, side by side."""
    return " ".join(printable(message.name, 40) for message in messages)


def period_words(one: Identifier) -> str:
    """Write period and jitter in ms, the sign between them always in the same column."""
    if one.period_ms is not None and one.jitter_ms is not None:
        return f"{_ms(one.period_ms):>{_PERIOD}} ± {_ms(one.jitter_ms)}"
    few = {1: "one frame only", 2: "two frames only"}
    return f"  {few[one.frames]}" if one.frames in few else f"{NOTHING:>{_PERIOD}}"


def change_marks(one: Identifier) -> str:
    """Give a mark for each byte: how many of its bits change; a question mark where not all frames have the byte."""
    missing = max(one.lengths) - len(one.changing)
    return "".join(MARKS[byte.bit_count()] for byte in one.changing) + _UNKNOWN * missing


def _ms(time_ms: float) -> str:
    return f"{time_ms:.1f}" if time_ms < _LONGEST_TENTHS_MS else f"{time_ms:.0f}"


def full_lines(number: int, wire: Wire, first_ns: int, width: int, *, has_map: bool) -> list[tuple[str, str]]:
    """Give all that is known of an identifier as (word, text); the picture of the bytes fits into `width` columns."""
    one, load = wire.survey.identifiers[number], wire.load_of(number)
    kind = "29-bit" if one.extended else "11-bit"
    share = f" · at most {one.load_percent:.2f} % of {rate_words(load)}" if one.load_percent else ""
    heard = [time_words((time_ns - first_ns) / 1e9) for time_ns in (one.first_ns, one.last_ns)]
    span = f"at {heard[0]}" if one.frames == 1 else f"from {heard[0]} to {heard[1]}"
    return [
        ("what", f"{identifier_words(one)} on {printable(one.bus, 20)} · {kind} · {_frames(one.frames)}{share}"),
        ("heard", f"{span} · {_rhythm_words(one)}"),
        ("gaps", _gap_words(one, first_ns)),
        ("bytes", _length_words(one)),
        *_byte_picture(one, width),
        *_message_words(wire.messages[number], has_map=has_map),
        *(("holds", f"{one.transport} · {reason}".removesuffix(" · ")) for reason in wire.reasons_of(number)),
        *_signal_names(wire.messages[number]),
    ]


def _frames(count: int) -> str:
    return f"{count:,} frame{'s' * (count != 1)}"


def _rhythm_words(one: Identifier) -> str:
    if one.period_ms is None or one.jitter_ms is None:
        return period_words(one).strip() if one.frames <= 2 else "no period: the clock ran backward"
    every = f"every {_ms(one.period_ms)} ± {_ms(one.jitter_ms)} ms"
    return f"{every}, {one.burst} at a time" if one.burst > 1 else every


def _gap_words(one: Identifier, first_ns: int) -> str:
    if one.shortest_gap_ms is None or one.longest_gap_ms is None or one.longest_gap_ns is None:
        return "none: one frame only" if one.frames == 1 else "none: the clock ran backward"
    since = time_words((one.longest_gap_ns - first_ns) / 1e9)
    return f"{one.shortest_gap_ms:,.3f} to {one.longest_gap_ms:,.3f} ms from frame to frame, the longest at {since}"


def _length_words(one: Identifier) -> str:
    """Write how long payloads are, and which bytes are not looked at because only some frames have them."""
    if len(one.lengths) == 1:
        (length,) = one.lengths
        return f"{length} in every frame · {_changing_words(one)}" if length else "none: the frames are empty"
    counts = ", ".join(f"{length} in {_frames(count)}" for length, count in sorted(one.lengths.items()))
    return f"{counts} · {_changing_words(one)} in the {len(one.changing)} that all frames have"


def _changing_words(one: Identifier) -> str:
    bits = one.changing_bits
    return "no bit changes" if not bits else "1 bit changes" if bits == 1 else f"{bits} bits change"


def _byte_picture(one: Identifier, width: int) -> Iterator[tuple[str, str]]:
    """Draw the bytes that all frames have: their numbers, what is constant, and which bits change."""
    room = max((width + 1) // _BYTE_COLUMNS, 1)
    for first in range(0, len(one.changing), room):
        numbers = range(first, min(first + room, len(one.changing)))
        yield "", " ".join(f"byte {at}".ljust(_BYTE_COLUMNS - 1) for at in numbers).rstrip()
        yield "always", " ".join(_constant(one.constant, at).ljust(_BYTE_COLUMNS - 1) for at in numbers).rstrip()
        yield "change", " ".join(_bits(one.changing[at]) for at in numbers)


def _constant(constant: Mapping[int, int], at: int) -> str:
    return f"{constant[at]:02X}" if at in constant else _RESTS * 2


def _bits(changing: int) -> str:
    return f"{changing:08b}".replace("0", _RESTS).replace("1", _CHANGES)


def _message_words(messages: Sequence[Message], *, has_map: bool) -> Iterator[tuple[str, str]]:
    if not messages:
        yield "map", "no message of the map describes it" if has_map else "no signal map is open"
    for message in messages:
        signals = f"{len(message.signals)} signal{'s' * (len(message.signals) != 1)}"
        answers = " of whole answers" if message.is_reassembled else ""
        yield "map", f"{printable(message.name, 60)}, {signals}{answers}"


def _signal_names(messages: Sequence[Message]) -> Iterator[tuple[str, str]]:
    names = [printable(signal.name, 60) for message in messages for signal in message.signals]
    if names:
        yield "names", ", ".join(names)


def first_channel(one: Identifier, messages: Sequence[Message], channels: Channels) -> str | None:
    """Give the first channel that comes from an identifier; ``None`` where there is none."""
    names = {message.name for message in messages}
    for name, series in channels.items():
        channel = series.channel
        if channel.bus != one.bus or channel.message.name not in names:
            continue
        if channel.source_address is None or channel.source_address == source(one.can_id):
            return name
    return None


# All of them


def unexplained_of(session: Session, number: int) -> float:
    """Give how many changes of bits a second of an identifier's payloads nothing explains yet."""
    wire, bench = session.wire, session.bench
    one = wire.survey.identifiers[number]
    keys = bench.of_identifier(one.bus, one.can_id, extended=one.extended)
    return sum(bench.unexplained(key) for key in keys) / max(wire.survey.length_s, 1e-9)


def load_parts(survey: Survey) -> list[list[str]]:
    """Write for each bus, part by part, its name, how many identifiers and frames it has, and its load."""
    counts = Counter(one.bus for one in survey.identifiers)
    lines = []
    for load, remote in zip(survey.loads, survey.remote_frames, strict=True):
        kinds = ((remote, "remote"), (load.error_frames, "error"), (load.fd_frames, "CAN FD"))
        special = ", ".join(f"{count:,} {kind}" for count, kind in kinds if count)
        percent = f"{load.least_percent:.1f} to {load.most_percent:.1f} % of {rate_words(load)}"
        lines.append(
            [
                printable(load.bus, 12),
                f"{counts[load.bus]:,} id{'s' * (counts[load.bus] != 1)}",
                f"{_frames(load.frames)}{f' ({special})' if special else ''}",
                f"load {percent}" if survey.length_s else "load not known: no time passes",
            ]
        )
    return lines


def rate_words(load: BusLoad) -> str:
    """Write the bit rate that a load is reckoned with."""
    return f"{load.bit_rate / _KILO:g} kbit/s"


UNEXPLAINED: Final = "unexplained movement"
# What to sort by; ``None`` stands last, whichever way round. Periods that show as equal are equal.
_SORT_KEYS: Final[dict[str, Callable[[Identifier], float | None]]] = {
    "identifier": lambda one: 0,  # noqa: ARG005  (they come by bus and number)
    "frames": lambda one: one.frames,
    "period": lambda one: None if one.period_ms is None else round(one.period_ms, 1),
    "changing bits": lambda one: one.changing_bits,
    "load": lambda one: one.load_percent,
}
SORTS: Final = (*_SORT_KEYS, UNEXPLAINED)
# These are sorted with the largest first, before the order is turned round.
_LARGEST_FIRST: Final = frozenset({UNEXPLAINED})


@dataclass
class IdentifierList:
    """The identifiers of a session as a list: which ones show, in which order, and which is chosen.

    `chosen` : its stream; ``None``: the first that shows
    """

    session: Session
    find: str = ""
    sort: str = SORTS[0]
    downwards: bool = False
    chosen: Key | None = None
    _shown: tuple[object, list[int], dict[int, int]] | None = field(default=None, repr=False)

    @property
    def narrowed(self) -> bool:
        """Whether a search is on."""
        return bool(self.find)

    def widen(self) -> None:
        """Show all."""
        self.find = ""

    def next_sort(self) -> None:
        """Sort by the next column."""
        self.sort = SORTS[(SORTS.index(self.sort) + 1) % len(SORTS)]

    @property
    def falling(self) -> bool:
        """Whether the largest stands first."""
        return self.downwards != (self.sort in _LARGEST_FIRST)

    def shown(self) -> list[int]:
        """Give the numbers of the identifiers that the search leaves, in the order of the rows."""
        return self._looked_up()[0]

    def _looked_up(self) -> tuple[list[int], dict[int, int]]:
        """Give number by row, and row by number."""
        wire = self.session.wire
        # The work on the bench explains more and more.
        key = (wire, self.find, self.sort, self.downwards, self.session.bench.work.meanings)
        if self._shown is None or self._shown[0] != key:
            shown = self._ordered(wire)
            self._shown = (key, shown, {number: row for row, number in enumerate(shown)})
        return self._shown[1:]

    def _ordered(self, wire: Wire) -> list[int]:
        sought = self.find.casefold()
        left = [number for number in range(len(wire.survey.identifiers)) if not sought or _holds(wire, number, sought)]
        if self.sort == "identifier":
            return left[::-1] if self.downwards else left
        if self.sort == UNEXPLAINED:
            values: dict[int, float | None] = {number: unexplained_of(self.session, number) for number in left}
        else:
            values = {number: _SORT_KEYS[self.sort](wire.survey.identifiers[number]) for number in left}
        ordered = sorted(left, key=lambda number: values[number] or 0, reverse=self.falling)
        return sorted(ordered, key=lambda number: values[number] is None)

    def row(self) -> int:
        """Give the row of the chosen identifier, the first where it does not show."""
        if self.chosen is None:
            return 0
        keys = self.session.wire.keys
        number = bisect_left(keys, self.chosen)
        is_there = number < len(keys) and keys[number] == self.chosen
        return self._looked_up()[1].get(number, 0) if is_there else 0

    @property
    def number(self) -> int | None:
        """The number of the chosen identifier; ``None`` where none shows."""
        shown = self.shown()
        return shown[self.row()] if shown else None

    def move(self, by: int) -> None:
        """Choose another row."""
        shown = self.shown()
        if shown:
            self.chosen = self.session.wire.keys[shown[min(max(self.row() + by, 0), len(shown) - 1)]]


def _holds(wire: Wire, number: int, sought: str) -> bool:
    """Tell whether an identifier, its bus, its transport or what describes it holds a text that is in lower case."""
    one = wire.survey.identifiers[number]
    words = [identifier_words(one), one.bus, one.transport or ""]
    for message in wire.messages[number]:
        words += [message.name, *(signal.name for signal in message.signals)]
    return any(sought in word.casefold() for word in words)
