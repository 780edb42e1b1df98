"""What a CRC is called and with which constants it can be calculated.

Payloads of one length tell initial value, final XOR and hidden bytes only as one constant together. So one way to get
it is given: that of the catalogue without hidden bytes if that fits, else with as many hidden bytes as fix it.
Profiles: AUTOSAR, E2E Protocol Specification (PRS_E2EProtocol), clause of each profile.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.bits import Field
from decoder.discovery.checks.check import Parameters
from decoder.discovery.checks.kernels import Kernel, NamedCrc, named_crcs, table
from decoder.discovery.checks.relation import BitsRule, CrcRule, Relation, byte_field, groups, rest_of, table_depth

if TYPE_CHECKING:
    from collections.abc import Iterator

    from decoder.discovery.checks.evidence import Found
    from decoder.discovery.checks.sample import Sample

_PROFILE_COUNTER: Final = Field(8, 4)  # profiles 1, 2, 11 and 22: low nibble of byte 1
_DAMAGED_COUNTERS: Final = 0.02  # share of damaged payloads with one certain counter value; common practice, no source
_TELLING_WIDTH: Final = 16  # bits from which on one agreement of the constant with the identifier is no chance


def name_crc(found: Found, sample: Sample, can_id: int) -> tuple[str, Parameters, tuple[str, ...]]:
    """Give the form, the parameters, and other ways to get the constant that are worth telling."""
    relation = found.relation
    if not isinstance(relation.rule, CrcRule):
        raise TypeError("not a CRC")
    rule = relation.rule
    row, plain = _with_constant(relation, rule, found.constants, can_id)
    profile = _profile(relation, row, plain, sample)
    if profile is None:
        also = _with_identifier(relation, rule, plain, can_id)
        return (
            row.name,
            plain,
            tuple(f"{name} of the identifier's bytes {hidden.hex().upper()} and these" for name, hidden in also),
        )
    return profile, plain, (_in_words(row.name, plain),)


def name_crc_of_bits(found: Found, rule: BitsRule, sample: Sample) -> tuple[str, Parameters, tuple[str, ...]]:
    """Give the form and the parameters; initial value zero and a final XOR, for the length is not known."""
    group = groups(sample, found.relation)
    frames = {number: int(sample.counts[group == number].sum()) for number in found.constants}
    constant = found.constants[max(frames, key=lambda number: frames[number])]
    rest = rest_of(sample, found.relation)
    by_rest = tuple(
        (rest[np.flatnonzero(group == number)[0]].tobytes(), value)
        for number, value in sorted(found.constants.items())
        if number >= 0 and found.relation.by_rest
    )
    parameters = Parameters(
        width=rule.kernel.width,
        polynomial=rule.kernel.polynomial,
        initial=0,
        final_xor=constant,
        reflected=rule.kernel.reflected,
        constant=constant,
        bits=rule.bits,
        bits_behind=rule.behind,
        constants_by_rest=by_rest,
    )
    name = next(row.name for row in named_crcs(rule.kernel.width) if row.kernel == rule.kernel)
    return f"{name} over bits", parameters, ()


def _with_constant(
    relation: Relation, rule: CrcRule, constants: dict[int, int], can_id: int
) -> tuple[NamedCrc, Parameters]:
    rows = [row for row in named_crcs(rule.kernel.width) if row.kernel == rule.kernel]
    length = len(relation.covers)
    plain = Parameters(
        width=rule.kernel.width,
        polynomial=rule.kernel.polynomial,
        reflected=rule.kernel.reflected,
        zeroed=rule.zeroed,
        constant=next(iter(constants.values())),
    )
    if relation.counter is not None:
        several = tuple(sorted(constants.items()))
        hidden = bytes(rule.behind)
        row = rows[0]
        return row, replace(
            plain, initial=0, final_xor=0, hidden_behind=hidden, counter=relation.counter, constants=several, constant=0
        )
    for row in rows if rule.behind == 0 else ():
        if row.constant(length) == plain.constant:
            return row, _of(plain, row)
    for name, hidden in _with_identifier(relation, rule, plain, can_id) if rule.kernel.width >= _TELLING_WIDTH else ():
        row = next(row for row in rows if row.name == name)
        return row, replace(_of(plain, row), hidden_before=hidden)
    before = 0 if rule.behind else max(rule.kernel.width // 8, 1)
    for row in rows:
        target = plain.constant ^ row.constant(length + before + rule.behind)
        hidden_bytes = _hidden(rule.kernel, range(length, length + before) if before else range(rule.behind), target)
        if hidden_bytes is not None:
            named = _of(plain, row)
            return row, replace(named, hidden_before=hidden_bytes) if before else replace(
                named, hidden_behind=hidden_bytes
            )
    return rows[0], replace(plain, initial=0, final_xor=plain.constant)


def _of(plain: Parameters, row: NamedCrc) -> Parameters:
    return replace(plain, initial=row.initial, final_xor=row.final_xor)


def _hidden(kernel: Kernel, distances: range, target: int) -> bytes | None:
    """Give bytes that add `target`, the first of them farthest from the end; or nothing if there are none."""
    adds = table(kernel, table_depth(distances.stop))
    basis: dict[int, tuple[int, int]] = {}  # highest bit: what the bits of the hidden bytes add, which bits those are
    for place, distance in enumerate(distances):
        for bit in range(8):
            _basis_add(basis, int(adds[distance, 1 << bit]), 1 << (8 * place + bit))
    wanted = 0
    while target:
        if target.bit_length() not in basis:
            return None
        value, bits = basis[target.bit_length()]
        target, wanted = target ^ value, wanted ^ bits
    return wanted.to_bytes(len(distances), "big")


def _basis_add(basis: dict[int, tuple[int, int]], value: int, bits: int) -> None:
    """Put a value into a basis by highest bit, with the choice of bits that gives it."""
    while value:
        if value.bit_length() not in basis:
            basis[value.bit_length()] = (value, bits)
            return
        other, others = basis[value.bit_length()]
        value, bits = value ^ other, bits ^ others


def identifier_bytes(can_id: int) -> tuple[bytes, ...]:
    """Give the identifier as bytes in the ways that occur: both orders, or the lowest byte alone."""
    size = 2 if can_id < 1 << 16 else 4
    return tuple(dict.fromkeys((can_id.to_bytes(size, "big"), can_id.to_bytes(size, "little"), bytes([can_id & 255]))))


def _with_identifier(relation: Relation, rule: CrcRule, plain: Parameters, can_id: int) -> Iterator[tuple[str, bytes]]:
    """Give the CRCs that the constant comes from if the identifier's bytes stand before the covered ones."""
    if rule.behind or plain.constants:
        return
    length = len(relation.covers)
    for row in named_crcs(rule.kernel.width):
        for hidden in identifier_bytes(can_id) if row.kernel == rule.kernel else ():
            adds = table(row.kernel, table_depth(length + len(hidden)))
            constant = row.constant(length + len(hidden))
            for place, byte in enumerate(hidden):
                constant ^= int(adds[length + len(hidden) - 1 - place, byte])
            if constant == plain.constant:
                yield row.name, hidden


