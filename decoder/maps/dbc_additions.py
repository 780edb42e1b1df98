"""What is to be added to a DBC file, and what became of it, as plain data."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from collections.abc import Mapping

    from decoder.bits import Field
    from decoder.maps.dbc_draft import Ranges

# What a message describes: single frames, whole payloads of ISO 15765-2, or a parameter group of SAE J1939.
Carriage = Literal["frame", "reassembled", "j1939"]
OutcomeKind = Literal["added", "there", "refused"]


@dataclass(frozen=True, slots=True)
class NewPage:
    """The pages of a multiplexor that carry a signal. The multiplexor is found by its bits, else added."""

    multiplexor: NewSignal
    values: Ranges


@dataclass(frozen=True, slots=True)
class NewSignal:
    """A signal to be added: value = scale x raw + offset; `low` and `high` are values.

    The name is made legal and unique where it is not.
    """

    name: str
    field: Field
    scale: float = 1
    offset: float = 0
    low: float | None = None
    high: float | None = None
    unit: str = ""
    labels: Mapping[int, str] = dataclasses.field(default_factory=dict)
    comment: str = ""
    is_multiplexor: bool = False
    page: NewPage | None = None


@dataclass(frozen=True, slots=True)
class NewMessage:
    """The message that signals go into; where the map has it already, only `signals` counts.

    length : payload bytes; more where a signal needs more
    """

    can_id: int
    extended: bool
    name: str
    length: int
    signals: tuple[NewSignal, ...]
    carriage: Carriage = "frame"
    comment: str = ""


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one signal.

    kind : ``added``, ``there`` (the map has a signal on the same bits), ``refused``
    message, name : as the map calls them now; the name as wished where it was refused
    reason : why it is there already or refused, what to do; of an added one, why it has another name
    """

    signal: NewSignal
    kind: OutcomeKind
    message: str
    name: str
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Extended:
    """A file with additions.

    raw : its bytes
    lines : the lines that were added, in the order of the file
    outcomes : one for each signal asked for, and one for each multiplexor that had to be added for them
    """

    raw: bytes
    lines: tuple[str, ...]
    outcomes: tuple[Outcome, ...]
