"""Payloads that a transport protocol carried in several frames, for the messages of a map that describe such ones.

Looked for only if the map has such a message. A payload is one row, like a frame: its row and time are those of the
frame that completed it. Only whole payloads are taken: behind a lost frame nothing is sure.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from decoder.frames import EXTENDED, Frames, Key, concatenate
from decoder.transport.exchanges import exchanges
from decoder.transport.iso_tp import conversations
from decoder.transport.j1939 import j1939_transfers
from decoder.transport.j1939_id import is_transport
from decoder.transport.services import NEGATIVE, PENDING
from decoder.transport.tracks import LEAST_SHARE, Shares, shares
from decoder.transport.transfers import Fault

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping

    from numpy.typing import NDArray

    from decoder.maps.signal_map import SignalMap
    from decoder.transport.iso_tp import Conversations
    from decoder.transport.transfers import Transfers

# Bounds the memory while payloads are laid side by side.
_PAYLOADS_AT_ONCE: Final = 4096


class Sender(NamedTuple):
    """Whose payloads: bus number, and identifier, or parameter group and source address of SAE J1939."""

    bus: int
    can_id: int | None = None
    extended: bool = False
    pgn: int | None = None
    source_address: int | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Assembled:
    """The whole payloads of one sender, n rows, in the order of the frames that completed them.

    rows : intp, that frame; time_ns : int64, its time; block : intp, the block of the capture that it stands in
    begin, length : int64, where each payload stands in `data` (uint8)
    question : intp, which question each answers (-1: none was heard): equal questions have equal numbers
    in_vain, in_vain_ns : intp, int64; questions to this sender that brought no such payload, and when they were asked;
        without those at a time that the capture's clock went through twice
    is_asked_for : they come as answers
    broken, refused : payloads that did not arrive whole, and negative answers; neither is among the rows
    """

    rows: NDArray[np.intp]
    time_ns: NDArray[np.int64]
    block: NDArray[np.intp]
    begin: NDArray[np.int64]
    length: NDArray[np.int64]
    data: NDArray[np.uint8]
    question: NDArray[np.intp]
    in_vain: NDArray[np.intp]
    in_vain_ns: NDArray[np.int64]
    is_asked_for: bool = True
    broken: int = 0
    refused: int = 0

    def in_block(self, number: int) -> Assembled:
        """Give the payloads that are completed in one block."""
        here = self.block == number
        names = ("rows", "time_ns", "block", "begin", "length", "question")
        return replace(self, **{name: getattr(self, name)[here] for name in names}, broken=0, refused=0)

    def matrix(self, width: int) -> NDArray[np.uint8]:
        """Give the first `width` bytes of each payload (n x width), zeros past its end."""
        matrix = np.zeros((len(self.rows), width), np.uint8)
        # Payloads of one length at a time: a table of indices over all of them would be many times the result.
        for length in np.unique(self.length).tolist():
            of_length = np.flatnonzero(self.length == length)
            for rows in np.array_split(of_length, len(of_length) // _PAYLOADS_AT_ONCE + 1):
                columns = np.arange(min(length, width))
                matrix[rows, : len(columns)] = self.data[self.begin[rows, None] + columns]
        return matrix

    def __contains__(self, row: int) -> bool:
        """Tell whether the frame in `row` completed a payload."""
        number = int(np.searchsorted(self.rows, row))
        return number < len(self.rows) and bool(self.rows[number] == row)

    def payload(self, row: int) -> bytes:
        """Give the payload that was completed by the frame in `row`; raises `KeyError` if none was."""
        if row not in self:
            raise KeyError(row)
        number = int(np.searchsorted(self.rows, row))
        begin = int(self.begin[number])
        return self.data[begin : begin + int(self.length[number])].tobytes()

    def questions_of(self, samples: NDArray[np.intp]) -> NDArray[np.intp]:
        """Give the questions that payloads answer, each once."""
        wanted = np.unique(self.question[samples])
        return wanted[wanted >= 0]

    def unanswered(self, questions: NDArray[np.intp]) -> NDArray[np.int64]:
        """Give when any of these questions was asked in vain, in order; of several at one time each counts."""
        return np.sort(self.in_vain_ns[np.isin(self.in_vain, questions)])


AllAssembled = dict[Sender, Assembled]


def describes_assembled(signal_map: SignalMap) -> bool:
    """Tell whether a map has messages that a transport protocol may carry."""
    return any(message.is_reassembled or message.exceeds_a_frame for message in signal_map.messages)


def assembled(frames: Frames, signal_map: SignalMap) -> AllAssembled:
    """Put together what the messages of the map describe, from a whole capture."""
    if not describes_assembled(signal_map) or not len(frames):
        return {}
    blocks = np.zeros(len(frames), np.intp)
    ends = int(frames.time_ns[0]), int(frames.time_ns.max())
    return _assembled(frames, signal_map, np.arange(len(frames)), blocks, ends, None)


def assembled_from_blocks(blocks: Callable[[], Iterable[Frames]], signal_map: SignalMap) -> AllAssembled:
    """Do the same for a capture in blocks, each row a row of its block; `blocks` gives them anew at each call.

    Two goes: the first counts which streams could carry a transport protocol, the second keeps their frames only.
    """
    if not describes_assembled(signal_map):
        return {}
    counts: dict[Key, NDArray[np.int64]] = {}
    ends: tuple[int, int] | None = None
    for frames in blocks():
        if len(frames):
            first, last = int(frames.time_ns[0]), int(frames.time_ns.max())
            ends = (first, last) if ends is None else (ends[0], max(ends[1], last))
            _count(frames, counts)
    if ends is None:
        return {}
    kept, row, block = [], [], []
    for number, frames in enumerate(blocks()):
        rows = _worth_keeping(frames, counts)
        kept.append(frames.take(rows))
        row.append(rows)
        block.append(np.full(len(rows), number, np.intp))
    together = concatenate(kept, kept[-1].account)
    known = _shares_of(together, counts)
    return _assembled(together, signal_map, np.concatenate(row), np.concatenate(block), ends, known)


def _count(frames: Frames, counts: dict[Key, NDArray[np.int64]]) -> None:
    """Add up, for each stream, its frames and those that could be of ISO 15765-2 in either form of addressing."""
    known = shares(frames)
    rows, starts = frames.by_stream
    table = np.stack([known.frames, known.plain, known.addressed], axis=1)
    for number, row in enumerate(rows[starts[:-1]].tolist()):
        key = frames.key_of(row)
        counts[key] = counts[key] + table[number] if key in counts else table[number]


def _worth_keeping(frames: Frames, counts: Mapping[Key, NDArray[np.int64]]) -> NDArray[np.intp]:
    """Give the rows, in order, of all streams that may carry a transport protocol."""
    j1939 = ((frames.flags & EXTENDED) != 0) & (is_transport(frames.can_id) != 0)
    keep = [np.flatnonzero(j1939)]
    for key, rows in frames.rows_of.items():
        total, plain, addressed = counts[key].tolist()
        if max(plain, addressed) >= LEAST_SHARE * total:
            keep.append(rows)
    return np.unique(np.concatenate(keep))


def _shares_of(frames: Frames, counts: Mapping[Key, NDArray[np.int64]]) -> Shares:
    rows, starts = frames.by_stream
    table = [counts[frames.key_of(row)] for row in rows[starts[:-1]].tolist()]
    return Shares(*np.array(table, np.int64).reshape(-1, 3).T)


def _assembled(
    frames: Frames,
    signal_map: SignalMap,
    row: NDArray[np.intp],
    block: NDArray[np.intp],
    capture_ns: tuple[int, int],
    known: Shares | None,
) -> AllAssembled:
    """Put together; `row` and `block` say for each of `frames` where it stands in the capture."""
    talk = conversations(frames, capture_ns, known, signal_map.reassembled)
    sources: list[tuple[Transfers, _Questions | None]] = [(talk.transfers, _Questions(frames, talk))]
    if any(message.is_j1939 for message in signal_map.messages):
        sources.append((j1939_transfers(frames), None))
    found: AllAssembled = {}
    for transfers, questions in sources:
        of_path = _by_path(transfers)
        for sender, numbers in _by_sender(transfers).items():
            found[sender] = _of_paths(frames, transfers, numbers, of_path, row, block, questions)
    return found


def _by_sender(transfers: Transfers) -> dict[Sender, list[int]]:
    """Give the paths of each sender; parameter groups whose announcement is not there have none."""
    senders: dict[Sender, list[int]] = {}
    for number, path in enumerate(transfers.paths):
        if path.kind == "iso-tp":
            sender = Sender(path.key.bus, path.key.can_id, path.key.extended)
        elif path.pgn is not None:
            sender = Sender(path.key.bus, pgn=path.pgn, source_address=path.address)
        else:
            continue
        senders.setdefault(sender, []).append(number)
    return senders


def _by_path(transfers: Transfers) -> list[NDArray[np.intp]]:
    """Give the numbers of the transfers of each path, in order; all paths at once, for there may be thousands."""
    order = np.argsort(transfers.path, kind="stable")
    return np.split(order, np.searchsorted(transfers.path[order], np.arange(1, len(transfers.paths))))


class _Questions:
    """Which question each transfer answers, and which questions were asked of whom in vain."""

    def __init__(self, frames: Frames, talk: Conversations) -> None:
        numbers: dict[bytes, int] = {}
        self.of_transfer = np.full(len(talk.transfers), -1, np.intp)
        self.in_vain: dict[Key, list[tuple[int, int, int]]] = {}  # question, its time and row
        transfers, first_row = talk.transfers, talk.transfers.first_row
        answerers: dict[int, set[Key]] = {}
        for answerer, askers in talk.askers.items():
            for asker in askers:
                answerers.setdefault(asker, set()).add(transfers.paths[answerer].key)
        for exchange in exchanges(frames, talk):
            if exchange.request is None or exchange.request_transfer is None or exchange.outcome == "silent":
                continue
            number = numbers.setdefault(exchange.request, len(numbers))
            if exchange.outcome == "answered" and exchange.answer_transfer is not None:
                self.of_transfer[exchange.answer_transfer] = number
                continue
            asked = number, exchange.time_ns, int(first_row[exchange.request_transfer])
            end = exchange.answerer
            if end is not None:
                keys = {Key(frames.bus_number(exchange.bus), end.can_id, end.extended)}
            else:  # nobody answered what went to all at once
                keys = answerers.get(int(transfers.path[exchange.request_transfer]), set())
            for key in keys:
                self.in_vain.setdefault(key, []).append(asked)


def _of_paths(
    frames: Frames,
    transfers: Transfers,
    paths: list[int],
    of_path: list[NDArray[np.intp]],
    row: NDArray[np.intp],
    block: NDArray[np.intp],
    questions: _Questions | None,
) -> Assembled:
    mine = np.sort(np.concatenate([of_path[number] for number in paths]))
    whole = transfers.fault[mine] == Fault.NONE
    begin = transfers.byte_start[:-1][mine]
    head = _head(transfers, begin)
    negative = whole & (head[:, 0] == NEGATIVE) & (questions is not None)
    kept = mine[whole & ~negative]
    last = transfers.rows[transfers.row_start[kept + 1] - 1]
    in_vain = questions.in_vain.get(transfers.paths[paths[0]].key, []) if questions else []
    table = np.array(in_vain, np.int64).reshape(-1, 3)
    table = table[_once_only(table[:, 1], table[:, 2], frames.time_ns[last], last)]
    return Assembled(
        rows=row[last],
        time_ns=frames.time_ns[last],
        block=block[last],
        begin=transfers.byte_start[:-1][kept],
        length=transfers.byte_start[kept + 1] - transfers.byte_start[kept],
        data=transfers.data,
        question=questions.of_transfer[kept] if questions else np.full(len(kept), -1, np.intp),
        in_vain=table[:, 0].astype(np.intp),
        in_vain_ns=table[:, 1],
        is_asked_for=questions is not None,
        broken=int(np.count_nonzero(~whole)),
        refused=int(np.count_nonzero(negative & (head[:, 2] != PENDING))),
    )


def _once_only(
    asked_ns: NDArray[np.int64], asked_row: NDArray[np.int64], heard_ns: NDArray[np.int64], heard_row: NDArray[np.intp]
) -> NDArray[np.bool_]:
    """Tell which questions were asked at a time that the capture's clock went through once.

    Of the others, time does not tell which answer they followed.
    """
    order = np.argsort(np.concatenate([asked_row, heard_row]), kind="stable")
    time_ns = np.concatenate([asked_ns, heard_ns])[order]
    before, after = np.maximum.accumulate(time_ns), np.minimum.accumulate(time_ns[::-1])[::-1]
    once = np.empty(len(order), np.bool_)
    once[order] = (time_ns >= before) & (time_ns <= after)
    return once[: len(asked_ns)]


def _head(transfers: Transfers, begin: NDArray[np.int64]) -> NDArray[np.uint8]:
    """Give the first three bytes from each place on."""
    if not len(transfers.data):
        return np.zeros((len(begin), 3), np.uint8)
    head: NDArray[np.uint8] = transfers.data[np.minimum(begin[:, None] + np.arange(3), len(transfers.data) - 1)]
    return head
