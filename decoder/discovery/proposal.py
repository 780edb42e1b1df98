"""What carving proposes: a field, what kind it is, and how sure that is.

Kinds: ``constant`` (never changed), ``counter``, ``check`` (determined by other bits), ``flag`` (one bit), ``state``
(few values, rarely changing), ``number`` (small differences in time), ``multiplexor`` (decides what the other bits
mean), ``text`` (ASCII), ``unknown`` (changes, but follows no model: as good as noise).
"""

from __future__ import annotations

from dataclasses import dataclass
from dataclasses import field as with_default
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from collections.abc import Mapping

    import numpy as np
    from numpy.typing import NDArray

    from decoder.bits import Field

Kind = Literal["constant", "counter", "check", "flag", "state", "number", "multiplexor", "text", "unknown"]


@dataclass(frozen=True, slots=True)
class Carrier:
    """The transport of a reassembled message.

    kind : ``iso-tp`` or ``j1939-tp``
    prefix : ISO 15765-2: the first bytes that the messages have in common, from the service byte on
    pgn : SAE J1939-21: the parameter group
    """

    kind: Literal["iso-tp", "j1939-tp"]
    prefix: bytes = b""
    pgn: int | None = None


@dataclass(frozen=True, eq=False, slots=True)
class Stream:
    """Payloads of one identifier, or of one kind of reassembled message, in the order of time.

    time_ns : int64, n
    data : uint8, n x width; only the bytes that all rows have
    row : int64, n: the frame, or the last frame of the message, as a row number of `Frames`
    """

    bus: str
    can_id: int
    extended: bool
    carrier: Carrier | None
    time_ns: NDArray[np.int64]
    data: NDArray[np.uint8]
    row: NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class Selector:
    """The multiplexor that a field stands under.

    value : under which value; ``None`` for under each (an index with one value beside it)
    within : the outer multiplexor, where they are nested
    """

    field: Field
    value: int | None
    within: Selector | None = None


def values_of(selector: Selector | None) -> tuple[int, ...]:
    """Give the values of nested multiplexors, the outer one first; -1 where a field stands under each value."""
    return () if selector is None else (*values_of(selector.within), -1 if selector.value is None else selector.value)


def path_of(selector: Selector | None) -> tuple[tuple[int, int], ...]:
    """Give start and value of nested multiplexors, the outer one first; -1 for each value."""
    if selector is None:
        return ()
    value = -1 if selector.value is None else selector.value
    return (*path_of(selector.within), (selector.field.start, value))


@dataclass(frozen=True, slots=True)
class Proposal:
    """One field of one stream.

    detail : what is known beyond the place, by kind; plain numbers, text, lists and mappings (see `detail.py`)
    confidence : the chance that byte order and least significant bit are right and that the most significant bit lies
        between the highest bit that ever changed and the true end, 0..1
    """

    field: Field
    kind: Kind
    confidence: float
    multiplexor: Selector | None = None
    detail: Mapping[str, object] = with_default(default_factory=dict)


@dataclass(frozen=True, eq=False, slots=True)
class Carving:
    """The fields of one stream, by place.

    damaged : rows of the stream whose check does not hold, where a check was found
    """

    stream: Stream
    proposals: tuple[Proposal, ...]
    damaged: NDArray[np.intp]
