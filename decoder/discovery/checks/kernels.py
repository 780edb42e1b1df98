"""CRCs without their constants: what the bits of each byte add to the register, from the catalogue of `crccheck`.

A CRC is linear but for its initial value and final XOR, which for payloads of one length are one constant together.
What is left of it, the kernel, has a width, a polynomial and an order of bits. A byte that stands `d` bytes before the
end of what is checked adds ``table[d, byte]`` (by exclusive or) to the check.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from crccheck import crc as catalogue

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Registers = NDArray[np.unsignedinteger[Any]]


@dataclass(frozen=True, slots=True)
class Kernel:
    """Width and polynomial (its highest power left out), and whether bits are taken from the least significant one."""

    width: int
    polynomial: int
    reflected: bool


@dataclass(frozen=True, slots=True)
class NamedCrc:
    """A row of the catalogue."""

    name: str
    kernel: Kernel
    initial: int
    final_xor: int

    def constant(self, length: int) -> int:
        """Give the CRC of `length` bytes of zero."""
        return register_after_zeros(self.kernel, self.initial, length) ^ self.final_xor


# Met in captures of real packs, in no catalogue.
_MORE: Final = (NamedCrc("CRC-8 polynomial 85", Kernel(8, 0x85, reflected=False), 0, 0),)
# The names that the standards of vehicles know stand before others with the same polynomial (AUTOSAR Specification of
# CRC Routines; SAE J1850).
_FIRST: Final = (
    "CRC-8/SAE-J1850",
    "CRC-8/AUTOSAR",
    "CRC-8/SMBUS",
    "CRC-16/IBM-3740",
    "CRC-16/MODBUS",
    "CRC-32/ISO-HDLC",
)


@cache
def named_crcs(width: int) -> tuple[NamedCrc, ...]:
    """Give all known CRCs of `width` bits; those of vehicles first."""
    rows = [
        NamedCrc(crc._names[0], Kernel(width, crc._poly, crc._reflect_input), crc._initvalue, crc._xor_output)  # noqa: SLF001 - the names have no other way out
        for crc in catalogue.ALLCRCCLASSES
        if crc._width == width and crc._reflect_input == crc._reflect_output  # noqa: SLF001
    ]
    rows += [row for row in _MORE if row.kernel.width == width]
    return tuple(sorted(rows, key=lambda row: row.name not in _FIRST))


@cache
def kernels(width: int) -> tuple[Kernel, ...]:
    """Give the different kernels of the known CRCs of `width` bits."""
    return tuple(dict.fromkeys(row.kernel for row in named_crcs(width)))


def register_type(width: int) -> type[np.unsignedinteger[Any]]:
    """Give the numpy type that holds a check of `width` bits."""
    types: dict[int, type[np.unsignedinteger[Any]]] = {1: np.uint8, 2: np.uint16, 4: np.uint32, 8: np.uint64}
    return types[max(width // 8, 1)]


def register_after_zeros(kernel: Kernel, register: int, length: int) -> int:
    """Run `length` bytes of zero through `register` (given, like an initial value, in the order of the result)."""
    if kernel.reflected:  # catalogues give initial values before reflection
        register = _reversed_bits(register, kernel.width)
    column = np.array([register], dtype=register_type(kernel.width))
    for _ in range(length):
        column = _after_zero_byte(kernel, column)
    return int(column[0])


@cache
def tables(width: int, depth: int) -> Registers:
    """Give what a byte adds: (kernels, depth, 256), in the smallest type that holds `width` bits."""
    return np.stack([table(kernel, depth) for kernel in kernels(width)])


@cache
def table(kernel: Kernel, depth: int) -> Registers:
    """Give what a byte adds that stands 0 .. `depth` - 1 bytes before the end: (depth, 256)."""
    dtype = register_type(kernel.width)
    rows = [_after_one_byte(kernel)]
    while len(rows) < depth:
        rows.append(_after_zero_byte(kernel, rows[-1]))
    return np.stack(rows).astype(dtype)


@cache
def table_of_bits(kernel: Kernel, places: int) -> Registers:
    """Give what a byte adds that stands 0 .. `places` - 1 bits before the end: (places, 256)."""
    rows = [_after_one_byte(kernel).astype(np.uint64)]
    while len(rows) < places:
        rows.append(_shift_in(kernel, rows[-1], np.zeros_like(rows[-1])))
    return np.stack(rows)


def _after_one_byte(kernel: Kernel) -> Registers:
    """Give the register after each of the 256 bytes, from zero, bit by bit."""
    byte = np.arange(256, dtype=np.uint64)
    register = np.zeros(256, dtype=np.uint64)
    for bit in range(8):
        taken = (byte >> np.uint64(bit if kernel.reflected else 7 - bit)) & np.uint64(1)
        register = _shift_in(kernel, register, taken)
    return register.astype(register_type(kernel.width))


def _after_zero_byte(kernel: Kernel, register: Registers) -> Registers:
    wide = register.astype(np.uint64)
    zero = np.zeros_like(wide)
    for _ in range(8):
        wide = _shift_in(kernel, wide, zero)
    return wide.astype(register.dtype)


def _shift_in(kernel: Kernel, register: Registers, bit: Registers) -> Registers:
    one, top = np.uint64(1), np.uint64(kernel.width - 1)
    if kernel.reflected:
        out = (register & one) ^ bit
        return (register >> one) ^ (out * np.uint64(_reversed_bits(kernel.polynomial, kernel.width)))
    out = (register >> top) ^ bit
    mask = np.uint64((1 << kernel.width) - 1)
    return ((register << one) & mask) ^ (out * np.uint64(kernel.polynomial))


def _reversed_bits(number: int, width: int) -> int:
    return int(f"{number:0{width}b}"[::-1], 2)
