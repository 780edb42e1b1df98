"""A bounded sample of a stream's payloads, so that no picture costs more in a longer capture.

It is drawn at random, not evenly: an even one shows a counter at rest. Of every bit that ever changes it has payloads
where it is 0 and where it is 1.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.bits import Field, Payloads
from decoder.discovery.carving.moves import ever_flipped_bits, flip_counts
from decoder.discovery.proposal import Stream

if TYPE_CHECKING:
    from numpy.typing import NDArray

# A plot of 200 columns shows 300 payloads in each. Common practice, no source.
MOST_PAYLOADS: Final = 60_000
_BLOCK: Final = 65_536  # payloads at once, so that memory does not grow with the capture
_SEED: Final = 1  # any: the same capture always looks the same


def sampled(stream: Stream, rows: NDArray[np.intp] | None = None, most: int = MOST_PAYLOADS) -> Stream:
    """Give a stream with some of its payloads in the order of time; all where there are no more than `most`.

    rows : take only these
    """
    count = len(stream.data) if rows is None else len(rows)
    if count > most:
        chosen = np.random.default_rng(_SEED).choice(count, most, replace=False)
        witnesses = _witnesses(stream.data if rows is None else stream.data[rows])
        some = np.union1d(chosen, witnesses)
        rows = some if rows is None else rows[some]
    rows = _in_order(stream, rows)
    if rows is None:
        return stream
    return Stream(
        stream.bus,
        stream.can_id,
        stream.extended,
        stream.carrier,
        stream.time_ns[rows],
        stream.data[rows],
        stream.row[rows],
    )


def _in_order(stream: Stream, rows: NDArray[np.intp] | None) -> NDArray[np.intp] | None:
    """Put rows into the order of their times, where the capture's clock went back."""
    time_ns = stream.time_ns if rows is None else stream.time_ns[rows]
    if not (np.diff(time_ns) < 0).any():
        return rows
    order = np.argsort(time_ns, kind="stable")
    return order if rows is None else rows[order]


def _witnesses(data: NDArray[np.uint8]) -> NDArray[np.intp]:
    """Give the first and the last payload, and for every bit that ever changes the first one where it has."""
    payloads = Payloads(data)
    found = [0, len(data) - 1]
    for bit in np.flatnonzero(ever_flipped_bits(data)).tolist():
        values = payloads.field(Field(bit, 1))
        found.append(int(np.argmax(values != values[0])))
    return np.array(found, np.intp)


def flips(data: NDArray[np.uint8]) -> NDArray[np.int64]:
    """Count how often each bit changes from payload to payload, by DBC bit number."""
    counts = np.zeros(8 * data.shape[1], np.int64)
    for begin in range(0, len(data) - 1, _BLOCK):
        block = data[begin : begin + _BLOCK + 1]
        counts += flip_counts(block[:-1] ^ block[1:])
    return counts
