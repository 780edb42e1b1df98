"""How well proposed fields fit the true ones. Counts only; they add up over captures.

A field is found exactly if its byte order and its least significant bit are right and its most significant bit lies
between the highest bit that ever changed and the true end. The byte order counts only where the field, as proposed or
as true, crosses the border of a byte: within one both orders are the same bits.

A field under a multiplexor is found only under the same value, that is in the same frames; a field under each value of
an index only under each value of that index. Fields beside a multiplexor may be proposed under each value too.
Only sound frames count, in two classes: what changed 10 times or more (``many``), and 1 to 9 times (``few``).
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from tools.layouts.truth import rows_under

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

    from decoder.bits import Field
    from decoder.discovery.proposal import Carving, Proposal, Selector
    from tools.layouts.truth import Trial, TrueField, TrueStream

CLASSES: Final = ("many", "few")
MANY_CHANGES: Final = 10
BINS: Final = 10  # of confidence


@dataclass(frozen=True, slots=True)
class Errors:
    """What is wrong with one stream: true changing fields not found, proposals not exact."""

    seed: int
    stream: TrueStream
    proposals: tuple[Proposal, ...]
    missed: tuple[TrueField, ...]
    wrong: tuple[Proposal, ...]

    @property
    def count(self) -> int:
        """How many."""
        return len(self.missed) + len(self.wrong)


@dataclass(slots=True)
class Tally:
    """Counts by name, see `rates`; `squares` is the sum of (confidence - exact)^2 over changing proposals."""

    counts: Counter[str] = field(default_factory=Counter)
    squares: float = 0.0

    def add(self, other: Tally) -> None:
        """Add the counts of other captures."""
        self.counts.update(other.counts)
        self.squares += other.squares

    def share(self, part: str, whole: str) -> float | None:
        """Give one count as a share of another; None where there is nothing to count."""
        return self.counts[part] / self.counts[whole] if self.counts[whole] else None

    @property
    def brier(self) -> float | None:
        """Mean squared difference between confidence and truth; 0 is perfect.

        G. W. Brier, "Verification of forecasts expressed in terms of probability", Monthly Weather Review 78, 1950.
        """
        whole = sum(self.counts[f"proposed {name}"] for name in CLASSES)
        return self.squares / whole if whole else None


def score(trial: Trial, carvings: Iterable[Carving], *, any_value: bool = False) -> tuple[Tally, list[Errors]]:
    """Compare what was carved with the truth of a trial.

    any_value : the proposals know no multiplexors: a place counts as right if it is right under any value
    """
    by_key = {(c.stream.bus, c.stream.can_id, c.stream.extended): c.proposals for c in carvings if not c.stream.carrier}
    tally, errors = Tally(), []
    for stream in trial.streams:
        proposals = by_key.get((stream.bus, stream.can_id, stream.extended), ())
        one = _Comparison(stream, proposals, any_value=any_value)
        tally.add(one.tally())
        errors.append(Errors(trial.seed, stream, tuple(one.proposals), one.missed(), one.wrong()))
    return tally, errors


def same_place(proposed: Field, true: TrueField) -> bool:
    """Tell whether a proposed field is the true one, as the module says."""
    if not true.top < proposed.length <= true.field.length:
        return False
    crosses = proposed.first_byte != proposed.last_byte or true.field.first_byte != true.field.last_byte
    if crosses and proposed.byte_order != true.field.byte_order:
        return False
    return proposed.bit_numbers()[0] == true.field.bit_numbers()[0]


def class_of(changes: int) -> str | None:
    """Give the class of a number of changes; None for none."""
    if changes == 0:
        return None
    return "many" if changes >= MANY_CHANGES else "few"


class _Comparison:
    """One stream's proposals against its true fields."""

    def __init__(self, stream: TrueStream, proposals: Sequence[Proposal], *, any_value: bool) -> None:
        self.data = stream.data[stream.sound]
        self.any_value = any_value
        self._rows: dict[Selector | None, NDArray[np.bool_]] = {}
        width = self.data.shape[1]
        inside = [p for p in proposals if p.field.last_byte < width and _fits(p.multiplexor, width)]
        self.proposals = [replace(p, detail={}) for p in inside]  # nothing here asks for details
        outside = len(proposals) - len(self.proposals)
        if outside:
            raise ValueError(f"{outside} proposals for {stream.can_id:X} leave its {width} bytes")
        self.true = [true for true in stream.fields if true.changes]
        self.changes = [self._changes(p) for p in self.proposals]
        self.pairs = [[self._exact(p, true) for p in self.proposals] for true in self.true]
        self.exact = [any(row[number] for row in self.pairs) for number in range(len(self.proposals))]

    def missed(self) -> tuple[TrueField, ...]:
        return tuple(true for true, row in zip(self.true, self.pairs, strict=True) if not any(row))

    def wrong(self) -> tuple[Proposal, ...]:
        columns = zip(self.proposals, self.changes, self.exact, strict=True)
        return tuple(proposal for proposal, changes, exact in columns if changes and not exact)

    def tally(self) -> Tally:
        counts: Counter[str] = Counter()
        for true, row in zip(self.true, self.pairs, strict=True):
            found = [proposal for proposal, exact in zip(self.proposals, row, strict=True) if exact]
            _count_field(counts, true, found)
            name = class_of(true.changes)
            changing = _changing_bits(self.data[self.rows(true.draft.multiplexor)], true.field)
            counts[f"bits {name}"] += len(changing)
            counts[f"covered {name}"] += len(changing & self._covered(true))
        squares = 0.0
        for proposal, changes, exact in zip(self.proposals, self.changes, self.exact, strict=True):
            name = class_of(changes)
            if name is None:
                continue
            counts[f"proposed {name}"] += 1
            counts[f"right {name}"] += exact
            number = min(int(proposal.confidence * BINS), BINS - 1)
            counts[f"bin {number}"] += 1
            counts[f"right in bin {number}"] += exact
            squares += (proposal.confidence - exact) ** 2
        return Tally(counts, squares)

    def rows(self, selector: Selector | None) -> NDArray[np.bool_]:
        if selector not in self._rows:
            self._rows[selector] = rows_under(self.data, selector)
        return self._rows[selector]

    def _exact(self, proposal: Proposal, true: TrueField) -> bool:
        if not same_place(proposal.field, true):
            return False
        if self.any_value:
            return True
        wanted = true.draft.multiplexor
        if wanted is not None and wanted.value is None and not _is_index(proposal.multiplexor, wanted):
            return False
        return np.array_equal(self.rows(proposal.multiplexor), self.rows(wanted))

    def _changes(self, proposal: Proposal) -> int:
        bits = _bits(self.data[self.rows(proposal.multiplexor)], proposal.field)
        return int((bits[1:] != bits[:-1]).any(axis=1).sum())

    def _covered(self, true: TrueField) -> set[int]:
        """Give the bits that some proposal takes for changing ones, in frames that carry the field."""
        rows = self.rows(true.draft.multiplexor)
        return {
            bit
            for proposal in self.proposals
            if proposal.kind != "constant" and (self.any_value or (self.rows(proposal.multiplexor) & rows).any())
            for bit in proposal.field.bit_numbers()
        }


