"""Stepping through the natural scales of a quantity."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from decoder.discovery.natural_scales import scales_of

if TYPE_CHECKING:
    from decoder.bits import Field
    from decoder.discovery.meaning import Meaning

# For a field whose quantity is not known: what controllers use at all. Common practice, no source.
_PLAIN: Final = ((1.0, 0.0), (0.5, 0.0), (0.1, 0.0), (0.01, 0.0), (0.001, 0.0), (1.0, -40.0), (0.5, -40.0))


def natural_scales(quantity: str | None, field: Field) -> tuple[tuple[float, float], ...]:
    """Give scales with their offsets, the most usual first; those that are met with other lengths come last."""
    rows = scales_of(quantity) if quantity is not None else ()
    rows = tuple(row for row in rows if not (row.half_range and field.signed))
    fitting = [row for row in rows if row.bits[0] <= field.length <= row.bits[1]]
    ordered = [*fitting, *(row for row in rows if row not in fitting)]
    pairs = [(float(row.scale), float(row.offset_of(field.length))) for row in ordered]
    return tuple(dict.fromkeys(pairs)) or (_PLAIN if quantity is None else _PLAIN[:1])


def next_scale(meaning: Meaning, direction: int) -> tuple[float, float]:
    """Give the natural scale and offset after (1) or before (-1) those of a meaning, round and round.

    From a scale that is not natural, and with 0, the most usual one.
    """
    pairs = natural_scales(meaning.quantity, meaning.at.field)
    now = (float(meaning.scale), float(meaning.offset))
    if now not in pairs or not direction:
        return pairs[0]
    return pairs[(pairs.index(now) + direction) % len(pairs)]


def scale_number(meaning: Meaning) -> tuple[int, int] | None:
    """Give which of how many natural scales a meaning has, counted from 1; ``None`` for another one."""
    pairs = natural_scales(meaning.quantity, meaning.at.field)
    now = (float(meaning.scale), float(meaning.offset))
    return (pairs.index(now) + 1, len(pairs)) if now in pairs else None
