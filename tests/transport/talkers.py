"""Conversations of ISO 15765-2 as can-isotp speaks them on a virtual bus, and as a third participant hears them."""

import itertools
import random
from dataclasses import dataclass, replace
from typing import NamedTuple

import can
import isotp
import numpy as np
from hypothesis import strategies as st

from decoder.frames import EXTENDED, FD, Frames
from decoder.transport.services import NEGATIVE, POSITIVE, SERVICES, expected_echo

_channels = itertools.count()
_FLOW = -1
REASONS = (0x10, 0x11, 0x12, 0x22, 0x31, 0x33, 0x7E, 0x7F)
_ANY_LENGTH = tuple(number for number, row in SERVICES.items() if row.longest is None)


@dataclass(frozen=True)
class Line:
    """Two participants: identifiers, whether these have 29 bits, addresses with extended addressing, bus."""

    asker: int
    answerer: int
    wide: bool = False
    addresses: tuple | None = None
    bus: int = 0

    def side(self, can_id):
        return "asker" if can_id == self.asker else "answerer"

    def address_in(self, can_id):
        """The address byte of the frames with an identifier: the address of the receiver."""
        return None if self.addresses is None else self.addresses[0 if can_id == self.asker else 1]


@dataclass(frozen=True, repr=False)
class Heard:
    """One frame: its line, identifier, bytes, the message it is a part of (-1: flow control), and when it came."""

    line: Line
    can_id: int
    data: bytes
    message: int
    time_ns: int = 0
    fd: bool = False

    def __repr__(self):
        return f"({self.time_ns / 1e6:.1f} {self.line.bus} {self.can_id:X} {self.data.hex()} {self.message})"


@dataclass(frozen=True)
class Message:
    """What one side said."""

    line: Line
    can_id: int
    payload: bytes

    @property
    def side(self):
        return self.line.side(self.can_id)


class Talk(NamedTuple):
    """One conversation, as its participants know it and as it was heard."""

    line: Line
    messages: list
    heard: list

    def __repr__(self):
        said = [f"{one.side} {one.payload[:8].hex()} ({len(one.payload)} bytes)" for one in self.messages]
        return f"<{self.line}: {'; '.join(said)}; {len(self.heard)} frames, the first {self.heard[:120]}>"


def listen(line, dialogue, **parameters):
    """Let two stacks say a list of (question, answer) to each other, either may be None; give messages and frames."""
    channel = f"line {next(_channels)}"
    buses = [can.Bus(interface="virtual", channel=channel) for _ in range(3)]
    mine, theirs = (_address(line, here, there) for here, there in ((0, 1), (1, 0)))
    # The stacks' own clocks are real ones; a busy machine must not end a transfer.
    patience = {"rx_flowcontrol_timeout": 60_000, "rx_consecutive_frame_timeout": 60_000}
    settings = {"stmin": 0, "blocksize": 0, "tx_padding": 0xAA, **patience, **parameters}
    stacks = [isotp.CanStack(bus, address=a, params=settings) for bus, a in zip(buses, (mine, theirs), strict=False)]
    messages, heard = [], []
    for turn in dialogue:
        for sender, payload in enumerate(turn):
            if payload is None:
                continue
            _deliver(stacks[sender], stacks[1 - sender], payload)
            can_id = line.answerer if sender else line.asker
            for frame in _drain(buses[2]):
                number = len(messages) if frame.arbitration_id == can_id else _FLOW
                heard.append(
                    Heard(line, frame.arbitration_id, bytes(frame.data), number, fd=settings.get("can_fd", False))
                )
            messages.append(Message(line, can_id, bytes(payload)))
    for bus in buses:
        bus.shutdown()
    return messages, heard


def _address(line, here, there):
    ids = (line.asker, line.answerer)
    more = {}
    kind = "Normal" if line.addresses is None else "Extended"
    if line.addresses is not None:
        # The first address is the one that the asker writes to, the second the one that the answerer writes to.
        more = {"target_address": line.addresses[here], "source_address": line.addresses[there]}
    mode = isotp.AddressingMode[f"{kind}_{'29' if line.wide else '11'}bits"]
    return isotp.Address(mode, txid=ids[here], rxid=ids[there], **more)


def _deliver(sender, receiver, payload):
    sender.send(payload)
    for _ in range(20_000):
        sender.process()
        receiver.process()
        got = receiver.recv()
        if got is not None:
            assert bytes(got) == payload
            return
    raise RuntimeError("not delivered")


def _drain(bus):
    while (frame := bus.recv(0)) is not None:
        yield frame


def with_waits(heard, waits, pause_ns):
    """The same with so many waits before each flow control that says go on: pairs of (pause before it, frame)."""
    for one in heard:
        at = 0 if one.line.addresses is None else 1
        if one.message == _FLOW and one.data[at] == 0x30 and waits:
            wait = replace(one, data=one.data[:at] + b"\x31" + one.data[at + 1 :])
            yield 0, wait
            for _ in range(waits - 1):
                yield pause_ns, wait
            yield pause_ns, one
        else:
            yield 0, one


def timed(heard, rng, start_ns=1_000_000_000, waits=0, pause_ns=700_000_000):
    """Give each frame a time: 0.1 ms to 2 ms behind the one before."""
    clock = start_ns
    for pause, one in with_waits(heard, waits, pause_ns):
        clock += pause + rng.randrange(100_000, 2_000_000)
        yield replace(one, time_ns=clock)


def in_time_order(*lists):
    return sorted(itertools.chain(*lists), key=lambda one: one.time_ns)


