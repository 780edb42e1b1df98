"""Where checks are looked for, and over which bytes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from decoder.bits import Field
from decoder.discovery.checks.relation import byte_field

if TYPE_CHECKING:
    from collections.abc import Iterator

    from decoder.discovery.checks.sample import Sample

SHORT: Final = 8  # bytes: every place and every run of bytes is tried
BLOCK: Final = 8  # longer ones: as if put together from payloads of classic frames; common practice, no source
FRAME: Final = 64  # longer ones are reassembled messages: only the ends are tried
_CHANGES: Final = 0.25  # share of pairs of payloads in which a bit of a check differs, on average; half is expected


@dataclass(slots=True)
class Attempts:
    """How many hypotheses a search has tried."""

    count: int = 0


@dataclass(frozen=True, slots=True)
class Runs:
    """Bytes that may be covered, in order, and the runs of them that are tried.

    ends : places in `order` where a run may end, each with the numbers of hidden bytes that may follow
    starts : places in `order` where a run may begin; a byte that never changes begins no run, for the one before does
    """

    order: tuple[int, ...]
    starts: tuple[int, ...]
    ends: tuple[tuple[int, int], ...]


def check_fields(sample: Sample, size: int) -> Iterator[Field]:
    """Give the fields of `size` bytes, in both byte orders, that change as a check does."""
    for first in _first_bytes(sample.width, size):
        field = byte_field(first, size)
        if changes_enough(sample, field):
            yield field
            if size > 1:
                yield byte_field(first, size, "big")


def check_nibbles(sample: Sample) -> Iterator[Field]:
    """Give the nibbles that change as a check does."""
    if sample.width <= FRAME:
        for byte in _first_bytes(sample.width, 1):
            for start in (byte * 8, byte * 8 + 4):
                if changes_enough(sample, Field(start, 4)):
                    yield Field(start, 4)


def changes_enough(sample: Sample, field: Field) -> bool:
    """Tell whether the field's bits differ between payloads about as often as a check's."""
    values = sample.values.field(field)
    differ = values[sample.left] ^ values[sample.right]
    ones = sum(int(value).bit_count() for value in differ.tolist())
    return ones >= _CHANGES * field.length * max(len(differ), 1)


def _first_bytes(width: int, size: int) -> list[int]:
    last = width - size
    if width <= SHORT:
        return list(range(last + 1))
    if width > FRAME:
        return [0, last]
    grid = range(0, last + 1, min(size, BLOCK // 2) if size > 1 else BLOCK)
    block_ends = range(BLOCK - size, last + 1, BLOCK)
    return sorted({*grid, *block_ends, 1, last - 1, last} & set(range(last + 1)))


def runs_beside(sample: Sample, field: Field, hidden: tuple[int, ...]) -> Runs:
    """Give the runs over all bytes but those of the check."""
    own = range(field.first_byte, field.last_byte + 1)
    order = tuple(byte for byte in range(sample.width) if byte not in own)
    before = own.start  # so many bytes stand before the check
    last = len(order) - 1
    if sample.width <= SHORT:
        starts, ends = set(range(len(order))), set(range(len(order)))
    else:
        block = own.start // BLOCK * BLOCK
        starts = {0, before, before + 1, min(block, before)}
        ends = {last, before - 1, min(block + BLOCK - 1 - len(own), last)}
    moves = [bool(sample.moves[byte]) for byte in order]
    return Runs(
        order,
        tuple(start for start in sorted(starts) if start <= last and (start == 0 or moves[start - 1])),
        tuple(
            (end, behind)
            for end in sorted(ends)
            for behind in hidden
            # a byte that never changes is as good as a hidden one: it is taken for covered
            if 0 <= end <= last and (behind == 0 or end == last or moves[end + 1])
        ),
    )
