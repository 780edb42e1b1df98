"""Whether new signals fit among those that a map has: on free bits, under its multiplexors, by names of their own.

Nothing that is there is changed: what could only be added by changing it is refused, and said.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from decoder.frames import CLASSIC_BYTES
from decoder.maps.dbc_additions import Outcome
from decoder.maps.dbc_draft import DraftMessage, DraftSignal
from decoder.maps.dbc_mend import describes_whole, frame_format
from decoder.maps.dbc_messages import EXTENDED_BIT
from decoder.maps.dbc_pages import joined, share_a_frame
from decoder.maps.dbc_spelling import ascii_text, free_name
from decoder.printable import printable
from decoder.transport.j1939_id import GLOBAL_ADDRESS, pgn, source

if TYPE_CHECKING:
    from decoder.maps.dbc_additions import Carriage, NewMessage, NewSignal, OutcomeKind
    from decoder.maps.dbc_draft import DraftMap, Ranges


class Refused(Exception):  # noqa: N818  (no error: it is told among the outcomes)
    """A signal cannot be added; the text says why and what to do."""


def message_for(draft: DraftMap, wanted: NewMessage) -> DraftMessage | None:
    """Give the message of a map that describes what is wanted, ``None`` if it has none.

    Raises `Refused` where the map's message of this identifier cannot be read, or describes something else.
    """
    number = wanted.can_id | (EXTENDED_BIT if wanted.extended else 0)
    unreadable = next((one for one in draft.by_number.get(number, ()) if one.left_out), None)
    if unreadable is not None:
        raise Refused(f"the message in line {unreadable.line} has this identifier and cannot be read; correct it")
    for message in draft.messages:
        if message.left_out or message.extended != wanted.extended:
            continue
        is_group = frame_format(draft, message) == "J1939PG"
        if wanted.carriage == "j1939":
            if is_group and _of_group(message.can_id, wanted.can_id):
                return message
            continue
        if is_group or message.can_id != wanted.can_id:
            continue
        is_whole = describes_whole(draft, message)
        shown = f"'{printable(message.shown_name, 60)}' (line {message.line})"
        if wanted.carriage == "frame" and is_whole:
            raise Refused(f"message {shown} describes reassembled answers, and this is a field of single frames")
        if wanted.carriage == "reassembled" and not is_whole and message.length <= CLASSIC_BYTES:
            raise Refused(
                f"message {shown} describes single frames, and this is a field of reassembled answers; "
                f'add BA_ "CellgleanPayload" BO_ {message.number} 1; by hand, or take another map for them'
            )
        return message
    return None


def _of_group(own: int, wanted: int) -> bool:
    """Whether a map's message describes a parameter group from this source, or from any."""
    return pgn(own) == pgn(wanted) and source(own) in (source(wanted), GLOBAL_ADDRESS - 1, GLOBAL_ADDRESS)


