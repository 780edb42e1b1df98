"""Openings: what the first bytes of transfers say, as columns: could this be a question, or an answer, and to what.

A positive answer begins with the service of its question plus 40h and repeats what the question was about (ISO 14229-1
clause 8.4; sub-function, identifier); a negative one is 7Fh, the service, a reason. So a question and its answer share
a key.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.transport import service_tables
from decoder.transport.services import NEGATIVE, POSITIVE, WAIVE

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from decoder.transport.segments import Segments
    from decoder.transport.tracks import Tracks

HEAD_BYTES: Final = 1 + service_tables.MOST_ECHOED


@dataclass(frozen=True, slots=True, eq=False)
class Openings:
    """One row a segment that begins with a single or first frame.

    segment : intp; at : intp, position of its first frame in the columns of `Tracks`
    track : intp; bus : uint8; row : intp, of its first frame; time_ns : int64, of the same
    last_row : intp, of its last frame
    length : int64; head : uint8, n x 4, zero past the length
    asks, answers : bool, could be a question, an answer, of a service of the standards
    refuses : bool, could be a negative answer
    key : int64; of a question what its positive answer will begin with, of an answer what it does begin with
    waived : bool, asks for no positive answer
    """

    segment: NDArray[np.intp]
    at: NDArray[np.intp]
    track: NDArray[np.intp]
    bus: NDArray[np.uint8]
    row: NDArray[np.intp]
    last_row: NDArray[np.intp]
    time_ns: NDArray[np.int64]
    length: NDArray[np.int64]
    head: NDArray[np.uint8]
    asks: NDArray[np.bool_]
    answers: NDArray[np.bool_]
    refuses: NDArray[np.bool_]
    key: NDArray[np.int64]
    waived: NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.segment)


def openings(tracks: Tracks, segments: Segments) -> Openings:
    """Read the first bytes of every segment that has a first frame."""
    segment = np.flatnonzero(segments.said >= 0)
    at = segments.first_at()[segment]
    length = segments.said[segment]
    begin = tracks.protocol.begin[at].astype(np.intp)
    columns = np.minimum(begin[:, None] + np.arange(HEAD_BYTES), tracks.data.shape[1] - 1)
    head = tracks.data[at[:, None], columns]
    head[np.arange(HEAD_BYTES) >= np.minimum(length, tracks.protocol.room[at])[:, None]] = 0
    refuses = _refusals(head, length)
    asks, answers = (
        table()[head[:, 0], np.minimum(length, service_tables.LONGEST_JUDGED)]
        for table in (service_tables.requests, service_tables.answers)
    )
    answers |= refuses
    echoes = service_tables.echoes()
    echoed = np.where(answers, echoes[head[:, 0] - np.uint8(POSITIVE)], echoes[head[:, 0]])
    track = tracks.track[at]
    return Openings(
        segment=segment,
        at=at,
        track=track,
        bus=tracks.bus[track],
        row=tracks.row[at],
        last_row=tracks.row[segments.last_at()[segment]],
        time_ns=tracks.time_ns[at],
        length=length,
        head=head,
        asks=asks,
        answers=answers,
        refuses=refuses,
        key=np.where(refuses, refusal_key(head[:, 1]), _keys(head, echoed, answers)),
        waived=asks & service_tables.sub_functions()[head[:, 0]] & (length > 1) & (head[:, 1] >= WAIVE),
    )


def refusal_key(service: NDArray[np.uint8]) -> NDArray[np.int64]:
    """Give the key that a question shares with a negative answer to it."""
    return np.int64(NEGATIVE) << 32 | service.astype(np.int64)


def _keys(head: NDArray[np.uint8], echoed: NDArray[np.uint8], answers: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Give service and echoed bytes as one number, for questions what the answer to them will have."""
    service = np.where(answers, head[:, 0], head[:, 0] + np.uint8(POSITIVE))
    waive = service_tables.sub_functions()[service - np.uint8(POSITIVE)] & ~answers
    second = np.where(waive, head[:, 1] & 0x7F, head[:, 1])
    key = service.astype(np.int64)
    for number, byte in enumerate((second, head[:, 2], head[:, 3]), start=1):
        key = key << 8 | np.where(echoed >= number, byte, 0).astype(np.int64)
    return key


def _refusals(head: NDArray[np.uint8], length: NDArray[np.int64]) -> NDArray[np.bool_]:
    known, reasons = service_tables.services(), service_tables.reasons()
    refused: NDArray[np.bool_] = (head[:, 0] == NEGATIVE) & (length == 3) & known[head[:, 1]] & reasons[head[:, 2]]
    return refused
