"""Signals cut from the frames of one message: which frames have a sample, and what its value is."""

import struct
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from decoder.bits import Field, field_of_frame
from decoder.maps.plan import Pages, extract, values
from decoder.maps.signal_map import Message, Page, Signal
from tests.strategies import layouts, payloads


def message(*signals, length=8):
    return Message("Msg", 0x123, extended=False, length=length, signals=tuple(signals))


def cut(of_message, rows, pages=None):
    width = max(8, *(len(row) for row in rows)) if rows else 8
    data = np.zeros((len(rows), width), np.uint8)
    for number, row in enumerate(rows):
        data[number, : len(row)] = list(row)
    length = np.array([len(row) for row in rows], np.uint8)
    return {s.signal.name: s for s in extract(of_message, data, length, pages)}


def slowly(signals, payload):
    """Frame by frame: a signal has a sample if it fits and every multiplexor above it says so."""
    by_name = {signal.name: signal for signal in signals}

    def raw(signal):
        if len(payload) <= signal.field.last_byte:
            return None
        if signal.page is not None:
            selector = raw(by_name[signal.page.multiplexor])
            if selector is None or selector not in signal.page:
                return None
        return field_of_frame(payload, signal.field)

    return {name: found for name, signal in by_name.items() if (found := raw(signal)) is not None}


_RANGES = st.lists(st.tuples(st.integers(0, 15), st.integers(0, 5)).map(lambda r: (r[0], r[0] + r[1])), min_size=1)


@given(
    st.tuples(_RANGES, _RANGES, _RANGES, _RANGES),
    st.lists(st.tuples(st.integers(0, 15), st.integers(0, 15), st.integers(0, 5)), min_size=1, max_size=20),
)
def test_nested_pages_equal_a_walk_frame_by_frame(ranges, frames):
    signals = [
        Signal("S0", Field(0, 4), is_multiplexor=True),
        Signal("S1", Field(8, 8), is_multiplexor=True, page=Page("S0", tuple(ranges[0]))),
        Signal("Deep", Field(16, 16), page=Page("S1", tuple(ranges[1]))),
        Signal("Also", Field(16, 8), page=Page("S1", tuple(ranges[2]))),
        Signal("Span", Field(32, 8), page=Page("S0", tuple(ranges[3]))),
        Signal("Plain", Field(0, 8)),
    ]
    rows = [bytes([s0, s1, 7, 8, 9, 10])[:length] for s0, s1, length in frames]
    found = cut(message(*signals), rows)
    for number, row in enumerate(rows):
        ours = {
            name: int(samples.raw[samples.rows.tolist().index(number)])
            for name, samples in found.items()
            if number in samples.rows
        }
        assert ours == slowly(signals, row)


@given(layouts(), payloads())
def test_every_raw_value_is_that_of_the_single_frame(rows, frames):
    signals = [
        Signal(
            name,
            field,
            is_multiplexor=name == "Page",
            page=Page("Page", tuple((v, v) for v in page)) if page else None,
        )
        for name, field, _, _, _, page in rows
    ]
    found = cut(message(*signals), frames)
    for number, payload in enumerate(frames):
        for name, raw in slowly(signals, payload).items():
            assert int(found[name].raw[found[name].rows.tolist().index(number)]) == raw


def test_unknown_values_of_outer_and_inner_multiplexors_are_counted_apart():
    signals = [
        Signal("S0", Field(0, 4), is_multiplexor=True),
        Signal("S1", Field(8, 8), is_multiplexor=True, page=Page("S0", ((1, 1),))),
        Signal("Deep", Field(16, 8), page=Page("S1", ((2, 2),))),
    ]
    pages = Pages()
    cut(message(*signals), [b"\1\2\0", b"\1\3\0", b"\1\3\0", b"\5\2\0"], pages)
    assert pages.unknown == {"S0": {5: 1}, "S1": {3: 2}}


def test_a_message_without_frames_gives_empty_columns():
    found = cut(message(Signal("A", Field(0, 8)), Signal("B", Field(8, 8))), [])
    assert [len(samples.raw) for samples in found.values()] == [0, 0]


def test_a_signal_beyond_the_widest_frame_has_no_samples():
    found = cut(message(Signal("Far", Field(100, 8)), length=64), [bytes(8)])
    assert len(found["Far"].rows) == 0


@given(
    st.integers(1, 64),
    st.booleans(),
    st.integers(-(2**40), 2**40).filter(bool),
    st.integers(-(2**40), 2**40),
    st.binary(min_size=8, max_size=8),
)
def test_whole_scales_never_lose_a_digit(length, signed, scale, offset, payload):
    signal = Signal("A", Field(0, length, signed=signed), scale, offset)
    (samples,) = cut(message(signal), [payload]).values()
    exact = field_of_frame(payload, signal.field) * scale + offset
    assert int(values(signal, samples.raw)[0]) == exact


@pytest.mark.parametrize(("raw", "value"), [(3651, 3.651), (1, 0.001), (0, 0.0)])
def test_decimal_scales_give_the_double_that_python_gives(raw, value):
    signal = Signal("A", Field(0, 16), 0.001)
    assert values(signal, np.array([raw]))[0] == raw * 0.001
    assert abs(Fraction(raw * 0.001) - Fraction(value)) < Fraction(1, 10**15)


def test_a_float_that_scaling_makes_too_large_is_infinite_as_in_python():
    signal = Signal("S", Field(0, 64), scale=713, is_float=True)
    largest = np.array([struct.unpack("<q", struct.pack("<d", 1.7e308))[0]])
    assert values(signal, largest).tolist() == [1.7e308 * 713] == [np.inf]
