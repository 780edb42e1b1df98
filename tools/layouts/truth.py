"""What is true of a made capture: the fields of every identifier, and what became of each while it was recorded."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from decoder.bits import Field, Payloads

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from decoder.discovery.proposal import Kind, Selector
    from decoder.frames import Frames


@dataclass(frozen=True, slots=True)
class Draft:
    """A field as its engineer laid it out.

    form : of a check 'linear' (over GF(2)) or 'sum'; else empty
    """

    field: Field
    kind: Kind
    multiplexor: Selector | None = None
    form: str = ""


@dataclass(frozen=True, slots=True)
class TrueField:
    """A field with what the sound frames of the capture showed of it.

    changes : how often its raw value changed from one frame that carries it to the next
    top : significance (0 = least) of the highest bit that ever changed; -1 if none did
    both_signs : a signed field that was below -1 at one time and not negative at another; -1 alone is also what all
        ones read, and those say 'not available'
    """

    draft: Draft
    changes: int
    top: int
    both_signs: bool

    @property
    def field(self) -> Field:
        """Its place."""
        return self.draft.field

    @property
    def kind(self) -> Kind:
        """Its kind, in the words of `decoder.discovery.proposal`."""
        return self.draft.kind


@dataclass(frozen=True, eq=False, slots=True)
class TrueStream:
    """One identifier: its fields and its payloads as recorded (n x length, uint8).

    sound : bool, n: rows that carry their own payload
    """

    bus: str
    can_id: int
    extended: bool
    fields: tuple[TrueField, ...]
    data: NDArray[np.uint8]
    sound: NDArray[np.bool_]


@dataclass(frozen=True, eq=False, slots=True)
class Trial:
    """A made capture and the truth about it."""

    seed: int
    frames: Frames
    streams: tuple[TrueStream, ...]


def rows_under(data: NDArray[np.uint8], selector: Selector | None) -> NDArray[np.bool_]:
    """Tell which payloads carry what stands under a multiplexor; without one, or under each value, all do."""
    rows = np.ones(len(data), bool)
    while selector is not None:
        if selector.value is not None:
            rows &= _raw(data, selector.field) == selector.value
        selector = selector.within
    return rows


def changes_of(data: NDArray[np.uint8], field: Field) -> int:
    """Count how often a field differs from the row before."""
    raw = _raw(data, field)
    return int(np.count_nonzero(raw[1:] != raw[:-1]))


def measured(draft: Draft, data: NDArray[np.uint8]) -> TrueField:
    """Give what the payloads `data` (sound ones only) show of a field."""
    raw = _raw(data[rows_under(data, draft.multiplexor)], draft.field)
    differing = int(np.bitwise_or.reduce(raw ^ raw[0])) if len(raw) else 0
    top = (differing & ((1 << draft.field.length) - 1)).bit_length() - 1
    both_signs = draft.field.signed and len(raw) > 0 and bool(raw.min() < -1 and raw.max() >= 0)
    return TrueField(draft, int(np.count_nonzero(raw[1:] != raw[:-1])), top, both_signs)


def _raw(data: NDArray[np.uint8], field: Field) -> NDArray[np.generic]:
    return Payloads(data).field(field)
