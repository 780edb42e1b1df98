"""Diagnostic trouble codes out of positive answers.

Sources. Form of a code: SAE J2012, ISO 15031-6. Status bits: ISO 14229-1, D.2. Layout of ``59 02``: ISO 14229-1, as
udsoncan reads it; likewise 0A to 0F, 13 and 15, and the counts 01, 07, 11 and 12. From memory: ISO 14230-3 (53, 57, 58)
and ISO 15031-5 on CAN (43, 47, 4A).

=========================  ==============================================================
59 02 and its like         mask, then groups of code (2 bytes), failure type, status
59 01, 07, 11, 12          mask, format, count (2 bytes)
53                         count, then codes (2 bytes)
57, 58                     count, then groups of code (2 bytes), status as in ISO 14230-3
43, 47, 4A                 count, then codes (2 bytes)
=========================  ==============================================================
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

# Bits 0 to 7 of a status.
STATUS_WORDS: Final = (
    "test failed",
    "test failed this operation cycle",
    "pending",
    "confirmed",
    "test not completed since last clear",
    "test failed since last clear",
    "test not completed this operation cycle",
    "warning indicator requested",
)
_LISTS_OF_19: Final = frozenset({0x02, 0x0A, 0x0B, 0x0C, 0x0D, 0x0E, 0x0F, 0x13, 0x15})
_COUNTS_OF_19: Final = frozenset({0x01, 0x07, 0x11, 0x12})
# First byte of the answer, and the bytes of a group behind the count.
_COUNTED: Final = {0x43: 2, 0x47: 2, 0x4A: 2, 0x53: 2, 0x57: 3, 0x58: 3}
_ISO_14230: Final = frozenset({0x53, 0x57, 0x58})
# What a technician asks first goes first in a line.
_LINE_ORDER: Final = (3, 0, 2, 7, 1, 5, 4, 6)
_SHOWN_CODES: Final = 6


@dataclass(frozen=True, slots=True)
class TroubleCode:
    """A trouble code.

    code : such as P0AA6
    failure_type : third byte of a code of three bytes, 0 for no further detail; ``None`` where codes have two
    status : as sent; ``None`` where none is sent. Its bits are those of `status_words` where `failure_type` is given,
        else those of ISO 14230-3
    """

    code: str
    failure_type: int | None
    status: int | None

    def __str__(self) -> str:
        """Give the code, and the failure type in hex where it says something."""
        return f"{self.code}-{self.failure_type:02X}" if self.failure_type else self.code


@dataclass(frozen=True, slots=True)
class _Answer:
    codes: tuple[TroubleCode, ...]
    announced: int | None = None  # how many codes the answer says it has, or are stored
    only_count: bool = False
    left_over: int = 0
    too_short: bool = False


def code_text(high: int, low: int) -> str:
    """Write a code of two bytes (0 to 255 each) as SAE J2012 does: letter of the system, digit, three hex digits."""
    return f"{'PCBU'[high >> 6 & 3]}{high >> 4 & 3}{high & 15:X}{low & 0xFF:02X}"


def status_words(status: int) -> tuple[str, ...]:
    """Spell out the bits that are set in a status of ISO 14229-1 (D.2), lowest first."""
    return tuple(word for bit, word in enumerate(STATUS_WORDS) if status >> bit & 1)


def trouble_codes(answer: bytes) -> tuple[TroubleCode, ...] | None:
    """Give the codes of a positive answer, in their order.

    ``None`` if the answer is not of a service that lists or counts codes; empty if it only counts them.
    """
    read = _read(answer)
    return None if read is None else read.codes


def trouble_code_words(answer: bytes) -> str | None:
    """Say in a line what a positive answer with trouble codes says; ``None`` as with `trouble_codes`.

    At most six codes are spelled out. Bytes that fill no group, and a count that the codes belie, are named.
    """
    read = _read(answer)
    if read is None:
        return None
    if read.too_short:
        return "too short for trouble codes"
    if read.only_count:
        line = f"counts {_counted(read.announced or 0)}"
    else:
        line = _list_line(read.codes)
        if read.announced not in {None, len(read.codes)}:
            line += f"; {read.announced} announced"
    if read.left_over:
        line += f"; {read.left_over} byte{'s' * (read.left_over != 1)} left over"
    return line


def _read(answer: bytes) -> _Answer | None:
    if not answer:
        return None
    if answer[0] in _COUNTED:
        return _read_counted(answer)
    if answer[0] != 0x59 or len(answer) < 2:
        return None
    if answer[1] in _COUNTS_OF_19:
        if len(answer) < 6:
            return _Answer((), too_short=True)
        return _Answer((), int.from_bytes(answer[4:6], "big"), only_count=True, left_over=len(answer) - 6)
    if answer[1] not in _LISTS_OF_19:
        return None
    if len(answer) < 3:
        return _Answer((), too_short=True)
    groups, left_over = _groups(answer[3:], 4)
    codes = tuple(TroubleCode(code_text(group[0], group[1]), group[2], group[3]) for group in groups)
    return _Answer(codes, left_over=left_over)


def _read_counted(answer: bytes) -> _Answer:
    if len(answer) < 2:
        return _Answer((), too_short=True)
    count, rest, size = answer[1], answer[2:], _COUNTED[answer[0]]
    # ISO 14230-3: makers send a status where the standard has none, and the other way round; only an exact fit tells.
    if answer[0] in _ISO_14230 and len(rest) != count * size and len(rest) == count * (5 - size):
        size = 5 - size
    groups, _ = _groups(rest, size)
    codes = tuple(
        TroubleCode(code_text(group[0], group[1]), None, group[2] if size == 3 else None) for group in groups[:count]
    )
    return _Answer(codes, count, left_over=len(rest) - len(codes) * size)


def _groups(rest: bytes, size: int) -> tuple[list[bytes], int]:
    whole = len(rest) // size
    return [rest[n * size : (n + 1) * size] for n in range(whole)], len(rest) - whole * size


def _list_line(codes: tuple[TroubleCode, ...]) -> str:
    if not codes:
        return "no trouble codes"
    shown = [_code_line(code) for code in codes[:_SHOWN_CODES]]
    if len(codes) > _SHOWN_CODES:
        shown.append(f"and {len(codes) - _SHOWN_CODES} more")
    return f"{_counted(len(codes))}: {'; '.join(shown)}"


def _code_line(code: TroubleCode) -> str:
    if code.status is None:
        return str(code)
    if code.failure_type is None:
        return f"{code} status 0x{code.status:02X}"
    words = [STATUS_WORDS[bit] for bit in _LINE_ORDER if code.status >> bit & 1]
    return f"{code} {', '.join(words) or 'no status bit set'}"


def _counted(count: int) -> str:
    return f"{count} trouble code{'s' * (count != 1)}"