def _count_field(counts: Counter[str], true: TrueField, found: list[Proposal]) -> None:
    """Count one true changing field: found or not, named rightly or not, its sign."""
    name = class_of(true.changes)
    counts[f"true {name}"] += 1
    counts[f"found {name}"] += bool(found)
    indexed = true.draft.multiplexor is not None and true.draft.multiplexor.value is None
    kinds = [true.kind if not true.draft.form else f"check, {true.draft.form}"] + ["indexed series"] * indexed
    place = "beside all multiplexors" if true.draft.multiplexor is None else "under a multiplexor"
    counts[f"true {place}"] += 1
    counts[f"found {place}"] += bool(found)
    for kind in kinds:
        counts[f"true {kind}"] += 1
        counts[f"found {kind}"] += bool(found)
        counts[f"named {kind}"] += any(proposal.kind == true.kind for proposal in found)
    if true.kind == "number" and found and (true.both_signs or not true.field.signed):
        right = any(proposal.field.signed == true.field.signed for proposal in found)
        for group in ("sign", "both signs")[: 1 + true.both_signs]:
            counts[f"true {group}"] += 1
            counts[f"right {group}"] += right


def _is_index(proposed: Selector | None, true: Selector) -> bool:
    """Tell whether a proposed selector stands for each value of the true index: its least significant bit is right."""
    if proposed is None or proposed.value is not None:
        return False
    return proposed.field.bit_numbers()[0] == true.field.bit_numbers()[0]


def _fits(selector: Selector | None, width: int) -> bool:
    return selector is None or (selector.field.last_byte < width and _fits(selector.within, width))


def _bits(data: NDArray[np.uint8], place: Field) -> NDArray[np.uint8]:
    return np.unpackbits(data, axis=1, bitorder="little")[:, list(place.bit_numbers())]


def _changing_bits(data: NDArray[np.uint8], place: Field) -> set[int]:
    bits = _bits(data, place)
    changing = (bits != bits[:1]).any(axis=0)
    return {bit for bit, changes in zip(place.bit_numbers(), changing.tolist(), strict=True) if changes}
