"""What stands in a DBC file, as far as it is needed: messages and signals while the file is being read.

Names, numbers and texts are the file's own; what statements further down say about a signal is added to it as they
are met.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import TYPE_CHECKING

from decoder.errors import Fault, Where

if TYPE_CHECKING:
    from collections.abc import Iterable

    from decoder.bits import Field
    from decoder.maps.dbc_statements import Note

Ranges = tuple[tuple[int, int], ...]

# Frame formats in the order of their numbers, where a map numbers them without naming them (common practice).
FRAME_FORMATS = ("StandardCAN", "ExtendedCAN", "", "J1939PG", *[""] * 10, "StandardCAN_FD", "ExtendedCAN_FD")

# Words of the attribute CellgleanPayload, this project's own: a message describes single frames, or whole payloads that
# a transport protocol carried in several frames, from the service byte on.
PAYLOADS = ("frame", "reassembled")


@dataclass(slots=True, eq=False)
class DraftSignal:
    """A signal: its SG_ line, and what VAL_, CM_, BA_, SIG_VALTYPE_ and SG_MUL_VAL_ add.

    `own_page` is the number of ``m3`` or ``m3M``. `parent` and `pages` say under which multiplexor, and on which of
    its values, a frame carries the signal; they are settled when all of the file is read.
    """

    line: int
    name: str
    field: Field
    is_multiplexor: bool
    own_page: int | None
    scale: int | float
    offset: int | float
    minimum: int | float | None
    maximum: int | float | None
    unit: str
    labels: dict[int, str] = dataclasses.field(default_factory=dict)
    comment: str = ""
    long_name: str | None = None
    float_type: tuple[int, int] | None = None  # kind (1 single, 2 double), line
    listed: tuple[DraftSignal, Ranges] | None = None  # by SG_MUL_VAL_
    is_float: bool = False
    parent: DraftSignal | None = None
    pages: Ranges = ()

    @property
    def shown_name(self) -> str:
        """The long name where the file gives one."""
        return self.long_name or self.name


@dataclass(slots=True, eq=False)
class DraftMessage:
    """A message: its BO_ line, its signals, and what other statements add.

    `number` is the identifier as written, bit 31 and all. A message that is `left_out` is kept so that what else the
    file says about it is not reported again; so are the names of the signals in `lost`.
    """

    line: int
    number: int
    name: str
    can_id: int = 0
    extended: bool = False
    length: int = 0
    left_out: bool = False
    signals: list[DraftSignal] = dataclasses.field(default_factory=list)
    lost: set[str] = dataclasses.field(default_factory=set)
    attributes: dict[str, str] = dataclasses.field(default_factory=dict)
    comment: str = ""
    long_name: str | None = None

    @property
    def shown_name(self) -> str:
        """The long name where the file gives one."""
        return self.long_name or self.name


@dataclass(slots=True)
class Attribute:
    """What BA_DEF_ and BA_DEF_DEF_ say about one attribute: type, words of an enumeration, default."""

    type_name: str
    choices: tuple[str, ...] = ()
    default: str | None = None


@dataclass(slots=True)
class DraftMap:
    """A file while it is being read."""

    path: str | None
    messages: list[DraftMessage] = dataclasses.field(default_factory=list)
    by_number: dict[int, list[DraftMessage]] = dataclasses.field(default_factory=dict)
    attributes: dict[str, Attribute] = dataclasses.field(default_factory=dict)
    faults: list[Fault] = dataclasses.field(default_factory=list)

    def note(self, line: int, what: str, done: str) -> None:
        """Report a fault."""
        self.faults.append(Fault(Where(self.path, line), what, done))

    def note_all(self, notes: Iterable[Note]) -> None:
        """Report faults met while cutting the text."""
        for one in notes:
            self.note(one.line, one.what, one.done)

    def add(self, message: DraftMessage) -> None:
        """Take a message in."""
        self.messages.append(message)
        self.by_number.setdefault(message.number, []).append(message)
