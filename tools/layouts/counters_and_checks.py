"""Counters and checks, and where they stand: in the first or the last bytes of a frame, side by side.

Polynomials and forms are those met in captures of real packs. CRC as in the AUTOSAR CRC library (document 016):
most significant bit first, here without a final exclusive or, which would only be another hidden constant.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.bits import Field
from tools.layouts import habits as shares
from tools.layouts.habits import pick
from tools.layouts.small_values import flag, state

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tools.layouts.sheet import Sheet

CHECKS: Final = {
    "crc 1D of the rest": 0.28,
    "crc 1D of a part": 0.10,
    "crc 1D of one byte and hidden ones": 0.08,
    "crc 2F of the rest": 0.14,
    "crc 85 of the rest": 0.10,
    "sum of bytes": 0.10,
    "negated sum of bytes": 0.07,
    "sum of nibbles": 0.06,
    "negated sum of nibbles": 0.07,
}
STEP_OF_TWO: Final = 0.08
ZERO_HIDDEN: Final = 0.05  # checks without a hidden constant


@dataclass(frozen=True, slots=True)
class Plan:
    """Where a frame's counter and check stand, and the whole bytes that are left in between.

    beside : the other half of the counter's byte, where that is free
    """

    counter: Field | None
    modulus: int
    check: Field | None
    form: str
    first: int
    end: int
    beside: Field | None


def draw_plan(sheet: Sheet) -> Plan:
    """Draw whether a frame has a counter and a check, and where."""
    rng, habits, length = sheet.shape, sheet.habits, sheet.length
    counts = length >= 2 and rng.random() < shares.COUNTER_SHARE
    checks = length >= 3 and rng.random() < (shares.CHECK_BESIDE_COUNTER if counts else shares.CHECK_ALONE)
    form = pick(rng, CHECKS) if checks else ""
    nibbles = form.endswith("nibbles") and counts
    if form.endswith("nibbles") and not counts:
        form = "sum of bytes"
    check_first = habits.check_first and "85" not in form and not nibbles
    first, end = 0, length
    check = None
    if checks and not nibbles:
        byte = 0 if check_first else length - 1
        check = Field(8 * byte, 8)
        first, end = (1, end) if check_first else (first, end - 1)
    if not counts:
        return Plan(None, 0, check, form, first, end, None)
    bits = 4 if nibbles else habits.counter_bits if rng.random() < 0.85 else pick(rng, shares.COUNTER_BITS)
    at_front = check_first if checks else rng.random() < 0.35
    byte = first if at_front else end - 1
    high = rng.random() < 0.4 and bits < 8
    counter = Field(8 * byte + (8 - bits if high else 0), bits)
    beside = None if bits == 8 else Field(8 * byte + (0 if high else bits), 8 - bits)
    if nibbles:
        check, beside = beside, None
    first, end = (first + 1, end) if at_front else (first, end - 1)
    return Plan(counter, _modulus(sheet, bits), check, form, first, end, beside)


def _modulus(sheet: Sheet, bits: int) -> int:
    whole = 1 << bits
    if bits == 4:
        return 15 if sheet.habits.modulo_15 else 16
    return whole if sheet.shape.random() < 0.85 else whole - 1


def put_counter(sheet: Sheet, plan: Plan) -> None:
    """Fill the counter, and what stands beside it in its byte: nothing, a state, or flags."""
    if plan.counter is None:
        return
    step = 2 if sheet.shape.random() < STEP_OF_TWO else 1
    counted = (sheet.life.integers(0, plan.modulus) + step * np.arange(len(sheet.time_s))) % plan.modulus
    sheet.put(plan.counter, "counter", counted)
    if plan.beside is None or sheet.shape.random() < 0.5:
        return
    if sheet.shape.random() < 0.6 and plan.beside.length >= 2:
        sheet.put(plan.beside, "state", state(sheet.life, sheet.world, sheet.time_s, 1 << min(plan.beside.length, 3)))
        return
    for bit in plan.beside.bit_numbers():
        sheet.put(Field(bit, 1), "flag", flag(sheet.life, sheet.world, sheet.time_s))


def put_check(sheet: Sheet, plan: Plan) -> None:
    """Fill the check from all that is there already; its hidden constant is the identifier's own."""
    if plan.check is None:
        return
    for bit in plan.check.bit_numbers():
        sheet.bits[:, bit] = 0
    hidden = 0 if sheet.shape.random() < ZERO_HIDDEN else int(sheet.life.integers(1, 256))
    data = sheet.data
    rest = np.delete(data, plan.check.first_byte, axis=1)
    if plan.form.endswith("nibbles"):
        raw = (data >> 4).sum(axis=1, dtype=np.int64) + (data & 0xF).sum(axis=1, dtype=np.int64) + hidden
    elif plan.form.endswith("sum of bytes"):
        raw = rest.sum(axis=1, dtype=np.int64) + hidden
    else:
        raw = _crc(sheet, plan, rest, hidden)
    if plan.form.startswith("negated"):
        raw = ~raw
    form = "linear" if plan.form.startswith("crc") else "sum"
    sheet.put(plan.check, "check", raw & ((1 << plan.check.length) - 1), form=form)


def _crc(sheet: Sheet, plan: Plan, rest: NDArray[np.uint8], hidden: int) -> NDArray[np.int64]:
    polynomial = int(plan.form.split()[1], 16)
    behind = np.full((len(rest), 1), hidden, np.uint8)
    if plan.form.endswith("part"):
        rest = rest[:, : max(1, rest.shape[1] - int(sheet.shape.integers(1, 4)))]
        if plan.counter is not None:  # what is protected includes the counter
            rest = np.hstack([rest, sheet.data[:, plan.counter.first_byte : plan.counter.first_byte + 1]])
    elif plan.form.endswith("hidden ones"):
        byte = plan.counter.first_byte if plan.counter is not None else min(1, sheet.length - 1)
        byte = byte if byte != plan.check.first_byte else plan.first
        rest = sheet.data[:, byte : byte + 1]
        behind = np.repeat(behind, int(sheet.shape.integers(1, 3)), axis=1)
    return crc8(np.hstack([rest, behind]), polynomial, 0xFF).astype(np.int64)


def crc8(data: NDArray[np.uint8], polynomial: int, initial: int) -> NDArray[np.uint8]:
    """Give the CRC of eight bits of each row, most significant bit first."""
    table = np.arange(256, dtype=np.int64)
    for _ in range(8):
        table = ((table << 1) ^ np.where(table & 0x80, polynomial, 0)) & 0xFF
    crc = np.full(len(data), initial, np.int64)
    for column in data.T:
        crc = table[crc ^ column]
    return crc.astype(np.uint8)
