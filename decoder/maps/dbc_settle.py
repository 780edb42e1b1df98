"""What can only be told when all of a DBC file is read: pages, floats, names that stand twice, bits that overlap."""

from __future__ import annotations

from collections import Counter, defaultdict
from typing import TYPE_CHECKING

from decoder.maps.dbc_draft import FRAME_FORMATS, DraftMap, DraftMessage, DraftSignal
from decoder.maps.dbc_numbers import number
from decoder.maps.signal_map import Message, Page, Signal
from decoder.printable import printable

if TYPE_CHECKING:
    from collections.abc import Iterator

_FLOAT_BITS = {1: 32, 2: 64}  # kind in SIG_VALTYPE_ -> bits it should have
_IEEE_BITS = (16, 32, 64)
_MOST_NESTING = 16


def settled_messages(draft: DraftMap) -> list[Message]:
    """Give the messages of a whole file; what is wrong with them is reported to `draft`."""
    messages = [message for message in draft.messages if not message.left_out]
    _report_twins(draft, messages)
    return [_message(draft, message) for message in messages]


def _report_twins(draft: DraftMap, messages: list[DraftMessage]) -> None:
    """Report messages of one name, and messages of one identifier."""
    names: dict[str, int] = {}
    identifiers: dict[tuple[int, bool], DraftMessage] = {}
    for message in messages:
        name = message.shown_name
        if name in names:
            draft.note(
                message.line,
                f"a second message called '{printable(name, 60)}' (the first: line {names[name]})",
                "both are kept",
            )
        names.setdefault(name, message.line)
        key = message.can_id, message.extended
        if key in identifiers:
            first = identifiers[key]
            what = (
                f"'{printable(name, 60)}' has the identifier of '{printable(first.shown_name, 60)}' "
                f"(line {first.line}): {message.number} (0x{message.can_id:X})"
            )
            draft.note(message.line, what, "both are decoded")
        identifiers.setdefault(key, message)


def _message(draft: DraftMap, message: DraftMessage) -> Message:
    for signal in message.signals:
        _settle_float(draft, signal)
    undecided = _settle_pages(draft, message)
    _rename_twins(draft, message)
    decided = [signal for signal in message.signals if signal not in undecided]
    _report_beyond(draft, message, decided)
    _report_overlaps(draft, decided)
    frame_format = _frame_format(draft, message)
    parents = {id(signal.parent) for signal in decided if signal.parent is not None}
    return Message(
        name=message.shown_name,
        can_id=message.can_id,
        extended=message.extended,
        length=message.length,
        signals=tuple(_signal(signal, is_multiplexor=id(signal) in parents) for signal in decided),
        cycle_s=_cycle_s(draft, message),
        is_fd=frame_format in {"StandardCAN_FD", "ExtendedCAN_FD"},
        is_j1939=frame_format == "J1939PG",
        undecided=tuple(signal.shown_name for signal in undecided),
        comment=message.comment,
        path=draft.path or "",
    )


def _signal(signal: DraftSignal, *, is_multiplexor: bool) -> Signal:
    return Signal(
        name=signal.shown_name,
        field=signal.field,
        scale=signal.scale,
        offset=signal.offset,
        unit=signal.unit,
        minimum=signal.minimum,
        maximum=signal.maximum,
        is_float=signal.is_float,
        labels=signal.labels,
        is_multiplexor=is_multiplexor,
        page=None if signal.parent is None else Page(signal.parent.shown_name, signal.pages),
        comment=signal.comment,
    )


def _settle_float(draft: DraftMap, signal: DraftSignal) -> None:
    if signal.float_type is None or signal.float_type[0] not in _FLOAT_BITS:
        return
    kind, line = signal.float_type
    length = signal.field.length
    shown = f"signal '{printable(signal.name, 60)}' is called a float"
    if length not in _IEEE_BITS:
        what = f"{shown} but has {length} bits by line {signal.line}, not {_FLOAT_BITS[kind]}"
        draft.note(line, what, "read as an integer; correct one of the two lines")
        return
    if length != _FLOAT_BITS[kind]:
        draft.note(line, f"{shown} of {_FLOAT_BITS[kind]} bits but has {length}", f"read as a float of {length} bits")
    signal.is_float = True