class Room:
    """One message while signals are added to it.

    `signals` are those of the map, then the new ones. `outcomes` tells of each new one what became of it.
    """

    def __init__(self, message: DraftMessage, carriage: Carriage, *, is_new: bool, taken: set[str]) -> None:
        """Take a message whose signals know their pages; `taken`: the names of all signals of the map, added to."""
        self.message = message
        self.carriage = carriage
        self.is_new = is_new
        self.taken = taken
        self.old = tuple(message.signals)
        self.outcomes: list[Outcome] = []

    def is_for(self, wanted: NewMessage) -> bool:
        """Whether it has the identifier that is wanted."""
        return (self.message.can_id, self.message.extended) == (wanted.can_id, wanted.extended)

    @property
    def new(self) -> list[DraftSignal]:
        """The signals that were added."""
        return self.message.signals[len(self.old) :]

    def add(self, wanted: NewSignal) -> None:
        """Add a signal and the multiplexors that it needs, or say why not."""
        signals, outcomes = len(self.message.signals), len(self.outcomes)
        try:
            found, is_there = self._placed(wanted)
        except Refused as refused:
            # Multiplexors that were added for it alone go again.
            self.taken -= {one.name for one in self.message.signals[signals:]}
            del self.message.signals[signals:], self.outcomes[outcomes:]
            self._tell(wanted, "refused", wanted.name, str(refused))
            return
        if is_there:
            self._tell(wanted, "there", found.shown_name, self._already(found, wanted))

    def _placed(self, wanted: NewSignal) -> tuple[DraftSignal, bool]:
        """Give the signal on the bits that are wanted, added if none is there, and whether one was."""
        parent, pages = self._pages(wanted)
        candidate = DraftSignal(
            line=0,
            name=wanted.name,
            field=wanted.field,
            is_multiplexor=wanted.is_multiplexor,
            own_page=pages[0][0] if parent else None,
            scale=wanted.scale,
            offset=wanted.offset,
            minimum=wanted.low,
            maximum=wanted.high,
            unit=ascii_text(wanted.unit),
            parent=parent,
            pages=pages,
        )
        there = self._on_these_bits(candidate)
        if there is not None:
            return there, True
        self._must_fit(candidate)
        candidate.name = free_name(wanted.name, self.taken)
        candidate.comment = wanted.comment
        candidate.labels = dict(wanted.labels)
        self.taken.add(candidate.name)
        self.message.signals.append(candidate)
        why = "" if candidate.name == wanted.name else f"called so in place of '{printable(wanted.name, 60)}'"
        self._tell(wanted, "added", candidate.name, why)
        return candidate, False

    def _pages(self, wanted: NewSignal) -> tuple[DraftSignal | None, Ranges]:
        if wanted.page is None:
            return None, ()
        selector, _ = self._placed(replace(wanted.page.multiplexor, is_multiplexor=True))
        return selector, joined(wanted.page.values)

    def _on_these_bits(self, candidate: DraftSignal) -> DraftSignal | None:
        """Give the signal that stands on exactly these bits of the same frames. Raises `Refused` for an overlap."""
        bits = set(candidate.field.bit_numbers())
        for other in self.message.signals:
            if bits.isdisjoint(other.field.bit_numbers()) or not share_a_frame(candidate, other):
                continue
            if bits != set(other.field.bit_numbers()) or (other.parent, other.pages) != (
                candidate.parent,
                candidate.pages,
            ):
                raise Refused(
                    f"it would share bits with '{printable(other.shown_name, 60)}'{_line(other)}; "
                    f"correct that one by hand if it is wrong"
                )
            if candidate.is_multiplexor and not other.is_multiplexor:
                mark = "M" if other.own_page is None else f"m{other.own_page}M"
                raise Refused(
                    f"'{printable(other.shown_name, 60)}'{_line(other)} would have to become a multiplexor; "
                    f"write '{printable(other.name, 60)} {mark} :' there by hand"
                )
            return other
        return None

    def _must_fit(self, candidate: DraftSignal) -> None:
        needed = candidate.field.last_byte + 1
        if needed <= self.message.length:
            return
        if self.is_new:
            self.message.length = needed
            return
        raise Refused(
            f"it needs {needed} bytes, and message '{printable(self.message.shown_name, 60)}' "
            f"(line {self.message.line}) has {self.message.length}; correct the length there by hand"
        )

    def _already(self, there: DraftSignal, wanted: NewSignal) -> str:
        same = f"already there as '{printable(there.shown_name, 60)}'{_line(there)}"
        if (there.scale, there.offset, there.field) == (wanted.scale, wanted.offset, wanted.field):
            return same
        signed = ", signed" if there.field.signed else ""
        return f"{same}, with scale {there.scale:g} and offset {there.offset:g}{signed}, which stays"

    def _tell(self, wanted: NewSignal, kind: OutcomeKind, name: str, reason: str) -> None:
        self.outcomes.append(Outcome(wanted, kind, self.message.shown_name, name, reason))

    def listed(self) -> list[DraftSignal]:
        """Give the signals that SG_MUL_VAL_ must speak of: with several multiplexors all that are paged.

        With one, those that its mark alone cannot give all pages.
        """
        selectors = [signal for signal in self.message.signals if signal.is_multiplexor]
        if not self.new:
            return []
        if len(selectors) > 1:
            return [s for s in self.message.signals if s.parent is not None and s.listed is None]
        return [s for s in self.new if s.parent is not None and s.pages != ((s.own_page, s.own_page),)]


def new_draft_message(wanted: NewMessage, taken: set[str]) -> DraftMessage:
    """Give a message without signals, with a name of its own."""
    name = free_name(wanted.name, taken)
    taken.add(name)
    number = wanted.can_id | (EXTENDED_BIT if wanted.extended else 0)
    return DraftMessage(
        line=0,
        number=number,
        name=name,
        can_id=wanted.can_id,
        extended=wanted.extended,
        length=wanted.length,
        comment=wanted.comment,
    )


def _line(signal: DraftSignal) -> str:
    return f" (line {signal.line})" if signal.line else ""
