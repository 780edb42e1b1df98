"""Which signals share a frame: multiplexors and the signals that they page, overlaps, and names that stand twice.

With one multiplexor in a message, every signal marked ``m3`` belongs to it. With several, SG_MUL_VAL_ says which
multiplexor pages a signal; where it does not, nobody can know, and the signal is not decoded: decoded under the wrong
multiplexor, its values would look right and be wrong.
"""

from __future__ import annotations

from collections import Counter
from itertools import combinations
from typing import TYPE_CHECKING

from decoder.printable import printable

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from decoder.maps.dbc_draft import DraftMap, DraftMessage, DraftSignal, Ranges

# How many names one fault spells out.
_NAMES_SHOWN = 3


def settle_pages(draft: DraftMap, message: DraftMessage) -> list[DraftSignal]:
    """Give each paged signal its multiplexor and pages. Returns the signals for which that cannot be done."""
    selectors = [signal for signal in message.signals if signal.is_multiplexor]
    plain = [signal for signal in selectors if signal.own_page is None]
    only = selectors[0] if len(selectors) == 1 else None
    undecided = []
    for signal in message.signals:
        if signal.listed is not None:
            signal.parent, ranges = signal.listed
            own = [(signal.own_page, signal.own_page)] if only and signal.own_page is not None else []
            signal.pages = joined([*ranges, *own])
        elif signal.own_page is not None and signal is not only:
            signal.parent = _parent_of(signal, selectors, plain)
            signal.pages = ((signal.own_page, signal.own_page),)
            if signal.parent is None:
                undecided.append(signal)
    if undecided:
        _report_undecided(draft, message, plain if len(plain) > 1 else selectors, undecided)
    return undecided + _hanging(draft, message, undecided)


def _parent_of(signal: DraftSignal, selectors: list[DraftSignal], plain: list[DraftSignal]) -> DraftSignal | None:
    if len(selectors) == 1:
        return selectors[0]
    # the inner one of just two can only stand under the outer one
    return plain[0] if len(selectors) == 2 and len(plain) == 1 and signal.is_multiplexor else None


def _report_undecided(
    draft: DraftMap, message: DraftMessage, selectors: list[DraftSignal], undecided: list[DraftSignal]
) -> None:
    shown = f"message '{printable(message.shown_name, 60)}'"
    if selectors:
        names = " and ".join(f"'{printable(one.name, 60)}' (line {one.line})" for one in selectors[:_NAMES_SHOWN])
        what = f"{shown} is ambiguous: it has {len(selectors)} multiplexors, {names}, and does not say which one pages "
    else:
        what = f"{shown} has no multiplexor for "
    draft.note(message.line, what + _names(undecided), "these signals are not decoded")


def _hanging(draft: DraftMap, message: DraftMessage, undecided: list[DraftSignal]) -> list[DraftSignal]:
    """Give the signals whose multiplexors lead in a ring, or to one that is not decoded."""
    grounded = {signal for signal in message.signals if signal.parent is None}.difference(undecided)
    waiting = [signal for signal in message.signals if signal.parent is not None]
    while ready := [signal for signal in waiting if signal.parent in grounded]:
        grounded.update(ready)
        waiting = [signal for signal in waiting if signal not in grounded]
    if waiting:
        shown = f"message '{printable(message.shown_name, 60)}'"
        what = f"{shown}: the multiplexors of {_names(waiting)} lead in a ring or to one that is not decoded"
        draft.note(waiting[0].line, what, "these signals are not decoded")
    return waiting


def joined(ranges: Iterable[tuple[int, int]]) -> Ranges:
    """Give `ranges` in order, with those that touch made one."""
    result: list[tuple[int, int]] = []
    for low, high in sorted(ranges):
        if result and low <= result[-1][1] + 1:
            result[-1] = result[-1][0], max(high, result[-1][1])
        else:
            result.append((low, high))
    return tuple(result)


def share_a_frame(one: DraftSignal, other: DraftSignal) -> bool:
    """Whether a frame can carry both: wherever one multiplexor pages both, they have a page in common."""
    return _compatible(_conditions(one), _conditions(other))


def _compatible(some: dict[DraftSignal, Ranges], others: dict[DraftSignal, Ranges]) -> bool:
    return all(_meet(pages, some[selector]) for selector, pages in others.items() if selector in some)


def _conditions(signal: DraftSignal) -> dict[DraftSignal, Ranges]:
    found: dict[DraftSignal, Ranges] = {}
    while signal.parent is not None and signal.parent not in found:
        found[signal.parent] = signal.pages
        signal = signal.parent
    return found


def _meet(some: Ranges, others: Ranges) -> bool:
    return any(low <= end and start <= high for low, high in some for start, end in others)


