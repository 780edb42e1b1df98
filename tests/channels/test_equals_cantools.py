"""Every sample equals what cantools gives for the same frame, to the last bit."""

import math

import cantools
import pytest
from cantools.database.conversion import BaseConversion
from hypothesis import given, settings

from decoder.bits import Field
from decoder.channels import decode
from decoder.maps.pack_sheet import ChannelRule, PackSheet
from decoder.maps.signal_map import Page, Signal
from tests.building import capture, one_message
from tests.strategies import layouts, payloads

# Absent values are judged elsewhere: here every raw value counts.
ALL_COUNT = PackSheet(rules=(ChannelRule(match="*", absent=()),))


def our_map(rows, length):
    return one_message(
        [
            Signal(
                name=name,
                field=field,
                scale=scale,
                offset=offset,
                is_float=is_float,
                is_multiplexor=name == "Page",
                page=Page("Page", tuple((value, value) for value in page)) if page else None,
            )
            for name, field, is_float, scale, offset, page in rows
        ],
        length=length,
    )


def their_message(rows, length):
    signals = [
        cantools.database.can.Signal(
            name,
            field.start,
            field.length,
            "little_endian" if field.byte_order == "little" else "big_endian",
            is_signed=field.signed,
            conversion=BaseConversion.factory(scale=scale, offset=offset, is_float=is_float),
            is_multiplexer=name == "Page",
            multiplexer_ids=list(page) if page else None,
            multiplexer_signal="Page" if page else None,
        )
        for name, field, is_float, scale, offset, page in rows
    ]
    return cantools.database.can.Message(0x123, "Msg", length, signals, strict=False)


def theirs(rows, length, payload):
    """What cantools decodes, signal by signal: it cannot decode signals that overlap in one message.

    A page that its map does not know makes it refuse the frame; then there is no sample of a paged signal.
    """
    selector = [row for row in rows if row[0] == "Page"]
    decoded = {}
    for row in rows:
        alone = [*selector, row] if row[5] is not None else [row]
        try:
            found = their_message(alone, length).decode(payload, decode_choices=False, allow_truncated=True)
        except cantools.database.DecodeError as error:
            assert "expected multiplexer id" in str(error)
            continue
        decoded.update(found)
    return decoded


def same(ours, expected):
    if isinstance(expected, float) and math.isnan(expected):
        return math.isnan(ours)
    return ours == expected and math.copysign(1, ours) == math.copysign(1, expected)


def compare(rows, frames_payloads, length):
    frames = capture([(i * 0.01, 0x123, p) for i, p in enumerate(frames_payloads)])
    channels = decode(frames, our_map(rows, length), ALL_COUNT)
    ours = [{} for _ in frames_payloads]
    for name, series in channels.items():
        for row, value in zip(series.rows, series.value.tolist(), strict=True):
            ours[row][name] = value
    compared = 0
    for got, payload in zip(ours, frames_payloads, strict=True):
        expected = theirs(rows, length, payload)
        assert got.keys() == expected.keys()
        for name, value in expected.items():
            assert same(got[name], value), (name, got[name], value)
            compared += 1
    return compared


@settings(max_examples=400)
@given(rows=layouts(), frames_payloads=payloads())
def test_classic_frames(rows, frames_payloads):
    compare(rows, frames_payloads, 8)


@settings(max_examples=100)
@given(rows=layouts(64), frames_payloads=payloads(64))
def test_fd_frames(rows, frames_payloads):
    compare(rows, frames_payloads, 64)


@pytest.mark.parametrize("signed", [False, True])
def test_64_bits_stay_exact_while_the_scale_is_1(signed):
    payload = bytes.fromhex("FEFFFFFFFFFFFF7F") if signed else bytes.fromhex("FEFFFFFFFFFFFFFF")
    rows = [("S0", Field(0, 64, signed=signed), False, 1, 0, None)]
    assert compare(rows, [payload], 8) == 1
    series = decode(capture([(0, 0x123, payload)]), our_map(rows, 8), ALL_COUNT)["S0"]
    assert int(series.value[0]) == int.from_bytes(payload, "little", signed=signed)
