"""The picture of a payload: which bits stand where, which of them one bracket holds, what is folded.

A picture has sections: first what all payloads have, then what stands under each value of a multiplexor. A section
has groups from top to bottom, each with lines of one bit, of two bits, or of a run of bits that never changed. What
does not fit into the lines that are allowed is left out and counted.

Bytes run downwards. Within a byte bit 7 is at the top, as sent; where most fields that cross bytes are little-endian,
bit 0 is, so that these are drawn in one piece.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import groupby
from typing import TYPE_CHECKING, Final, Literal

import numpy as np

from decoder.bits import Payloads
from decoder.discovery.carving.moves import ever_flipped
from decoder.discovery.proposal import path_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from numpy.typing import NDArray

    from decoder.discovery.proposal import Carving, Proposal, Selector, Stream

# field: one proposal, or a piece of it; flags: neighbouring flags and small rests between them; rest: bits that never
# changed; free: bits that change and belong to no field; under: what stands under a multiplexor, drawn further down.
GroupKind = Literal["field", "flags", "rest", "free", "under"]

# A run of bits at rest within a field becomes one thin line from this length on. Common practice, no source.
_FOLDED_BITS: Final = 3
# Flags stay neighbours over this many bits at rest. Common practice, no source.
_SMALL_GAP: Final = 3
_UNDER: Final = "see below"


@dataclass(frozen=True, slots=True)
class Line:
    """One line of the picture, its bits from top to bottom.

    value : of bits that never changed, how they stand, whole bytes in hex; empty for bits that are drawn
    """

    bits: tuple[int, ...]
    value: str = ""


@dataclass(frozen=True, slots=True)
class Group:
    """Lines that one bracket holds.

    proposals : whose bits these are
    piece : 0, or the number of the piece where the bits of a field do not stand together
    """

    kind: GroupKind
    proposals: tuple[Proposal, ...]
    lines: tuple[Line, ...]
    piece: int = 0


@dataclass(frozen=True, eq=False, slots=True)
class Section:
    """A part of the picture.

    selector : the multiplexor value that its fields stand under; ``None`` for what all payloads have
    shown : where fields stand under each value alike, the value whose payloads are drawn
    time_ns, data : the payloads that are drawn
    left_out : fields that did not fit
    """

    selector: Selector | None
    shown: int | None
    time_ns: NDArray[np.int64]
    data: NDArray[np.uint8]
    groups: tuple[Group, ...]
    left_out: tuple[Proposal, ...]

    @property
    def drawn_bits(self) -> tuple[int, ...]:
        """The bits that are drawn over time."""
        return tuple(bit for group in self.groups for line in group.lines if not line.value for bit in line.bits)


@dataclass(frozen=True, eq=False, slots=True)
class Picture:
    """The picture of one stream.

    low_first : bit 0 of a byte is at the top, not bit 7
    """

    stream: Stream
    low_first: bool
    sections: tuple[Section, ...]

    @property
    def left_out(self) -> tuple[Proposal, ...]:
        """The fields that did not fit, whatever the section."""
        return tuple(one for section in self.sections for one in section.left_out)


def picture(carving: Carving, most_lines: int, hidden: frozenset[int] = frozenset()) -> Picture:
    """Lay out the picture of a stream in at most `most_lines` lines; `hidden` bytes are not shown.

    A group that does not fit is left out with all that follow it.
    """
    stream = carving.stream
    low_first = _low_first(carving.proposals)
    order = _row_order(stream.data.shape[1], low_first=low_first)
    sections, room = [], most_lines
    for selector, proposals in by_selector(carving.proposals).items():
        rows, shown = _rows_under(selector, stream.data)
        if not len(rows):
            continue
        whole = Section(selector, shown, stream.time_ns[rows], stream.data[rows], (), ())
        bits = order if selector is None else _bits_of(proposals, order)
        groups = _groups(whole.data, bits, order, proposals, carving.proposals if selector is None else (), hidden)
        fitting = _that_fit(groups, room)
        room = 0 if len(fitting) < len(groups) else room - sum(len(group.lines) for group in fitting)
        drawn = {id(one) for group in fitting for one in group.proposals}
        left_out = tuple(one for one in proposals if id(one) not in drawn)
        sections.append(replace(whole, groups=fitting, left_out=left_out))
    return Picture(stream, low_first, tuple(sections))


def by_selector(proposals: Iterable[Proposal]) -> Mapping[Selector | None, tuple[Proposal, ...]]:
    """Sort proposals by what they stand under: outer multiplexors before inner ones, by place and value."""
    found: dict[Selector | None, list[Proposal]] = {None: []}
    for one in proposals:
        found.setdefault(one.multiplexor, []).append(one)
    return {selector: tuple(found[selector]) for selector in sorted(found, key=path_of)}


def bits_at(bits: Sequence[int], payload: NDArray[np.uint8], hidden: frozenset[int] = frozenset()) -> str:
    """Write how `bits` stand in one payload: whole bytes in hex, of others the bits, dots for those left out."""
    return " ".join(_byte_text(byte, set(some), payload, hidden) for byte, some in groupby(bits, lambda bit: bit // 8))


def _byte_text(byte: int, bits: set[int], payload: NDArray[np.uint8], hidden: frozenset[int]) -> str:
    if byte in hidden:
        return "**"
    value = int(payload[byte])
    if len(bits) == 8:
        return f"{value:02X}"
    return "".join(digit if byte * 8 + 7 - at in bits else "·" for at, digit in enumerate(f"{value:08b}"))


def _low_first(proposals: Iterable[Proposal]) -> bool:
    crossing = [
        one.field for one in proposals if one.field.first_byte != one.field.last_byte and one.kind != "constant"
    ]
    return sum(field.length if field.byte_order == "little" else -field.length for field in crossing) > 0


def _row_order(width: int, *, low_first: bool) -> tuple[int, ...]:
    within = range(8) if low_first else range(7, -1, -1)
    return tuple(byte * 8 + bit for byte in range(width) for bit in within)


def _bits_of(proposals: Iterable[Proposal], order: Iterable[int]) -> tuple[int, ...]:
    wanted = {bit for one in proposals for bit in one.field.bit_numbers()}
    return tuple(bit for bit in order if bit in wanted)


def _rows_under(selector: Selector | None, data: NDArray[np.uint8]) -> tuple[NDArray[np.intp], int | None]:
    """Give the rows under a multiplexor value; where it means each of its values, those of the one most often sent."""
    keep = np.ones(len(data), np.bool_)
    shown = None
    payloads, level = Payloads(data), selector
    while level is not None:
        values = payloads.field(level.field)
        value = level.value
        if value is None:
            shown = value = _commonest(values[keep]) if keep.any() else 0
        keep &= values == value
        level = level.within
    return np.flatnonzero(keep), shown


def _commonest(values: NDArray[np.int64] | NDArray[np.uint64]) -> int:
    distinct, counts = np.unique(values, return_counts=True)
    return int(distinct[np.argmax(counts)])


def _groups(
    data: NDArray[np.uint8],
    bits: Sequence[int],
    order: Sequence[int],
    proposals: Sequence[Proposal],
    everywhere: Sequence[Proposal],
    hidden: frozenset[int],
) -> tuple[Group, ...]:
    """Cut the bits, in the order of the picture, into groups.

    order : all bits of the payload in the same order
    everywhere : all proposals of the stream, where those under a multiplexor leave a trace
    """
    moving = ever_flipped(data)
    moving[[byte for byte in hidden if byte < len(moving)]] = 0
    at_rest = {bit for bit in bits if not _has_bit(int(moving[bit // 8]), bit % 8)}
    owner: dict[int, Proposal] = {}
    for one in proposals:
        for bit in one.field.bit_numbers():
            owner.setdefault(bit, one)
    under = [(one, set(one.field.bit_numbers()) - owner.keys()) for one in everywhere if one.multiplexor]
    below = {bit for _, some in under for bit in some}

    def belongs(bit: int) -> tuple[GroupKind, int]:
        one = owner.get(bit)
        if one is not None and (one.kind != "constant" or bit not in at_rest):
            return ("field", id(one))
        if one is None and bit in below:
            return ("under", 0)
        return ("rest", 0) if bit in at_rest else ("free", 0)

    # Bits that are not neighbours share no piece: what stands under a multiplexor has gaps.
    place = {bit: at for at, bit in enumerate(order)}
    apart = [(bit, place[bit] - at) for at, bit in enumerate(bits)]
    runs = groupby(apart, lambda one: (*belongs(one[0]), one[1]))
    pieces = [(key[0], tuple(bit for bit, _ in run)) for key, run in runs]
    seen: dict[int, int] = {}
    groups = []
    for kind, run in _with_flags_joined(pieces, owner, place):
        if kind == "under":
            held = tuple(one for one, some in under if not some.isdisjoint(run))
        else:
            held = _distinct(owner[bit] for bit in run if bit in owner)
        piece = seen.get(id(held[0]), 0) if kind == "field" else 0
        if kind == "field":
            seen[id(held[0])] = piece + 1
        folded = kind in {"rest", "under"}
        value = _UNDER if kind == "under" else bits_at(run, data[0], hidden)
        lines = (Line(run, value),) if folded else _lines(run, at_rest, data[0], hidden)
        groups.append(Group(kind, held, lines, piece))
    return tuple(groups)


def _has_bit(byte: int, bit: int) -> bool:
    return f"{byte:08b}"[7 - bit] == "1"


def _distinct(proposals: Iterable[Proposal]) -> tuple[Proposal, ...]:
    return tuple({id(one): one for one in proposals}.values())


def _with_flags_joined(
    pieces: Sequence[tuple[GroupKind, tuple[int, ...]]], owner: Mapping[int, Proposal], place: Mapping[int, int]
) -> Iterator[tuple[GroupKind, tuple[int, ...]]]:
    """Join flags that stand side by side, with the few bits at rest between them."""

    def is_flag(piece: tuple[GroupKind, tuple[int, ...]]) -> bool:
        return piece[0] == "field" and len(piece[1]) == 1 and owner[piece[1][0]].kind == "flag"

    at = 0
    while at < len(pieces):
        kind, run = pieces[at]
        at += 1
        if not is_flag((kind, run)):
            yield kind, run
            continue
        flags = 1
        while at < len(pieces):
            gap = at if pieces[at][0] != "rest" or len(pieces[at][1]) > _SMALL_GAP else at + 1
            if gap >= len(pieces) or not is_flag(pieces[gap]):
                break
            more = run + tuple(bit for _, some in pieces[at : gap + 1] for bit in some)
            if place[more[-1]] - place[more[0]] >= len(more):
                break
            run = more
            flags += 1
            at = gap + 1
        yield ("flags" if flags > 1 else "field"), run


def _lines(
    run: Sequence[int], at_rest: set[int], payload: NDArray[np.uint8], hidden: frozenset[int]
) -> tuple[Line, ...]:
    """Fold longer runs at rest, and put the other bits on lines by twos; an odd one at the top stands alone."""
    lines: list[Line] = []
    drawn: list[int] = []

    def flush() -> None:
        odd = len(drawn) % 2
        lines.extend(Line((bit,)) for bit in drawn[:odd])
        lines.extend(Line(tuple(drawn[at : at + 2])) for at in range(odd, len(drawn), 2))
        drawn.clear()

    for rests, some in groupby(run, lambda bit: bit in at_rest):
        bits = tuple(some)
        if rests and (len(bits) >= _FOLDED_BITS or len(bits) == len(run)):
            flush()
            lines.append(Line(bits, bits_at(bits, payload, hidden)))
        else:
            drawn.extend(bits)
    flush()
    return tuple(lines)


def _that_fit(groups: Sequence[Group], room: int) -> tuple[Group, ...]:
    used = 0
    for number, group in enumerate(groups):
        used += len(group.lines)
        if used > room:
            return tuple(groups[:number])
    return tuple(groups)
