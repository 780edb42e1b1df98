"""What is known of a check that was found."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

    from decoder.bits import Field


@dataclass(frozen=True, slots=True)
class Parameters:
    """How a check is calculated; what does not concern its form stays empty.

    width : bits
    polynomial, initial, final_xor, reflected : of a CRC, as catalogues give them
    hidden_before, hidden_behind : bytes that are not sent and are put before or behind the covered ones
    zeroed : the check's own bytes (or nibble) are calculated with, as zeros; else they are left out
    constant : of a CRC, its final XOR if it began with an initial value of zero and nothing were hidden; of a sum, what
        is added to it or, of an exclusive or, combined with it
    bits, bits_behind : a CRC over the bits of one field, and how many hidden bits follow
    constants_by_rest : then, the constants by the rest of the payload (with zeros for check and bits), where it changes
    counter, constants : the field that chooses among several constants, and those seen, by its value; then
        `hidden_behind` or `hidden_before` holds only zeros for their places
    taps : a form without a name: the bits (DBC numbers) whose parity is each bit of the check, least significant first;
        a parity is inverted where `constant` has a one
    """

    width: int
    polynomial: int | None = None
    initial: int | None = None
    final_xor: int | None = None
    reflected: bool | None = None
    hidden_before: bytes = b""
    hidden_behind: bytes = b""
    zeroed: bool = False
    constant: int = 0
    bits: Field | None = None
    bits_behind: int = 0
    constants_by_rest: tuple[tuple[bytes, int], ...] = ()
    counter: Field | None = None
    constants: tuple[tuple[int, int], ...] = ()
    taps: tuple[tuple[int, ...], ...] = ()


@dataclass(frozen=True, slots=True)
class Check:
    """Bits of a payload that are calculated from others.

    covers : the bytes that it depends on, in the order of calculation; the check's own byte where the check is one
        nibble and the other one is covered
    form : catalogue name of a CRC, AUTOSAR end-to-end profile, kind of sum, or 'linear' where none fits
    holds, frames : frames in which it is right, of how many
    rank : how many independent differences between payloads agree (of those looked at)
    evidence_bits : what that is worth, less what the number of attempts costs
    proved : so much evidence that chance and other forms are ruled out
    also : other forms that fit these frames as well
    damaged : row numbers of the frames in which it is wrong
    """

    field: Field
    covers: tuple[int, ...]
    form: str
    parameters: Parameters
    holds: int
    frames: int
    rank: int
    evidence_bits: float
    proved: bool
    also: tuple[str, ...]
    damaged: tuple[int, ...]

    def plain(self) -> Mapping[str, object]:
        """Give it as numbers, text, lists and mappings; bytes as hexadecimal text, empty parameters left out."""
        plain = asdict(self)
        plain["parameters"] = {name: value for name, value in asdict(self.parameters).items() if value not in _EMPTY}
        return {name: _plain(value) for name, value in plain.items()}


_EMPTY = (None, b"", ())


def _plain(value: object) -> object:
    if isinstance(value, bytes):
        return value.hex().upper()
    if isinstance(value, tuple):
        return [_plain(part) for part in value]
    if isinstance(value, dict):
        return {name: _plain(part) for name, part in value.items()}
    return value
