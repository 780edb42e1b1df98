"""What a sum is called: which constant is added to it, and whether that is one that is known."""

from __future__ import annotations

from typing import TYPE_CHECKING

from decoder.discovery.checks.check import Parameters
from decoder.discovery.checks.relation import SumRule

if TYPE_CHECKING:
    from decoder.discovery.checks.evidence import Found
    from decoder.discovery.checks.sample import Sample


def name_sum(found: Found, sample: Sample, can_id: int) -> tuple[str, Parameters, tuple[str, ...]]:
    """Give the form, the parameters, and other explanations of the constant."""
    rule = found.relation.rule
    if not isinstance(rule, SumRule):
        raise TypeError("not a sum")
    constant = found.constants[0]
    what = f"{'exclusive or' if rule.kind == 'exclusive or' else 'sum'} of {rule.parts}"
    if rule.modulus % 2:
        what += ", carry added"
    known = _constants(rule, sample.width, can_id)
    names = [f"{before}{what}{behind}" for (before, behind), value in known.items() if value == constant]
    opposite = "complement of the " if rule.kind == "minus" else ""
    names = names or [f"{opposite}{what} and a hidden constant"]
    return names[0], Parameters(width=found.relation.field.length, constant=constant), tuple(names[1:])


def _constants(rule: SumRule, length: int, can_id: int) -> dict[tuple[str, str], int]:
    """Give the constants that are known, by the words before and behind the kind of sum."""
    parts = list(can_id.to_bytes(4, "big"))
    if rule.parts == "nibbles":
        parts = [nibble for byte in parts for nibble in divmod(byte, 16)]
    if rule.kind == "exclusive or":
        combined = 0
        for part in parts:
            combined ^= part
        ones = rule.modulus - 1
        return {
            ("", ""): 0,
            ("complement of the ", ""): ones,
            ("", " and of the identifier's"): combined,
            ("complement of the ", " and of the identifier's"): combined ^ ones,
        }
    beside = {
        "": 0,
        " and of the identifier's": sum(parts),
        " and of the identifier's, and the length": sum(parts) + length,
    }
    if rule.kind == "plus":
        return {("", words): value % rule.modulus for words, value in beside.items()}
    if rule.modulus % 2:  # both complements are one
        return {("one's complement of the ", words): -value % rule.modulus for words, value in beside.items()}
    signs = {"two's complement of the ": 0, "one's complement of the ": -1}
    return {
        (sign, words): (less - value) % rule.modulus for words, value in beside.items() for sign, less in signs.items()
    }
