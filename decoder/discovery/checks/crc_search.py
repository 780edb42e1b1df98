"""Which bits are a known CRC of which bytes: tried on pairs of payloads, all kernels and many runs of bytes at once."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.bits import Field
from decoder.discovery.checks.kernels import Kernel, kernels, table_of_bits, tables
from decoder.discovery.checks.places import check_fields, check_nibbles, runs_beside
from decoder.discovery.checks.relation import BITS_BEHIND, BitsRule, CrcRule, Relation, groups, other_bits, table_depth
from decoder.discovery.checks.sample import draw_pairs

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from decoder.discovery.checks.places import Attempts
    from decoder.discovery.checks.sample import Sample

AGREE: Final = 0.6  # share of pairs; nine in ten are expected where one frame in twenty is damaged
_RARE: Final = 64  # attempts that a CRC of 4 bits counts for: never met so far; common practice, no source
_PROFILE_1: Final = Kernel(8, 0x1D, reflected=False)
_FLIPS: Final = 0.23  # share of steps in which the bits of such a check change: a quarter at least; the same
_KNOWN_REST: Final = 0.8  # share of frames whose other bits have a value that several payloads have, the same
# SAE J1850 and AUTOSAR: those met over bits that are no whole bytes.
_USUAL: Final = (_PROFILE_1, Kernel(8, 0x2F, reflected=False))
# Bytes hidden behind: data identifiers of one byte (AUTOSAR end-to-end profile 2) and of two (profiles 5 and 6).
_HIDDEN: Final = {1: (0, 1, 2), 2: (0, 1, 2), 4: (0,), 8: (0,)}


def crc_relations(sample: Sample, attempts: Attempts, size: int) -> Iterator[Relation]:
    """Give the CRCs in `size` bytes that most pairs agree with."""
    differences = sample.unique[sample.left] ^ sample.unique[sample.right]
    for field in check_fields(sample, size):
        values = sample.values.field(field)
        check = (values[sample.left] ^ values[sample.right]).astype(np.uint64)
        runs = runs_beside(sample, field, _HIDDEN[size])
        order = list(runs.order)
        last_moving = np.maximum.accumulate(np.where(sample.moves[order], np.arange(len(order)), -1))
        adds = tables(size * 8, table_depth(sample.width + 2))
        for end, behind in runs.ends:
            starts = [start for start in runs.starts if start <= last_moving[end]]
            attempts.count += len(starts) * len(adds)
            agree = _agreement(adds, differences[:, order[: end + 1]], check, behind)[:, starts]
            for kernel, start in np.argwhere(agree >= AGREE).tolist():
                rule = CrcRule(kernels(size * 8)[kernel], behind)
                yield Relation(field, runs.order[starts[start] : end + 1], rule)
        yield from _zeroed(sample, field, attempts)


def crc_nibbles(sample: Sample, attempts: Attempts) -> Iterator[Relation]:
    """Give the CRCs of 4 bits in a nibble, over all other bits."""
    for field in check_nibbles(sample):
        yield from _zeroed(sample, field, attempts)


def _zeroed(sample: Sample, field: Field, attempts: Attempts) -> Iterator[Relation]:
    """Give the CRCs over the whole payload in which the check itself is zero."""
    inside = field.first_byte > 0 and field.last_byte < sample.width - 1
    if not inside and field.length > 4:
        return  # left out or taken for hidden: the same
    differences = sample.unique[sample.left] ^ sample.unique[sample.right]
    masks = np.array([other_bits(field, byte) for byte in range(sample.width)], dtype=np.uint8)
    values = sample.values.field(field)
    check = (values[sample.left] ^ values[sample.right]).astype(np.uint64)
    adds = tables(field.length, table_depth(sample.width))
    agree = _agreement(adds, differences & masks, check, 0)[:, 0]
    attempts.count += len(adds) * (_RARE if field.length == 4 else 1)
    for kernel in _kernels_that_agree(agree, field.length):
        yield Relation(field, tuple(range(sample.width)), CrcRule(kernel, 0, zeroed=True))


def crcs_by_counter(sample: Sample, attempts: Attempts) -> Iterator[Relation]:
    """Give the CRCs of 8 bits over all other bytes whose constant depends on a counter.

    AUTOSAR end-to-end protocol, profile 2: a hidden byte for each counter value; profile 1, alternate: another one for
    even and odd counter values.
    """
    fields = list(check_fields(sample, 1))
    for counter in sample.counters:
        for chooser in (Field(counter.start, 1), counter):
            value = sample.values.field(chooser)
            left, right = _pairs_within(value)
            differences = sample.unique[left] ^ sample.unique[right]
            for field in fields:
                if abs(counter.first_byte - field.first_byte) != 1 and field.first_byte not in {0, sample.width - 1}:
                    continue
                if counter.first_byte == field.first_byte:
                    continue
                check = (sample.unique[left, field.first_byte] ^ sample.unique[right, field.first_byte]).astype(
                    np.uint64
                )
                order = tuple(byte for byte in range(sample.width) if byte != field.first_byte)
                for behind in (0, 1) if chooser is counter else (0,):
                    adds = tables(8, table_depth(sample.width + 2))
                    agree = _agreement(adds, differences[:, order], check, behind)[:, 0]
                    kept = [k for k in _kernels_that_agree(agree, 8) if chooser is counter or k == _PROFILE_1]
                    attempts.count += len(adds) if chooser is counter else 1
                    for kernel in kept:
                        yield Relation(field, order, CrcRule(kernel, behind), chooser)


def crcs_of_bits(sample: Sample, attempts: Attempts) -> Iterator[Relation]:
    """Give the CRCs of 8 bits over the moving bits of one byte, wherever these stand before the end.

    Met in captures of real packs: fields put in a row of bits without regard to bytes, of which only a counter moves.
    """
    for field in check_fields(sample, 1):
        for byte in _partners(sample, field):
            moving = int(sample.moving_bits[byte])
            lowest = (moving & -moving).bit_length() - 1
            bits = Field(byte * 8 + lowest, moving.bit_length() - lowest)
            group = groups(sample, Relation(field, (byte,), BitsRule(_PROFILE_1, bits, 0), by_rest=True))
            if sample.counts[group >= 0].sum() < _KNOWN_REST * len(sample.data):
                continue
            left, right = _pairs_within(np.where(group < 0, np.arange(len(group)) + len(group), group))
            values = sample.values.field(bits)
            differ = values[left] ^ values[right]
            check = sample.unique[left, field.first_byte] ^ sample.unique[right, field.first_byte]
            for kernel in _USUAL:
                agree = (table_of_bits(kernel, BITS_BEHIND)[:, differ] == check).mean(axis=1)
                attempts.count += BITS_BEHIND
                for behind in np.flatnonzero(agree >= AGREE).tolist():
                    yield Relation(field, (byte,), BitsRule(kernel, bits, behind), by_rest=True)


def _partners(sample: Sample, field: Field) -> list[int]:
    """Give the bytes that change as often as the check in `field`: beside it, or any if it is at an end."""
    if sample.flips[list(field.bit_numbers())].mean() < _FLIPS:
        return []
    at_an_end = field.first_byte in {0, sample.width - 1}
    return [
        byte
        for byte in range(sample.width)
        if sample.moving_bits[byte]
        and byte != field.first_byte
        and (at_an_end or abs(byte - field.first_byte) == 1)
        and sample.flips[byte * 8 : byte * 8 + 8].max() >= _FLIPS
    ]


def _pairs_within(value: NDArray[np.generic]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Give pairs of payloads with the same counter value."""
    chance = np.random.default_rng(len(value))
    pairs = [draw_pairs(np.flatnonzero(value == kind), chance) for kind in np.unique(value)]
    left, right = (np.concatenate(side) for side in zip(*pairs, strict=True))
    chosen = chance.permutation(len(left))[:48]
    return left[chosen], right[chosen]


def _agreement(
    adds: NDArray[np.uint64], differences: NDArray[np.uint8], check: NDArray[np.uint64], behind: int
) -> NDArray[np.float64]:
    """Give the share of pairs that agree with each kernel for each first byte of the run: kernels x bytes."""
    length = differences.shape[1]
    distance = np.arange(length)[::-1] + behind
    parts = adds[:, distance, differences]  # kernels x pairs x bytes
    runs = np.bitwise_xor.accumulate(parts[:, :, ::-1], axis=2)[:, :, ::-1]
    agree = np.count_nonzero(runs == check.astype(adds.dtype)[None, :, None], axis=1)
    return np.asarray(agree / max(len(check), 1), dtype=np.float64)


def _kernels_that_agree(share: NDArray[np.float64], width: int) -> list[Kernel]:
    return [kernel for kernel, part in zip(kernels(width), share, strict=True) if part >= AGREE]
