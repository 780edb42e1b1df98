"""A relation between bits of a payload, as the searches find it: exact but for its constant.

The residual of a relation is what is left when the calculated part is taken off the check; it is the same number in
each frame in which the relation holds.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

import numpy as np

from decoder.bits import Field
from decoder.discovery.checks.kernels import Kernel, table, table_of_bits

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from decoder.discovery.checks.sample import Sample

BITS_BEHIND: Final = 64  # hidden bits tried behind a CRC over some bits: a classic frame's; common practice, no source
_SAME_REST: Final = 4  # payloads that must share the rest to tell its constant; the same
SumKind = Literal["exclusive or", "plus", "minus"]
Parts = Literal["bytes", "nibbles"]


@dataclass(frozen=True, slots=True)
class CrcRule:
    """A CRC over the covered bytes and `behind` hidden ones; `zeroed`: the check itself is covered, as zeros."""

    kernel: Kernel
    behind: int
    zeroed: bool = False


@dataclass(frozen=True, slots=True)
class BitsRule:
    """A CRC over the bits of one field, with `behind` hidden bits: what it is calculated over is no row of bytes."""

    kernel: Kernel
    bits: Field
    behind: int


@dataclass(frozen=True, slots=True)
class SumRule:
    """The sum of the covered bytes or nibbles; `minus`: the check and the sum together are constant."""

    kind: SumKind
    parts: Parts
    modulus: int


@dataclass(frozen=True, slots=True)
class LinearRule:
    """Each bit of the check is the parity of some bits (DBC numbers), or its opposite."""

    taps: tuple[tuple[int, ...], ...]


Rule = CrcRule | BitsRule | SumRule | LinearRule


@dataclass(frozen=True, slots=True)
class Relation:
    """A check, the bytes that it covers in their order, and the rule.

    counter : with several constants, the field that chooses
    by_rest : all bits that are neither the check's nor the rule's choose
    """

    field: Field
    covers: tuple[int, ...]
    rule: Rule
    counter: Field | None = None
    by_rest: bool = False

    @property
    def own_bytes(self) -> range:
        """The bytes that hold the check."""
        return range(self.field.first_byte, self.field.last_byte + 1)


def groups(sample: Sample, relation: Relation) -> NDArray[np.int64]:
    """Give a number for each unique payload; those with the same number have the same constant.

    Where the rest chooses, payloads whose rest is seldom have -1.
    """
    if relation.counter is not None:
        return sample.values.field(relation.counter).astype(np.int64)
    if not relation.by_rest:
        return np.zeros(len(sample.unique), dtype=np.int64)
    _, group, size = np.unique(rest_of(sample, relation), axis=0, return_inverse=True, return_counts=True)
    group = group.reshape(-1)
    return np.where(size[group] < _SAME_REST, -1, group)


def rest_of(sample: Sample, relation: Relation) -> NDArray[np.uint8]:
    """Give the unique payloads with the bits of the check and of the rule set to zero."""
    rest = sample.unique.copy()
    for field in (relation.field, relation.rule.bits if isinstance(relation.rule, BitsRule) else relation.field):
        for byte in range(field.first_byte, field.last_byte + 1):
            rest[:, byte] &= other_bits(field, byte)
    return rest


def byte_field(first: int, size: int = 1, byte_order: Literal["little", "big"] = "little") -> Field:
    """Give the field of `size` whole bytes from byte `first` on."""
    return Field(first * 8, size * 8) if byte_order == "little" else Field(first * 8 + 7, size * 8, "big")


def other_bits(field: Field, byte: int) -> int:
    """Give the mask of those bits of `byte` that are not bits of `field`."""
    return 255 & ~sum(1 << bit % 8 for bit in field.bit_numbers() if bit // 8 == byte)


def covered_data(sample: Sample, relation: Relation) -> NDArray[np.uint8]:
    """Give the covered bytes of the unique payloads, without the check's own bits: n x covered bytes."""
    masks = np.array([other_bits(relation.field, byte) for byte in relation.covers], dtype=np.uint8)
    return sample.unique[:, list(relation.covers)] & masks


def residual(sample: Sample, relation: Relation) -> NDArray[np.uint64]:
    """Give for each unique payload what is left of the check."""
    check = sample.values.field(relation.field).astype(np.uint64)
    data = covered_data(sample, relation)
    rule = relation.rule
    if isinstance(rule, CrcRule):
        return check ^ crc_without_constants(data, rule)
    if isinstance(rule, BitsRule):
        return np.asarray(check ^ table_of_bits(rule.kernel, BITS_BEHIND)[rule.behind, sample.values.field(rule.bits)])
    if isinstance(rule, SumRule):
        return _after_sum(check, data, rule)
    return check ^ _parities(sample, rule)


def crc_without_constants(data: NDArray[np.uint8], rule: CrcRule) -> NDArray[np.uint64]:
    """Give the CRC of each row of `data`, with an initial value and a final XOR of zero."""
    length = data.shape[1]
    adds = table(rule.kernel, table_depth(length + rule.behind))
    register = np.zeros(len(data), dtype=adds.dtype)
    for place in range(length):
        register ^= adds[length - 1 - place + rule.behind, data[:, place]]
    return register.astype(np.uint64)


def table_depth(length: int) -> int:
    """Give a depth of tables that is enough for `length` bytes; few different depths, since tables are kept."""
    return max(16, 1 << (length - 1).bit_length())


def _after_sum(check: NDArray[np.uint64], data: NDArray[np.uint8], rule: SumRule) -> NDArray[np.uint64]:
    total = sum_of(data, rule)
    if rule.kind == "exclusive or":
        return np.asarray(check ^ total.astype(np.uint64))
    signed = check.astype(np.int64)
    left = signed - total if rule.kind == "plus" else signed + total
    return np.asarray(left % rule.modulus, dtype=np.uint64)


def sum_of(data: NDArray[np.uint8], rule: SumRule) -> NDArray[np.int64]:
    """Give the sum of the bytes of each row, or of their nibbles, below the modulus."""
    parts = (data,) if rule.parts == "bytes" else np.divmod(data, 16)
    if rule.kind == "exclusive or":
        combined = np.bitwise_xor.reduce(np.concatenate(parts, axis=1), axis=1)
        return np.asarray(combined, dtype=np.int64)
    total = np.zeros(len(data), dtype=np.int64)
    for part in parts:
        total += part.sum(axis=1, dtype=np.int64)
    return np.asarray(total % rule.modulus, dtype=np.int64)


def _parities(sample: Sample, rule: LinearRule) -> NDArray[np.uint64]:
    bits = np.unpackbits(sample.unique, axis=1, bitorder="little")
    total = np.zeros(len(bits), dtype=np.uint64)
    for place, taps in enumerate(rule.taps):
        total |= np.bitwise_xor.reduce(bits[:, list(taps)], axis=1).astype(np.uint64) << np.uint64(place)
    return np.asarray(total, dtype=np.uint64)
