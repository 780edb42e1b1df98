"""What is known of a proposed field beyond its place: `Proposal.detail`, plain data by kind.

every kind    certain, likely: {start, length}, the bits that changed and those that the field most likely has;
              changes: how often it changed
constant      value
text          text
flag, state   values: [{value, frames, dwell_ms}], how often each came and how long it usually stayed
multiplexor   the same, and cyclic: whether the values come in a fixed turn
counter       step, modulus, lowest, exceptions
number        lowest, highest; not_available: raw values taken for 'not available'; indexes, where it is under an index
check         as `decoder.discovery.checks.Check.plain`
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from decoder.bits import Field

_MOST_VALUES: Final = 64
_REGULAR: Final = 0.9
_FEWEST_BITS: Final = 4  # of a field whose all ones, or all ones less one, may mean 'not available'
_FAR: Final = 8  # times as far from the rest as the rest spreads


def place_detail(certain: Field, likely: Field, changes: int) -> dict[str, object]:
    """Give the detail that every field has."""
    return {"certain": _place(certain), "likely": _place(likely), "changes": changes}


def _place(field: Field) -> dict[str, object]:
    return {"start": field.start, "length": field.length}


def value_detail(raw: NDArray[np.int64], time_ns: NDArray[np.int64]) -> dict[str, object]:
    """Give the values of a flag, state or multiplexor: how many payloads have each, and how long it stays."""
    begins = np.concatenate(([0], np.flatnonzero(raw[1:] != raw[:-1]) + 1))
    ends = np.append(begins[1:], len(raw)) - 1
    following = np.minimum(ends + 1, len(raw) - 1)
    lasted_ms = (time_ns[following] - time_ns[begins]) / 1e6
    values, counts = np.unique(raw, return_counts=True)
    rows = [
        {"value": value, "frames": count, "dwell_ms": float(np.median(lasted_ms[raw[begins] == value]))}
        for value, count in zip(values.tolist()[:_MOST_VALUES], counts.tolist(), strict=False)
    ]
    return {"values": rows}


def is_cyclic(raw: NDArray[np.int64]) -> bool:
    """Tell whether values come in a fixed turn: nearly always the same one follows."""
    order = raw[np.concatenate(([True], raw[1:] != raw[:-1]))]
    kinds, number = np.unique(order, return_inverse=True)
    followed = np.zeros((len(kinds), len(kinds)), np.int64)
    np.add.at(followed, (number[:-1], number[1:]), 1)
    return len(kinds) > 1 and bool(followed.max(axis=1).sum() >= _REGULAR * (len(order) - 1))


def counter_detail(raw: NDArray[np.int64], length: int) -> dict[str, object]:
    """Give how a counter goes: its step, its modulus, its lowest value, and how often it does not go on by one step."""
    lowest, highest = int(raw.min()), int(raw.max())
    best: tuple[int, int, int] | None = None
    for modulus in (1 << length, highest - lowest + 1):
        every = (raw[1:] - raw[:-1]) % modulus
        steps, counts = np.unique(every[every > 0], return_counts=True)
        step = int(steps[counts.argmax()])
        exceptions = int(len(every) - counts.max() - np.count_nonzero(every == 0))
        if best is None or exceptions < best[2]:
            best = step, modulus, exceptions
    step, modulus, exceptions = best or (1, 1 << length, 0)
    if step > modulus // 2:
        step -= modulus
    return {"step": step, "modulus": modulus, "lowest": lowest, "exceptions": exceptions}


def number_detail(raw: NDArray[np.int64], field: Field) -> dict[str, object]:
    """Give the range of a number, and which raw values are taken for 'not available'."""
    absent = not_available(raw, field)
    here = raw[~np.isin(raw, absent)] if absent else raw
    here = here if len(here) else raw
    return {"lowest": int(here.min()), "highest": int(here.max()), "not_available": absent}


def not_available(raw: NDArray[np.int64], field: Field) -> list[int]:
    """Give all ones and all ones less one, where they come and stand far off all other values."""
    if field.length < _FEWEST_BITS:
        return []
    ones = -1 if field.signed else (1 << field.length) - 1
    found = []
    for value in (ones, ones - 1):
        rest = raw[(raw != ones) & (raw != ones - 1)]
        if not (raw == value).any() or not len(rest):
            continue
        spread = max(int(rest.max() - rest.min()), 1)
        distance = min(abs(value - int(rest.max())), abs(value - int(rest.min())))
        if distance > _FAR * spread or (distance > (1 << field.length) // 4 and not field.signed):
            found.append(value)
    return found