def _settle_pages(draft: DraftMap, message: DraftMessage) -> list[DraftSignal]:
    """Settle under which multiplexor each paged signal stands; give those for which that cannot be told."""
    plain = [signal for signal in message.signals if signal.is_multiplexor and signal.own_page is None]
    undecided = []
    for signal in message.signals:
        if signal.listed is not None:
            signal.parent, signal.pages = signal.listed
        elif signal.own_page is not None and len(plain) == 1 and plain[0] is not signal:
            signal.parent, signal.pages = plain[0], ((signal.own_page, signal.own_page),)
        elif signal.own_page is not None:
            undecided.append(signal)
    undecided += [signal for signal in message.signals if signal not in undecided and _runs_in_a_ring(signal)]
    undecided += [s for s in message.signals if s not in undecided and s.parent is not None and s.parent in undecided]
    if undecided:
        names = ", ".join(printable(signal.name, 40) for signal in undecided[:4])
        why = (
            f"has {len(plain)} multiplexors, and nothing says which one pages its other signals: it is ambiguous"
            if len(plain) > 1
            else "has paged signals but no multiplexor for them"
        )
        draft.note(message.line, f"message '{printable(message.name, 60)}' {why}", f"not decoded: {names}")
    return undecided


def _runs_in_a_ring(signal: DraftSignal) -> bool:
    return sum(1 for _ in _ancestors(signal)) >= _MOST_NESTING


def _ancestors(signal: DraftSignal) -> Iterator[DraftSignal]:
    """Give the signal and the multiplexors above it that have a parent themselves; ends in a ring too."""
    step: DraftSignal | None = signal
    for _ in range(_MOST_NESTING):
        if step is None or step.parent is None:
            return
        yield step
        step = step.parent


def _rename_twins(draft: DraftMap, message: DraftMessage) -> None:
    """Give signals of one name within a message different names, unless they stand on different pages."""
    groups: dict[str, list[DraftSignal]] = defaultdict(list)
    for signal in message.signals:
        groups[signal.shown_name].append(signal)
    taken = Counter(groups.keys())
    for name, group in groups.items():
        for index, signal in enumerate(group[1:], start=1):
            if not any(_together(signal, earlier) for earlier in group[:index]):
                continue
            count = 2
            while f"{name}_{count}" in taken:
                count += 1
            new = f"{name}_{count}"
            taken[new] += 1
            what = f"a second signal called '{printable(name, 60)}' in message '{printable(message.name, 60)}'"
            draft.note(signal.line, what, f"called {printable(new, 60)}")
            signal.long_name = new


def _together(one: DraftSignal, other: DraftSignal) -> bool:
    """Tell whether one frame can carry both: not if a multiplexor above both must have different values."""
    pages = {id(step.parent): step.pages for step in _ancestors(one)}
    for step in _ancestors(other):
        mine = pages.get(id(step.parent))
        if mine is not None and not any(a <= d and c <= b for a, b in mine for c, d in step.pages):
            return False
    return True


def _report_beyond(draft: DraftMap, message: DraftMessage, signals: list[DraftSignal]) -> None:
    for signal in signals:
        if signal.field.last_byte >= message.length:
            what = (
                f"signal '{printable(signal.name, 60)}' ends in byte {signal.field.last_byte}, "
                f"the message has {message.length} bytes"
            )
            draft.note(signal.line, what, "decoded where a frame is long enough")


def _report_overlaps(draft: DraftMap, signals: list[DraftSignal]) -> None:
    masks = [sum(1 << bit for bit in signal.field.bit_numbers()) for signal in signals]
    for index, (signal, mask) in enumerate(zip(signals, masks, strict=True)):
        others = [
            printable(other.name, 60)
            for other, its in zip(signals[:index], masks[:index], strict=True)
            if mask & its and _together(signal, other)
        ]
        if others:
            more = f" and {len(others) - 3} more" if len(others) > 3 else ""
            what = f"signal '{printable(signal.name, 60)}' shares bits with {', '.join(others[:3])}{more}"
            draft.note(signal.line, what, "each is decoded by itself")


def _attribute(draft: DraftMap, message: DraftMessage, name: str) -> str | None:
    if name not in draft.attributes:
        return None
    return message.attributes.get(name, draft.attributes[name].default)


def _cycle_s(draft: DraftMap, message: DraftMessage) -> float | None:
    written = _attribute(draft, message, "GenMsgCycleTime")
    value = number(written) if written else None
    return value / 1000 if value is not None and value > 0 else None


def _frame_format(draft: DraftMap, message: DraftMessage) -> str:
    """Give the word for the frame format; a message's own attribute is a number, a default may be the word."""
    written = _attribute(draft, message, "VFrameFormat")
    if written is None:
        return ""
    words = draft.attributes["VFrameFormat"].choices or FRAME_FORMATS
    if written.isdecimal():
        return words[int(written)] if int(written) < len(words) else ""
    return written
