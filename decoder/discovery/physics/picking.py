"""Rows of like fields that can all be true at once: the best first, and of the others those in bits still free."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.discovery.physics.array_meanings import meanings_of
from decoder.discovery.physics.containers import ALIVE
from decoder.discovery.physics.grids import worth
from decoder.discovery.physics.like_fields import fields_of
from decoder.discovery.physics.pages import NO_EFFECT, page_effect
from decoder.discovery.physics.series import table_of, track_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from decoder.discovery.field_at import FieldAt, Sampled, StreamKey
    from decoder.discovery.physics.candidates import Row
    from decoder.discovery.proposal import Carving

_MOST_ROWS: Final = 60
_FEWEST_BITS_SAVED: Final = 12.0
_MOST_SHARED: Final = 0.2  # of the members may stand in bits that are taken; they are left out
_MEANINGLESS: Final = 0.3  # of the bits saved, by rows that can mean nothing
_MEANING_WEIGHT: Final = 4.0  # times the log of the odds
_NO_MEANING: Final = -9.0
_LENGTHS_TRIED: Final = 3
_INSTANTS: Final = 40
_ORDER_BITS: Final = 40.0  # that the byte order of all that was carved is worth at most,
_ORDER_WEIGHT: Final = 6.0  # times the log of its share


@dataclass(frozen=True, slots=True)
class Picked:
    """A row, and which of its members stand in bits that were free."""

    row: Row
    kept: tuple[int, ...]
    score: float


class Occupied:
    """Which bits of which payloads are taken."""

    def __init__(self, sampled: Sampled) -> None:
        """Begin with none."""
        self._sampled = sampled
        self._taken: dict[StreamKey, NDArray[np.bool_]] = {}

    def is_free(self, at: FieldAt) -> bool:
        """Tell whether none of a field's bits is taken."""
        taken, rows, bits = self._where(at)
        return not taken[rows[:, None], bits].any()

    def take(self, at: FieldAt) -> None:
        """Take a field's bits."""
        taken, rows, bits = self._where(at)
        taken[rows[:, None], bits] = True

    def _where(self, at: FieldAt) -> tuple[NDArray[np.bool_], NDArray[np.intp], NDArray[np.intp]]:
        data = self._sampled.streams[at.stream].data
        taken = self._taken.get(at.stream)
        if taken is None:
            taken = self._taken[at.stream] = np.zeros((len(data), data.shape[1] * 8), np.bool_)
        rows = np.arange(len(data)) if at.multiplexor is None else self._sampled.rows_under(at.stream, at.multiplexor)
        return taken, rows, np.array(at.field.bit_numbers(), np.intp)


def picked(rows: Sequence[Row], carvings: Sequence[Carving], sampled: Sampled, occupied: Occupied) -> list[Picked]:
    """Choose among rows, by what closeness saves at every instant."""
    bonus = _byte_order_bits(carvings)
    scored = [(_score(row, sampled), number) for number, row in enumerate(rows)]
    scored = [(score / _alike_pages(rows[number], sampled), number) for score, number in scored]
    scored = [
        (score + bonus[rows[number].byte_order] + _meant(rows[number], score, sampled), number)
        for score, number in scored
    ]
    chosen: list[Picked] = []
    for score, number in sorted(scored, reverse=True):
        row = rows[number]
        if score < _FEWEST_BITS_SAVED + _MEANING_WEIGHT * _NO_MEANING or len(chosen) == _MOST_ROWS:
            break
        fields = row.fields(row.grids[-1].length)
        free = [which for which, at in enumerate(fields) if occupied.is_free(at)]
        if len(free) < (1 - _MOST_SHARED) * len(fields):
            continue
        longest = row.fields(row.grids[0].length)
        for which in free:
            occupied.take(longest[which])
        chosen.append(Picked(row, tuple(free), score))
    return chosen


def _alike_pages(row: Row, sampled: Sampled) -> int:
    """Give how often a row tells the same numbers: once, but under every page where pages do not matter."""
    selector = row.containers()[0].selector
    if selector is None or selector.within is not None or row.pages > ALIVE:
        return 1
    effect = page_effect(fields_of(Picked(row, tuple(range(len(row.cells))), 0.0), sampled))
    return row.pages if effect is not None and effect < NO_EFFECT else 1


def _meant(row: Row, score: float, sampled: Sampled) -> float:
    """Give what the likeliest meaning of a row adds: two small numbers side by side look like one long one."""
    found = meanings_of(fields_of(Picked(row, tuple(range(len(row.cells))), score), sampled))
    weight = max(found[0].weight, _NO_MEANING) if found else _NO_MEANING
    return _MEANING_WEIGHT * weight - (_MEANINGLESS * score if weight == _NO_MEANING else 0.0)


def _score(row: Row, sampled: Sampled) -> float:
    """Give the bits that closeness saves for all members, at every instant, in the length that saves most."""
    best = 0.0
    for grid in row.grids[:_LENGTHS_TRIED]:
        table = table_of([track_of(sampled, at) for at in grid.fields], _INSTANTS)
        if table is not None:
            best = max(best, worth(table.raw, grid.length) * len(row.cells))
    return best


def _byte_order_bits(carvings: Sequence[Carving]) -> dict[str, float]:
    """Give what carving says of the byte order of numbers that straddle bytes, in bits."""
    sure = {"little": 1.0, "big": 1.0}
    for one in carvings:
        for proposal in one.proposals:
            field = proposal.field
            if proposal.kind == "number" and field.first_byte != field.last_byte:
                sure[field.byte_order] += proposal.confidence**2
    all_ = sum(sure.values())
    return {order: max(_ORDER_WEIGHT * float(np.log2(share / all_)), -_ORDER_BITS) for order, share in sure.items()}