def frames_of(heard, buses=2):
    """What a recorder would have written, one row for each of the list."""
    n = len(heard)
    width = 64 if any(len(one.data) > 8 for one in heard) else 8
    return Frames(
        time_ns=np.array([one.time_ns for one in heard], np.int64),
        bus=np.array([one.line.bus for one in heard], np.uint8),
        can_id=np.array([one.can_id for one in heard], np.uint32),
        flags=np.array([EXTENDED * one.line.wide | FD * one.fd for one in heard], np.uint16),
        length=np.array([len(one.data) for one in heard], np.uint8),
        data=np.array([list(one.data.ljust(width, b"\0")) for one in heard], np.uint8).reshape(n, width),
        line=np.arange(1, n + 1, dtype=np.uint32),
        source=np.zeros(n, np.uint8),
        bus_names=tuple(f"can{number}" for number in range(buses)),
    )


def broadcasts(rng, ids, until_ns, bus=0):
    """Frames that are sent all the time and say nothing to anybody: sensors, constants and counters."""
    for can_id in ids:
        line = Line(can_id, can_id, bus=bus)
        period = rng.choice([10, 20, 50, 100]) * 1_000_000
        kinds = [rng.choice(["constant", "counter", "sensor", "zero"]) for _ in range(8)]
        fixed = rng.randbytes(8)
        for count, time_ns in enumerate(range(rng.randrange(period), until_ns, period)):
            moving = {"counter": count & 0xF, "sensor": rng.randrange(100, 156), "zero": 0}
            data = bytes(moving.get(kind, fixed[at]) for at, kind in enumerate(kinds))
            yield Heard(line, can_id, data, _FLOW, time_ns)


# What is said.


def _lengths(least, most):
    """Mostly short, some a few frames long, a few as long as 12 bits say."""
    spans = [(least, min(max(least, 7), most))] * 6
    spans += [(min(max(least, 8), most), min(max(least, 70), most))] * 3
    spans += [(least, most)]
    return st.sampled_from(spans).flatmap(lambda span: st.integers(*span))


@st.composite
def questions(draw, services=tuple(SERVICES), most=4095):
    row = SERVICES[draw(st.sampled_from(services))]
    length = draw(_lengths(row.shortest, min(row.longest or most, most)))
    if row.several:
        length = 1 + row.echo * max((length - 1) // row.echo, 1)
    body = bytearray(random.Random(draw(st.integers(0, 2**32))).randbytes(length - 1))
    if row.sub_function and body:
        body[0] &= 0x7F  # the asker wants an answer
    return bytes([row.number]) + bytes(body)


@st.composite
def answers(draw, question, most=4095):
    if draw(st.integers(0, 7)) == 0:
        return bytes([NEGATIVE, question[0], draw(st.sampled_from(REASONS))])
    echo = expected_echo(question)
    if len(echo) <= SERVICES[question[0]].echo:
        return echo  # the question names nothing, so there is nothing to tell
    length = draw(_lengths(len(echo), most))
    return echo + random.Random(draw(st.integers(0, 2**32))).randbytes(length - len(echo))


@st.composite
def turns(draw, most=4095):
    question = draw(questions(most=most))
    return question, draw(answers(question, most=most))


@st.composite
def introductions(draw, least=30, number=0):
    """A question and an answer that leave no doubt that this is a conversation; another for each number."""
    identifier = bytes([number, draw(st.integers(0, 255))])
    body = random.Random(draw(st.integers(0, 2**32))).randbytes(draw(st.integers(least, 2 * least)))
    return b"\x22" + identifier, bytes([0x22 + POSITIVE]) + identifier + body


@st.composite
def lines(draw, *, addressed=None, bus=0, taken=()):
    """Two identifiers: the usual pairs, and any."""
    wide = draw(st.booleans())
    usual = draw(st.booleans())
    if wide and usual:
        one, other = draw(st.lists(st.integers(0, 255), min_size=2, max_size=2, unique=True))
        asker, answerer = 0x18DA0000 | one << 8 | other, 0x18DA0000 | other << 8 | one
    elif usual:
        asker = draw(st.integers(0, 0x7F7))
        answerer = asker + 8
    else:
        top = 0x1FFFFFFF if wide else 0x7FF
        asker, answerer = draw(st.lists(st.integers(0, top), min_size=2, max_size=2, unique=True))
    addresses = None
    if draw(st.booleans()) if addressed is None else addressed:
        addresses = tuple(draw(st.lists(st.integers(0, 255), min_size=2, max_size=2)))
    line = Line(asker, answerer, wide, addresses, bus)
    used = {(one.wide, can_id) for one in taken for can_id in (one.asker, one.answerer)}
    if used & {(wide, asker), (wide, answerer)}:
        return draw(lines(addressed=addressed, bus=bus, taken=taken))
    return line


@st.composite
def manners(draw):
    """Parameters of the stacks: filling, block size, frames of CAN FD."""
    parameters = {
        "tx_padding": draw(st.sampled_from([None, 0xAA, 0x00, 0x55, 0xCC, 0xFF])),
        "blocksize": draw(st.sampled_from([0, 0, 1, 2, 8, 15])),
    }
    if draw(st.integers(0, 3)) == 0:
        parameters |= {
            "can_fd": True,
            "tx_data_length": draw(st.sampled_from([8, 12, 16, 20, 24, 32, 48, 64])),
            "tx_data_min_length": draw(st.sampled_from([None, 8])),
        }
    return parameters
