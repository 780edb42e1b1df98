"""What fills the bytes of a frame: numbers, states, flags, constants, text, noise, one after the other."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from tools.layouts.habits import pick
from tools.layouts.quantities import draw_coding, quantities_of
from tools.layouts.sheet import field_at
from tools.layouts.small_values import flag, state

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from decoder.bits import ByteOrder
    from decoder.discovery.proposal import Selector
    from tools.layouts.sheet import Sheet

STATES: Final = {"states": 0.36, "flags": 0.27, "mode": 0.10, "number": 0.12, "constant": 0.08, "gap": 0.07}
NUMBERS: Final = {"number": 0.70, "states": 0.07, "flags": 0.05, "mode": 0.04, "constant": 0.06, "gap": 0.08}
CONSTANTS: Final = {"constant": 0.6, "gap": 0.4}
ONE_STATE_CODE: Final = 4  # values of a state of two bits
LETTERS: Final = np.frombuffer(b"ABCDEFGHJKLMNPRSTUVWXYZ0123456789-", np.uint8)
BESIDE_A_NUMBER: Final = 0.25  # slots whose upper bits, left free by the number, hold a state
CONSTANT_NUMBER: Final = 0.25  # numbers that never move, whatever they are: a limit at its end, a sensor not fitted


def fill(
    sheet: Sheet,
    first: int,
    end: int,
    mix: Mapping[str, float],
    under: Selector | None = None,
    rows: NDArray[np.bool_] | None = None,
) -> None:
    """Fill the bytes from `first` up to `end`, drawing from `mix` what comes next."""
    at, stop = 8 * first, 8 * end
    order = sheet.habits.byte_order
    while at < stop:
        if at % 8 == 0:  # both byte orders count alike here
            order = sheet.habits.order_of_field(sheet.shape)
        at = _PUTTERS[pick(sheet.shape, mix)](sheet, at, stop, order, under, rows)


def put_number(
    sheet: Sheet,
    at: int,
    stop: int,
    order: ByteOrder,
    under: Selector | None = None,
    rows: NDArray[np.bool_] | None = None,
) -> int:
    """Put a number and give where it ends: side by side with what was before, or in a slot of whole bytes."""
    rng, habits = sheet.shape, sheet.habits
    bits = habits.bits_of_number(rng, stop - at)
    if bits is None:
        return stop
    side_by_side = rng.random() < (0.8 if habits.packed else 0.15)
    begin = _up(at, 1 if rng.random() < 0.25 else 4) if side_by_side else _up(at, 8)
    slot = bits if side_by_side else _up(bits, 8)
    if begin + slot > stop:
        return stop
    pad = slot - bits if order == "big" else 0  # the number stands at the right of its slot
    coding = draw_coding(rng, bits, pick(rng, quantities_of(bits)))
    still = rng.random() < CONSTANT_NUMBER
    which = int(sheet.life.integers(0, 1000))
    raw = coding.raw(sheet.world, sheet.time_s, which, habits.update_s, sheet.life)
    raw = np.full(len(raw), raw[0]) if still else raw
    place = field_at(begin + pad, bits, order, signed=coding.signed)
    sheet.put(place, "number", sheet.available(raw, bits) if bits >= 8 else raw, under, rows)
    if slot - bits >= 2 and rng.random() < BESIDE_A_NUMBER:  # the slot's upper bits
        upper = begin if order == "big" else begin + bits
        sheet.put(field_at(upper, 2, order), "state", state(sheet.life, sheet.world, sheet.time_s, 3), under, rows)
    return begin + slot


def _states(
    sheet: Sheet, at: int, stop: int, order: ByteOrder, under: Selector | None, rows: NDArray[np.bool_] | None
) -> int:
    """Put one to four states of two bits, beginning at a nibble."""
    at = _up(at, 4)
    for _ in range(int(sheet.shape.integers(1, 5))):
        if at + 2 > stop:
            break
        values = ONE_STATE_CODE if sheet.shape.random() < 0.5 else 3
        raw = state(sheet.life, sheet.world, sheet.time_s, values)
        sheet.put(field_at(at, 2, order), "state", sheet.available(raw, 2), under, rows)
        at += 2
    return at


def _flags(
    sheet: Sheet, at: int, stop: int, order: ByteOrder, under: Selector | None, rows: NDArray[np.bool_] | None
) -> int:
    """Put flags side by side; the rest of their byte stays unused more often than not."""
    count = int(sheet.shape.integers(1, 9))
    for _ in range(min(count, stop - at)):
        sheet.put(field_at(at, 1, order), "flag", flag(sheet.life, sheet.world, sheet.time_s), under, rows)
        at += 1
    return at if sheet.shape.random() < 0.3 else _up(at, 8)


def _mode(
    sheet: Sheet, at: int, stop: int, order: ByteOrder, under: Selector | None, rows: NDArray[np.bool_] | None
) -> int:
    """Put a state of three, four or eight bits with its own nibble or byte."""
    bits = pick(sheet.shape, {3: 0.3, 4: 0.5, 8: 0.2})
    at = _up(at, 8 if bits == 8 else 4)
    slot = _up(bits, 4)
    if at + slot > stop:
        return stop
    raw = state(sheet.life, sheet.world, sheet.time_s, int(sheet.shape.integers(3, min(1 << bits, 12))))
    sheet.put(field_at(at + (slot - bits if order == "big" else 0), bits, order), "state", raw, under, rows)
    return at + slot


def _constant(
    sheet: Sheet, at: int, stop: int, order: ByteOrder, under: Selector | None, rows: NDArray[np.bool_] | None
) -> int:
    at = _up(at, 8)
    if at + 8 > stop:
        return stop
    sheet.put(field_at(at, 8, order), "constant", int(sheet.life.choice([0, 0xFF, 1, 0x55, 0x7F, 0x20])), under, rows)
    return at + 8


def _gap(
    sheet: Sheet, at: int, stop: int, _order: ByteOrder, _under: Selector | None, _rows: NDArray[np.bool_] | None
) -> int:
    return min(stop, _up(at + 1, 8 if sheet.shape.random() < 0.7 else 4))


_PUTTERS: Final = {
    "number": put_number,
    "states": _states,
    "flags": _flags,
    "mode": _mode,
    "constant": _constant,
    "gap": _gap,
}


def put_noise(sheet: Sheet, first: int, end: int) -> None:
    """Fill bytes as encryption does: each is a field of its own that follows nothing."""
    for byte in range(first, end):
        raw = sheet.life.integers(0, 256, len(sheet.time_s))
        sheet.put(field_at(8 * byte, 8, "little"), "unknown", raw)


def put_text(sheet: Sheet, first: int, end: int, under: Selector | None, rows: NDArray[np.bool_] | None) -> None:
    """Fill bytes with letters and digits that never change."""
    letters = sheet.life.choice(LETTERS, end - first)
    raw = int.from_bytes(letters.tobytes(), "big")
    sheet.put(field_at(8 * first, 8 * (end - first), "big"), "text", raw, under, rows)


def _up(at: int, to: int) -> int:
    return -(-at // to) * to