def _profile(relation: Relation, row: NamedCrc, plain: Parameters, sample: Sample) -> str | None:
    """Give the AUTOSAR end-to-end profile whose layout and CRC these are."""
    if plain.zeroed or len(relation.covers) != sample.width - relation.field.length // 8:
        return None
    if plain.width == 8:
        return _short_profile(relation.field, plain, sample)
    field, big = relation.field, relation.field.byte_order == "big"
    if row.name == "CRC-16/IBM-3740" and len(plain.hidden_behind) == 2:
        behind = field.last_byte + 1
        if big:
            return "AUTOSAR end-to-end profile 6" if _tells_length(sample, behind, 2) else None
        return "AUTOSAR end-to-end profile 5" if behind < sample.width and sample.moves[behind] else None
    if not big or plain.hidden_before or (plain.initial, plain.final_xor) != (row.initial, row.final_xor):
        return None
    if row.name == "CRC-32/AUTOSAR" and _tells_length(sample, field.first_byte - 8, 2):
        return "AUTOSAR end-to-end profile 4"
    if row.name == "CRC-64/XZ" and _tells_length(sample, field.last_byte + 1, 4):
        return "AUTOSAR end-to-end profile 7"
    return None


def _tells_length(sample: Sample, first: int, size: int) -> bool:
    """Tell whether most payloads have their own length in `size` bytes from byte `first` on."""
    if first < 0 or first + size > sample.width:
        return False
    values = sample.values.field(byte_field(first, size, "big"))
    return bool(np.mean(values == sample.width) > 0.5)


def _short_profile(field: Field, plain: Parameters, sample: Sample) -> str | None:
    """Give the profile with a CRC of 8 bits in byte 0 and a counter in the low nibble of byte 1."""
    if field.start or _PROFILE_COUNTER not in sample.counters or plain.reflected:
        return None
    counter = sample.values.field(_PROFILE_COUNTER)[sample.pool]
    ends_at_14 = float(np.mean(counter == 15)) < _DAMAGED_COUNTERS
    if plain.polynomial == 0x1D and not plain.hidden_behind and ends_at_14 and len(plain.constants) < 3:
        return f"AUTOSAR end-to-end profile 1 or 11{', alternate' if plain.constants else ''}"
    if plain.polynomial == 0x2F and len(plain.hidden_behind) == 1:
        return "AUTOSAR end-to-end profile 2 or 22"
    return None


def _in_words(name: str, plain: Parameters) -> str:
    if plain.hidden_before:
        return f"{name} with {plain.hidden_before.hex().upper()} hidden before"
    if plain.hidden_behind and not plain.constants:
        return f"{name} with {plain.hidden_behind.hex().upper()} hidden behind"
    return f"{name} with a constant by counter value" if plain.constants else name
