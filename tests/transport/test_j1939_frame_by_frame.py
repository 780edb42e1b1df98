"""The columns of J1939 transfers held against a slow reader that goes frame by frame."""

from dataclasses import dataclass, field

from hypothesis import given, settings
from hypothesis import strategies as st

from decoder.transport.j1939 import j1939_transfers
from decoder.transport.transfers import Fault
from tests.building import capture

_LIMIT_MS = {"opening": 1250, "packet": 1250, "go": 1250, "hold": 1050}


@dataclass
class Session:
    to_all: bool
    pgn: int
    size: int
    rows: list
    time: int
    last: str = "opening"
    got: dict = field(default_factory=dict)
    twofold: set = field(default_factory=set)
    wrong: bool = False
    fault: Fault | None = None

    @property
    def packets(self):
        return -(-self.size // 7)

    @property
    def whole(self):
        return len(self.got) == self.packets and not self.wrong

    def needs(self, number):
        return min(7, self.size - 7 * (number - 1))

    def is_late(self, time, kind):
        """Whether `kind` at `time` comes after the session's time is over."""
        limit = 750 if self.to_all or (self.last == kind == "packet") else _LIMIT_MS[self.last]
        return time - self.time > limit

    def close(self, fault):
        if self.wrong:
            fault = Fault.SEQUENCE
        elif self.whole:
            fault = Fault.NONE
        elif fault == Fault.TIME_OUT and self.packets in self.got:
            fault = Fault.MISSING
        self.fault = fault

    def take(self, row, time, payload):
        """Take a packet in; False where it belongs to the session no more."""
        if self.is_late(time, "packet"):
            self.close(Fault.TIME_OUT)
            return False
        number = payload[0]
        known = 1 <= number <= self.packets
        enough = known and len(payload) > self.needs(number)
        content = payload[1 : 1 + self.needs(number)] if known else b""
        differs = not known or (enough and self.got.get(number, content) != content)
        if differs and self.whole:
            self.close(Fault.NONE)
            return False
        if differs:
            self.wrong = True
            self.twofold.add(number)
        elif enough:
            self.got.setdefault(number, content)
        self.rows.append(row)
        self.time, self.last = time, "packet"
        return True

    def result(self):
        data, number = b"", 1
        while number in self.got and number not in self.twofold:
            data += self.got[number]
            number += 1
        return (self.rows, self.size, self.fault, data)


def read_slowly(rows):
    """Transfers as (rows, length, fault, data) from rows of (time in ms, identifier, payload)."""
    stretches = [[]]
    for number, row in enumerate(rows):
        if stretches[-1] and row[0] - stretches[-1][-1][1] < -1000:
            stretches.append([])
        stretches[-1].append((number, *row))
    strays, found, announced = [], [], set()
    for stretch in stretches:
        found += _read_stretch(stretch, strays, announced)
    for run, pair, fault in strays:
        numbers = [payload[0] for _, payload in run]
        three = any(b == a + 1 and c == b + 1 for a, b, c in zip(numbers, numbers[1:], numbers[2:], strict=False))
        if pair in announced or three:
            found.append(([row for row, _ in run], -1, fault, b""))
    return sorted(found, key=lambda transfer: transfer[0][-1])


def _read_stretch(stretch, strays, announced):
    sessions, current, loose = [], {}, {}
    for row, time, can_id, payload in stretch:
        pdu_format, to, sender = can_id >> 16 & 0x3FF, can_id >> 8 & 0xFF, can_id & 0xFF
        here, there = (sender, to), (to, sender)
        if pdu_format == 0xEB and len(payload) > 1:
            session = current.get(here)
            if session is None or session.fault is not None or not session.take(row, time, payload):
                _stray(loose, here, row, time, payload, stretch[0][1], first=here not in current, strays=strays)
        if pdu_format != 0xEC or len(payload) != 8:
            continue
        word, pgn = payload[0], int.from_bytes(payload[5:], "little")
        size = int.from_bytes(payload[1:3], "little")
        if word == (0x20 if to == 255 else 0x10) and 9 <= size <= 1785 and payload[3] == -(-size // 7):
            _replace(current.get(here), time)
            current[here] = Session(to == 255, pgn, size, [row], time)
            sessions.append(current[here])
            announced.add(here)
            loose.pop(here, None)
        for pair in (here, there) if word == 0xFF else (there,) if word in (0x11, 0x13) else ():
            session = current.get(pair)
            if session and session.fault is None and session.pgn == pgn:
                _answered(session, time, word, payload[1])
    for session in sessions:
        if session.fault is None:
            _replace(session, stretch[-1][1], ended=True)
    return [session.result() for session in sessions]


def _answered(session, time, word, second):
    if session.is_late(time, "answer"):
        session.close(Fault.TIME_OUT)
    elif word == 0x11:
        session.time, session.last = time, "go" if second else "hold"
    else:
        session.close(Fault.OVERFLOW if word == 0xFF and second == 2 else Fault.MISSING)


def _replace(session, time, *, ended=False):
    """Close a session because another begins, or the capture ends, at `time`."""
    if session is None or session.fault is not None:
        return
    if session.is_late(time, "end"):
        session.close(Fault.TIME_OUT)
    elif ended and not (session.to_all and session.packets in session.got):
        session.close(Fault.CUT_OFF)
    else:
        session.close(Fault.MISSING)


def _stray(loose, pair, row, time, payload, begin, *, first, strays):
    limit = 750 if pair[1] == 255 else 1250
    run = loose.get(pair)
    if run is not None:
        before, members = run
        if time - before <= limit and payload[0] >= members[-1][1][0] and payload[0] != 1:
            members.append((row, payload))
            loose[pair] = (time, members)
            return
    members = [(row, payload)]
    at_the_begin = first and run is None and time - begin <= 1250
    strays.append((members, pair, Fault.CUT_OFF if at_the_begin else Fault.MISSING))
    loose[pair] = (time, members)


_GAPS = st.sampled_from([*[1] * 10, *[50] * 10, 200, 700, 750, 751, 1050, 1051, 1250, 1251, 3000, -400, -2000])
_PAIRS = st.sampled_from([(0, 1), (1, 0), (0, 255), (1, 255)])
_GROUPS = st.sampled_from([0xFF50, 0xFF50, 0x0EF00])


@st.composite
def words(draw, pairs=_PAIRS):
    """One frame as (gap in ms, identifier, payload), of few pairs, so that they meet."""
    sender, to = draw(pairs)
    gap = draw(_GAPS)
    kind = draw(st.sampled_from(["packet"] * 6 + ["opening"] * 2 + ["answer", "answer", "other"]))
    if kind == "other":
        return gap, 0x18FEF100, bytes(8)
    if kind == "packet":
        number = draw(st.sampled_from([1, 1, 2, 2, 3, 3, 0, 4]))
        content = bytes([number + draw(st.sampled_from([0] * 8 + [1]))] * 7)
        return (
            gap,
            0x1CEB0000 | to << 8 | sender,
            (bytes([number]) + content)[: draw(st.sampled_from([8] * 6 + [4, 3, 0]))],
        )
    pgn = draw(_GROUPS).to_bytes(3, "little")
    if kind == "opening":
        size = draw(st.sampled_from([9, 14, 17, 21]))
        return (
            gap,
            0x1CEC0000 | to << 8 | sender,
            bytes([0x20 if to == 255 else 0x10, size, 0, -(-size // 7), 255]) + pgn,
        )
    word, second = draw(st.sampled_from([(0x11, 3), (0x11, 0), (0x13, 14), (0xFF, 2), (0xFF, 3)]))
    return gap, 0x1CEC0000 | to << 8 | sender, bytes([word, second, 0, 2, 255]) + pgn


def _timed(told):
    rows, clock = [], 10_000
    for gap, can_id, payload in told:
        clock += gap
        rows.append((clock, can_id, payload))
    return rows


def _read_fast(rows):
    transfers = j1939_transfers(capture([(time_ms / 1000, *rest) for time_ms, *rest in rows]))
    return [
        (transfers.frames_of(n).tolist(), int(transfers.length[n]), Fault(transfers.fault[n]), transfers.payload(n))
        for n in range(len(transfers))
    ]


@settings(max_examples=400)
@given(st.lists(words(), max_size=60))
def test_columns_say_what_a_reader_of_single_frames_says(told):
    rows = _timed(told)
    assert _read_fast(rows) == read_slowly(rows)


@settings(max_examples=200)
@given(st.lists(words(st.sampled_from([(0, 1), (0, 1), (1, 0)])), max_size=60))
def test_columns_say_the_same_of_one_pair_that_talks_both_ways(told):
    rows = _timed(told)
    assert _read_fast(rows) == read_slowly(rows)
