"""Calculates a check again from what was found out about it, with `crccheck` and plain sums."""

from __future__ import annotations

from typing import TYPE_CHECKING

from crccheck import crc as catalogue

from decoder.bits import field_of_frame

if TYPE_CHECKING:
    from decoder.discovery.checks.check import Check


def is_right(check: Check, payload: bytes) -> bool:
    """Tell whether the CRC of `payload` is what the form, parameters and covered bytes of `check` say."""
    told = check.parameters
    size = check.field.length // 8
    constants = dict(told.constants)
    data = bytearray(payload[byte] for byte in check.covers)
    if told.zeroed:
        for byte in range(check.field.first_byte, check.field.first_byte + size):
            data[check.covers.index(byte)] = 0
    data = told.hidden_before + bytes(data) + told.hidden_behind
    extra = constants[field_of_frame(payload, told.counter)] if told.counter is not None else 0
    crc = catalogue.Crc(
        told.width, told.polynomial, told.initial, told.reflected, told.reflected, told.final_xor ^ extra
    )
    return crc.calc(data) == field_of_frame(payload, check.field)


def damaged_of(check: Check, data) -> set[int]:
    """Give the rows in which the CRC is not what is said of it."""
    known: dict[bytes, bool] = {}
    wrong = set()
    for number, row in enumerate(data):
        payload = row.tobytes()
        if payload not in known:
            known[payload] = is_right(check, payload)
        if not known[payload]:
            wrong.add(number)
    return wrong
