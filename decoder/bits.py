"""The only place that shifts bits: a field of one frame, and of a whole column of frames.

Bit numbers are those of DBC files: byte * 8 + bit, bit 0 being the least significant of its byte. A little-endian
field begins at its least significant bit and runs up; a big-endian field begins at its most significant bit, runs
down within the byte and goes on at bit 7 of the next one.

    byte         0                1
    bit number   7 6 5 4 3 2 1 0  15 14 13 12 11 10 9 8
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import bitstruct
import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

ByteOrder = Literal["little", "big"]
MAX_FIELD_BITS = 64


@dataclass(frozen=True, slots=True)
class Field:
    """A run of payload bits: DBC start bit, length 1..64, byte order, two's complement or not.

    Raises `ValueError` for a length outside 1..64 or a negative start.
    """

    start: int
    length: int
    byte_order: ByteOrder = "little"
    signed: bool = False

    def __post_init__(self) -> None:
        if not 1 <= self.length <= MAX_FIELD_BITS:
            raise ValueError(f"a field has 1 to {MAX_FIELD_BITS} bits, not {self.length}")
        if self.start < 0:
            raise ValueError(f"a field starts at bit 0 or later, not {self.start}")

    @property
    def first_byte(self) -> int:
        """The first payload byte that holds a bit of the field."""
        return self.start // 8

    @property
    def wire_start(self) -> int:
        """Big-endian fields: the position of the first bit, counted from bit 7 of byte 0 as sent on the wire."""
        return self.start // 8 * 8 + 7 - self.start % 8

    @property
    def last_byte(self) -> int:
        """The last payload byte that holds a bit of the field."""
        first_bit = self.start if self.byte_order == "little" else self.wire_start
        return (first_bit + self.length - 1) // 8

    @property
    def all_ones(self) -> int:
        """The raw value of the field when every bit is set."""
        return -1 if self.signed else (1 << self.length) - 1

    def bit_numbers(self) -> tuple[int, ...]:
        """DBC numbers of the field's bits, least significant first."""
        if self.byte_order == "little":
            return tuple(range(self.start, self.start + self.length))
        wire = range(self.wire_start + self.length - 1, self.wire_start - 1, -1)
        return tuple(bit // 8 * 8 + 7 - bit % 8 for bit in wire)


def field_of_frame(payload: bytes, field: Field) -> int:
    """Give the raw value of `field` in one payload. Raises `ValueError` if the payload is too short."""
    pattern, data = _pattern(payload, field)
    (value,) = bitstruct.unpack(pattern, data)
    return int(value)


def put_field(payload: bytes, field: Field, raw: int) -> bytes:
    """Give `payload` with `field` set to `raw`. Raises `ValueError` if field or value does not fit."""
    low, high = raw_range(field)
    if not low <= raw <= high:
        raise ValueError(f"{raw} does not fit into {field.length} bits ({low}..{high})")
    pattern, data = _pattern(payload, field)
    packed = bytearray(data)
    bitstruct.pack_into(pattern, packed, 0, raw, fill_padding=False)
    return bytes(packed if field.byte_order == "big" else packed[::-1])


def raw_range(field: Field) -> tuple[int, int]:
    """Give the smallest and largest raw value that `field` can hold."""
    if field.signed:
        return -(1 << (field.length - 1)), (1 << (field.length - 1)) - 1
    return 0, (1 << field.length) - 1


def _pattern(payload: bytes, field: Field) -> tuple[str, bytes]:
    """Give a bitstruct pattern for `field`, and the payload in the byte order that the pattern reads."""
    if len(payload) <= field.last_byte:
        raise ValueError(f"the field ends in byte {field.last_byte}, the payload has {len(payload)} bytes")
    kind = "s" if field.signed else "u"
    if field.byte_order == "big":
        before, data = field.wire_start, payload
    else:  # a little-endian number is a big-endian one in the bytes read backwards
        before, data = len(payload) * 8 - field.start - field.length, payload[::-1]
    padding = f"p{before}" if before else ""  # bitstruct knows no padding of 0 bits
    return f"{padding}{kind}{field.length}", data


class Payloads:
    """Payload bytes of many frames (n x width, uint8), from which fields are taken as whole columns.

    The 64-bit words that fields are cut from are loaded once and shared. Bytes past a frame's own length must be
    there (any value); which frames are long enough is the caller's to know.
    """

    def __init__(self, data: NDArray[np.uint8]) -> None:
        """Take `data`, n x width; columns narrower than eight bytes are padded with zeros."""
        if data.shape[1] < 8:
            data = np.pad(data, ((0, 0), (0, 8 - data.shape[1])))
        self._data = np.ascontiguousarray(data)
        self._words: dict[tuple[int, str], NDArray[np.uint64]] = {}

    def __len__(self) -> int:
        return len(self._data)

    def field(self, field: Field) -> NDArray[np.int64] | NDArray[np.uint64]:
        """Give the raw values of `field`: int64, or uint64 for an unsigned field of 64 bits.

        Raises `ValueError` if the field leaves the payload columns.
        """
        if field.last_byte >= self._data.shape[1]:
            raise ValueError(f"the field ends in byte {field.last_byte}, columns have {self._data.shape[1]} bytes")
        if field.last_byte - field.first_byte < 8:
            begin = min(field.first_byte, self._data.shape[1] - 8)
            return self._cut(self._word(begin, field.byte_order), self._shift(field, begin), field)
        return self._nine_bytes(field)

    def _word(self, begin: int, byte_order: ByteOrder) -> NDArray[np.uint64]:
        key = (begin, byte_order)
        word = self._words.get(key)
        if word is None:
            eight = np.ascontiguousarray(self._data[:, begin : begin + 8])
            kind = "<u8" if byte_order == "little" else ">u8"
            word = eight.view(kind)[:, 0].astype(np.uint64)
            self._words[key] = word
        return word

    @staticmethod
    def _shift(field: Field, begin: int) -> int:
        """How far the field's least significant bit stands above bit 0 of the word that begins at `begin`."""
        if field.byte_order == "little":
            return field.start - 8 * begin
        return 64 - (field.wire_start + field.length - 8 * begin)

    @staticmethod
    def _cut(word: NDArray[np.uint64], shift: int, field: Field) -> NDArray[np.int64] | NDArray[np.uint64]:
        if field.signed:
            # Up until the sign is the word's own top bit, then down with the sign drawn in.
            return (word.view(np.int64) << (64 - shift - field.length)) >> (64 - field.length)
        if field.length == MAX_FIELD_BITS:
            return word.copy()
        cut = word if shift == 0 else word >> np.uint64(shift)
        return (cut & np.uint64((1 << field.length) - 1)).view(np.int64)

    def _nine_bytes(self, field: Field) -> NDArray[np.int64] | NDArray[np.uint64]:
        """Join a word and the one byte beyond it: a field of 58 bits or more that straddles nine bytes."""
        first = field.first_byte
        if field.byte_order == "little":
            word, beyond = self._word(first, "little"), self._data[:, first + 8].astype(np.uint64)
            shift = self._shift(field, first)
            joined = (word >> np.uint64(shift)) | (beyond << np.uint64(64 - shift))
        else:
            word, beyond = self._word(first + 1, "big"), self._data[:, first].astype(np.uint64)
            shift = self._shift(field, first + 1)
            joined = (word >> np.uint64(shift)) | (beyond << np.uint64(64 - shift))
        return self._cut(joined, 0, field)


def words_at_bytes(data: NDArray[np.uint8], byte_order: ByteOrder) -> NDArray[np.uint64]:
    """Give for each byte of payloads (n x width) the 64-bit word whose least significant byte it is, n x width.

    The bytes above it are those behind it in a little-endian word, those before it in a big-endian one; beyond the
    payload they are zeros. A field of up to 57 bits is cut from the word of the byte that holds its lowest bit.
    """
    n, width = data.shape
    before = 0 if byte_order == "little" else 7
    padded = np.zeros((n, width + 7), np.uint8)
    padded[:, before : before + width] = data
    kind = "<u8" if byte_order == "little" else ">u8"
    shape, strides = (n, width), (padded.strides[0], 1)
    return np.ndarray(shape, kind, padded, 0, strides).astype(np.uint64)


def field_of_word(byte: int, shift: int, length: int, byte_order: ByteOrder, *, signed: bool = False) -> Field:
    """Give the field whose lowest bit is bit `shift` of `byte`, as `words_at_bytes` is cut."""
    if byte_order == "little":
        return Field(8 * byte + shift, length, byte_order, signed)
    top = shift + length - 1
    return Field(8 * (byte - top // 8) + top % 8, length, byte_order, signed)


def as_float(raw: NDArray[np.int64] | NDArray[np.uint64], length: int) -> NDArray[np.float64]:
    """Read raw bit patterns as IEEE 754 numbers of 16, 32 or 64 bits. Raises `ValueError` for another length."""
    kinds = {16: (np.uint16, np.float16), 32: (np.uint32, np.float32), 64: (np.uint64, np.float64)}
    if length not in kinds:
        raise ValueError(f"a float has 16, 32 or 64 bits, not {length}")
    bits, number = kinds[length]
    with np.errstate(invalid="ignore"):  # signalling NaNs stay NaN
        return raw.astype(bits).view(number).astype(np.float64)