def report_overlaps(draft: DraftMap, message: DraftMessage, signals: list[DraftSignal]) -> None:
    """Report signals that share bits in one frame, one fault for the later one of each."""
    groups: dict[tuple[DraftSignal | None, Ranges], list[tuple[DraftSignal, frozenset[int]]]] = {}
    for signal in signals:
        bits = frozenset(signal.field.bit_numbers())
        groups.setdefault((signal.parent, signal.pages), []).append((signal, bits))
    overlapped: dict[DraftSignal, list[DraftSignal]] = {}
    taken = [(members, frozenset[int]().union(*(bits for _, bits in members))) for members in groups.values()]
    for members, bits in taken:
        if len(bits) < sum(len(own) for _, own in members):
            _collect_overlaps(combinations(members, 2), overlapped)
    conditions = {members[0][0]: _conditions(members[0][0]) for members, _ in taken}
    for (members, bits), (others, other_bits) in combinations(taken, 2):
        if not bits.isdisjoint(other_bits) and _compatible(conditions[members[0][0]], conditions[others[0][0]]):
            _collect_overlaps(((one, other) for one in members for other in others), overlapped)
    for later, earlier in overlapped.items():
        names = _names(sorted(earlier, key=lambda signal: signal.line), with_lines=True)
        what = f"signal '{printable(later.name, 60)}' of '{printable(message.shown_name, 60)}' overlaps {names}"
        draft.note(later.line, what, "each is decoded on its own")


def _collect_overlaps(
    pairs: Iterable[tuple[tuple[DraftSignal, frozenset[int]], tuple[DraftSignal, frozenset[int]]]],
    overlapped: dict[DraftSignal, list[DraftSignal]],
) -> None:
    for (one, bits), (other, other_bits) in pairs:
        if not bits.isdisjoint(other_bits):
            earlier, later = sorted((one, other), key=lambda signal: signal.line)
            overlapped.setdefault(later, []).append(earlier)


def report_outside(draft: DraftMap, message: DraftMessage, signals: list[DraftSignal]) -> None:
    """Report signals with bits behind the last byte of their message."""
    shown = f"'{printable(message.shown_name, 60)}'"
    outside = [signal for signal in signals if signal.field.last_byte >= message.length]
    if outside and message.length == 0:
        what = f"message {shown} has 0 bytes and {len(outside)} signals"
        draft.note(message.line, what, "they are decoded where a frame is long enough")
        return
    for signal in outside:
        bytes_needed = signal.field.last_byte + 1
        what = f"signal '{printable(signal.name, 60)}' needs {bytes_needed} bytes, message {shown} has {message.length}"
        draft.note(signal.line, what, "decoded where a frame is long enough")


def settled_names(draft: DraftMap, message: DraftMessage, signals: list[DraftSignal]) -> dict[DraftSignal, str]:
    """Give each signal its name; one that stands twice in a frame gets a number behind it.

    Signals of one name on different pages keep it: no frame carries both, and the page tells them apart.
    """
    result: dict[DraftSignal, str] = {}
    holders: dict[str, list[DraftSignal]] = {}
    free_name = free_names(signal.shown_name for signal in signals)
    for signal in signals:
        name = signal.shown_name
        if any(_clash(signal, other) for other in holders.get(name, ())):
            first = holders[name][0]
            name = free_name(name)
            what = f"a second signal '{printable(signal.shown_name, 60)}' in '{printable(message.shown_name, 60)}'"
            draft.note(signal.line, f"{what} (the first in line {first.line})", f"called '{printable(name, 60)}'")
        holders.setdefault(name, []).append(signal)
        result[signal] = name
    return result


def _clash(one: DraftSignal, other: DraftSignal) -> bool:
    return one.is_multiplexor or other.is_multiplexor or share_a_frame(one, other)


def free_names(taken: Iterable[str]) -> Callable[[str], str]:
    """Give a function that makes ``name_2`` of a name, or puts the first number above that is not taken yet."""
    held, next_number = set(taken), Counter[str]()

    def free_name(name: str) -> str:
        while True:
            next_number[name] += 1
            new = f"{name}_{next_number[name] + 1}"
            if new not in held:
                held.add(new)
                return new

    return free_name


def _names(signals: list[DraftSignal], *, with_lines: bool = False) -> str:
    """Give the names as a list in words, the first few spelled out."""
    shown = [
        f"'{printable(signal.name, 60)}'" + (f" (line {signal.line})" if with_lines else "")
        for signal in signals[:_NAMES_SHOWN]
    ]
    if len(signals) > _NAMES_SHOWN:
        shown.append(f"{len(signals) - _NAMES_SHOWN} more")
    return " and ".join([", ".join(shown[:-1]), shown[-1]] if len(shown) > 1 else shown)
