"""The state of the work: which fields mean what, and what is being looked at.

Plain and frozen; `decoder.discovery.workbench.edits` makes a new one of it for every edit.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from decoder.discovery.field_at import FieldAt, StreamKey
    from decoder.discovery.meaning import Meaning


@dataclass(frozen=True, slots=True)
class Work:
    """All that a step changes.

    meanings : in the order in which they were made
    stream : whose payload is looked at
    chosen : which of `meanings` keys act on; ``None`` where none of them is chosen
    beside : a field that is chosen and is none of `meanings`: proposed, or in the signal map already
    readings : as they were typed
    """

    meanings: tuple[Meaning, ...] = ()
    stream: StreamKey | None = None
    chosen: int | None = None
    beside: FieldAt | None = None
    readings: tuple[str, ...] = ()

    @property
    def meaning(self) -> Meaning | None:
        """The chosen one of `meanings`."""
        return None if self.chosen is None else self.meanings[self.chosen]

    @property
    def at(self) -> FieldAt | None:
        """The chosen field, whoever's it is."""
        return self.beside if self.meaning is None else self.meaning.at
