"""The service computer of the boat's yard asks, the pack controller answers: ISO 14229-1 in ISO 15765-2 transfers.

Normal addressing, 11-bit identifiers, frames filled up to eight bytes. Who receives a transfer of more than one frame
sends a flow control after the first one (`30`: go on, `00`: no blocks, `02`: at least 2 ms between the frames).
Payloads of the block reads are laid out by the signal map, so that map and capture cannot disagree.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from tools.demo import pack_model
from tools.demo.bus import Link
from tools.demo.controller import Stream

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from cantools.database import Database
    from cantools.database.can import Message
    from numpy.typing import NDArray

    from tools.demo.controller import Measured
    from tools.demo.dice import Dice

ASKER: Final = 0x6E2
ANSWERER: Final = 0x6EA
FILL: Final = {ASKER: 0x00, ANSWERER: 0xAA}
OTHER: Final = {ASKER: ANSWERER, ANSWERER: ASKER}
FLOW_CONTROL: Final = bytes.fromhex("300002")
LONGEST_TRANSFER: Final = 4095  # of a first frame with 12 bits of length

LATE_S: Final = 0.004  # the computer sends a question up to this late
# From, to (s): pause before an answer, before a flow control and before a consecutive frame.
ANSWER_S: Final = (0.003, 0.018)
FLOW_CONTROL_S: Final = (0.0003, 0.0012)
SEPARATION_S: Final = (0.0020, 0.0026)
PENDING_S: Final = 1.1  # from one 'response pending' to the next
SELF_TEST_ENDS_S: Final = 0.6  # after the last of them

PART_NUMBER: Final = b"HS-PK-062-0417"
SERIAL: Final = b"HSB24A00317"
SOFTWARE: Final = b"03.11.2"
HARDWARE: Final = b"HS-BMC-3"
BOAT: Final = b"CGHARBRSHTL000001"

CELLS: Final = 0x0104
BUSBARS: Final = 0x0110
POLLED_MODULES: Final = (4, 5)
# The computer's timer runs for 1 s; its program takes the rest before it starts the timer again. Both numbers are
# chosen so that what the recorder loses hits some of the reads: a question, frames in the middle, a whole end.
CELLS_EVERY_S: Final = 1.00554
CELLS_FROM_TO_S: Final = (15.97, 67.1)
BUSBARS_AT_S: Final = tuple(16.5 + 5.0 * number for number in range(11))
PRESENT_AT_S: Final = tuple(11.9 + 2.0 * number for number in range(29))  # the last one at 67.9, unplugged at 68
OPERATING_S: Final = 4_302_787  # at the start of the capture


@dataclass(frozen=True)
class Exchange:
    """A question and its answers, all but the last of them 'response pending'; no answer where none comes.

    ready_s : when the computer has the question ready (s)
    answers : pause after what came before (s), and payload
    """

    ready_s: float
    request: bytes
    answers: tuple[tuple[float, bytes], ...] = ()


@dataclass(frozen=True)
class TimedFrame:
    """One frame: goes at `ready_s` or `pause_s` after the end of the frame before it, whichever is later.

    `part` is 'request', 'answer' or 'beside' (flow control, response pending), `exchange` its position.
    """

    can_id: int
    payload: bytes
    ready_s: float
    pause_s: float
    exchange: int
    part: str


@dataclass(frozen=True)
class Conversation:
    """All exchanges, and their frames in the order in which they go."""

    exchanges: list[Exchange]
    frames: list[TimedFrame]

    def streams(self) -> list[Stream]:
        """Give the frames of the computer and those of the controller."""
        return [_stream("YardComputer", ASKER, self.frames), _stream("PackAnswers", ANSWERER, self.frames)]

    def chain(self) -> list[Link]:
        """Give which frame follows which."""
        sent = {ASKER: 0, ANSWERER: 0}
        links = []
        for frame in self.frames:
            links.append(Link(frame.can_id, sent[frame.can_id], frame.pause_s))
            sent[frame.can_id] += 1
        return links


def talk(meter: Measured, signal_map: Database, dice: Dice) -> Conversation:
    """Let computer and controller talk from 9.5 s until the computer is unplugged."""
    message = signal_map.get_message_by_name("PackAnswers")
    asked = [*_session_and_identity(dice), *_troubles_and_refusals(dice), _self_test(dice), _without_answer()]
    asked += [*_cell_reads(meter, message, dice), *_busbar_reads(meter, message, dice)]
    exchanges = [
        Exchange(exchange.ready_s + LATE_S * float(dice.even(1)[0]), exchange.request, exchange.answers)
        for exchange in sorted([*asked, *_tester_present()], key=lambda exchange: exchange.ready_s)
    ]
    frames = [frame for number, exchange in enumerate(exchanges) for frame in _frames(number, exchange, dice)]
    return Conversation(exchanges, frames)


# --- what is asked and answered


def _session_and_identity(dice: Dice) -> Iterator[Exchange]:
    # P2 50 ms, P2* 5000 ms in steps of 10 ms.
    yield _answered(9.5, bytes.fromhex("1003"), bytes.fromhex("5003003201F4"), dice)
    texts = {0xF187: PART_NUMBER, 0xF18C: SERIAL, 0xF189: SOFTWARE, 0xF191: HARDWARE, 0xF190: BOAT}
    for number, (identifier, text) in enumerate(texts.items()):
        yield _answered(10.0 + 0.3 * number, read(identifier), record(identifier, text), dice)
    both = record(0xF187, PART_NUMBER) + record(0xF189, SOFTWARE)[1:]
    yield _answered(11.6, read(0xF187, 0xF189), both, dice)


def _troubles_and_refusals(dice: Dice) -> Iterator[Exchange]:
    # Confirmed trouble codes: P0AA6-17 that has failed just now (09), and U0073-00 that has not (08).
    yield _answered(12.5, bytes.fromhex("190208"), bytes.fromhex("5902FF 0AA61709 C0730008"), dice)
    writing = bytes.fromhex("2EF18C") + SERIAL
    yield _answered(13.0, writing, refusal(writing, 0x33), dice)  # security access denied
    yield _answered(13.4, read(0x0303), refusal(read(0x0303), 0x31), dice)  # request out of range


def _self_test(dice: Dice) -> Exchange:
    start = bytes.fromhex("31010202")
    pending = refusal(start, 0x78)
    done = bytes.fromhex("7101020200")
    return Exchange(14.0, start, ((_between(ANSWER_S, dice), pending), (PENDING_S, pending), (SELF_TEST_ENDS_S, done)))


def _without_answer() -> Exchange:
    return Exchange(33.2, read(0x0555))


def _tester_present() -> Iterator[Exchange]:
    for ready_s in PRESENT_AT_S:
        yield Exchange(ready_s, bytes.fromhex("3E80"))  # 80: no answer wanted


def _cell_reads(meter: Measured, message: Message, dice: Dice) -> Iterator[Exchange]:
    start, end = CELLS_FROM_TO_S
    ready_s = np.arange(start, end, CELLS_EVERY_S)
    for time_s, scan in zip(ready_s.tolist(), meter.cells(ready_s), strict=True):
        values = {
            f"Polled_{module}_{cell:02d}_V": float(scan[pack_model.cell_number(module, cell)])
            for module in POLLED_MODULES
            for cell in range(1, pack_model.CELLS + 1)
        }
        yield _answered(time_s, read(CELLS), mapped_record(message, CELLS, values), dice)


def _busbar_reads(meter: Measured, message: Message, dice: Dice) -> Iterator[Exchange]:
    ready_s = np.array(BUSBARS_AT_S)
    warmth = meter.of(pack_model.busbars(meter.pack), ready_s, 0.1)
    for time_s, busbars in zip(BUSBARS_AT_S, warmth, strict=True):
        values = {f"Busbar_{module}_degC": float(value) for module, value in enumerate(busbars, start=1)}
        values["Operating_s"] = OPERATING_S + int(time_s)
        yield _answered(time_s, read(BUSBARS), mapped_record(message, BUSBARS, values), dice)


def _answered(ready_s: float, request: bytes, answer: bytes, dice: Dice) -> Exchange:
    return Exchange(ready_s, request, ((_between(ANSWER_S, dice), answer),))


def read(*identifiers: int) -> bytes:
    """Give the question for one or more identifiers (ReadDataByIdentifier)."""
    return b"\x22" + b"".join(identifier.to_bytes(2, "big") for identifier in identifiers)


def record(identifier: int, content: bytes) -> bytes:
    """Give the answer to `read`."""
    return b"\x62" + identifier.to_bytes(2, "big") + content


def refusal(request: bytes, reason: int) -> bytes:
    """Give the negative answer to `request`."""
    return bytes([0x7F, request[0], reason])


def mapped_record(message: Message, identifier: int, values: dict[str, float]) -> bytes:
    """Give the answer to `read` as the signal map lays it out, from the values of the identifier's signals.

    It ends with the last signal of its page. Raises cantools' `EncodeError` for a value that does not fit.
    """
    topic = int.from_bytes(record(identifier, b""), "big")
    page = [signal for signal in message.signals if signal.multiplexer_ids == [topic]]
    # DBC numbers the bits of each byte from the lowest; signals here are big-endian and start at their highest.
    length = max((signal.start // 8 * 8 + 7 - signal.start % 8 + signal.length + 7) // 8 for signal in page)
    return message.encode({**values, "PackAnswers_Topic": topic})[:length]


# --- how it goes over the bus


def cut(payload: bytes, fill: int) -> list[bytes]:
    """Cut `payload` into frames of eight bytes (ISO 15765-2, single, first and consecutive frames)."""
    if not 0 < len(payload) <= LONGEST_TRANSFER:
        raise ValueError(f"{len(payload)} bytes do not fit into one transfer")
    if len(payload) <= 7:
        pieces = [bytes([len(payload)]) + payload]
    else:
        pieces = [(0x1000 | len(payload)).to_bytes(2, "big") + payload[:6]]
        for number, start in enumerate(range(6, len(payload), 7), start=1):
            pieces.append(bytes([0x20 | number % 16]) + payload[start : start + 7])
    return [piece.ljust(8, bytes([fill])) for piece in pieces]


def _frames(number: int, exchange: Exchange, dice: Dice) -> Iterator[TimedFrame]:
    """Give the frames of one exchange; the first waits for the computer, the others for those before them."""
    transfers = [(ASKER, exchange.request, 0.0, "request")]
    transfers += [(ANSWERER, payload, pause_s, "beside") for pause_s, payload in exchange.answers[:-1]]
    transfers += [(ANSWERER, payload, pause_s, "answer") for pause_s, payload in exchange.answers[-1:]]
    for sender, payload, pause_s, part in transfers:
        first, *others = cut(payload, FILL[sender])
        yield TimedFrame(sender, first, exchange.ready_s, pause_s, number, part)
        if others:
            receiver = OTHER[sender]
            flow_control = FLOW_CONTROL.ljust(8, bytes([FILL[receiver]]))
            yield TimedFrame(receiver, flow_control, exchange.ready_s, _between(FLOW_CONTROL_S, dice), number, "beside")
        for frame in others:
            yield TimedFrame(sender, frame, exchange.ready_s, _between(SEPARATION_S, dice), number, part)


def _stream(name: str, can_id: int, frames: Sequence[TimedFrame]) -> Stream:
    own = [frame for frame in frames if frame.can_id == can_id]
    data = np.frombuffer(b"".join(frame.payload for frame in own), np.uint8).reshape(-1, 8)
    return Stream(name, can_id, extended=False, ready_s=np.array([frame.ready_s for frame in own]), data=data)


def _between(span_s: tuple[float, float], dice: Dice) -> float:
    start, end = span_s
    return start + (end - start) * float(dice.even(1)[0])


# --- what is true of it


def truth(conversation: Conversation, end_us: NDArray[np.int64], logged: NDArray[np.bool_]) -> dict[str, Any]:
    """Give who asked what and what came back.

    `end_us` and `logged` have one entry a frame of the conversation: when it ended, and whether the log holds it.
    """
    parts: dict[tuple[int, str], list[int]] = {}
    for position, frame in enumerate(conversation.frames):
        parts.setdefault((frame.exchange, frame.part), []).append(position)
    exchanges = []
    for number, exchange in enumerate(conversation.exchanges):
        request = parts[number, "request"]
        needed = [*request, *parts.get((number, "answer"), [])]
        exchanges.append(
            {
                "time_s": round(int(end_us[request[-1]]) / 1e6, 6),
                "request": exchange.request.hex().upper(),
                "answer": exchange.answers[-1][1].hex().upper() if exchange.answers else None,
                "outcome": _outcome(exchange),
                "pending": max(len(exchange.answers) - 1, 0),
                "recorded_whole": bool(logged[needed].all()),
            }
        )
    return {"asker": f"{ASKER:03X}", "answerer": f"{ANSWERER:03X}", "exchanges": exchanges}


def _outcome(exchange: Exchange) -> str:
    if exchange.answers:
        return "refused" if exchange.answers[-1][1][0] == 0x7F else "answered"
    return "silent" if exchange.request == bytes.fromhex("3E80") else "unanswered"
