"""Lines of messages are read back as the same frames, by our reader and by python-can's."""

from __future__ import annotations

import io
import math

import can
import pytest
from hypothesis import given
from hypothesis import strategies as st

from decoder.capture.blocks import parse_block
from decoder.capture.lines import read_line
from decoder.capture.live.candump_lines import LineMaker, bus_name_of
from decoder.frames import BIT_RATE_SWITCH, ERROR, ERROR_STATE, EXTENDED, FD, FD_SIZES, REMOTE, TRANSMITTED

ARRIVED_S = 1_800_000_000.5


@st.composite
def messages(draw):
    """Any frame that python-can can give: data, remote, CAN FD, error; sent by this computer or not."""
    kind = draw(st.sampled_from(["data", "data", "remote", "fd", "error"]))
    extended = draw(st.booleans())
    said = {
        "timestamp": draw(st.integers(1, 4_000_000_000_000_000)) / 1e6,
        "is_extended_id": extended,
        "arbitration_id": draw(st.integers(0, 0x1FFFFFFF if extended else 0x7FF)),
        "channel": draw(st.sampled_from(["can0", "vcan12", 0, None])),
        "is_rx": draw(st.booleans()),
    }
    if kind == "remote":
        return can.Message(**said, is_remote_frame=True, dlc=draw(st.integers(0, 8)))
    if kind == "fd":
        data = bytes(draw(st.lists(st.integers(0, 255), min_size=64, max_size=64)))[: draw(st.sampled_from(FD_SIZES))]
        switch, state = draw(st.booleans()), draw(st.booleans())
        return can.Message(**said, data=data, is_fd=True, bitrate_switch=switch, error_state_indicator=state)
    if kind == "error":
        said |= {"arbitration_id": draw(st.integers(0, 0x3FF)), "is_extended_id": False, "is_rx": True}
        return can.Message(**said, data=draw(st.binary(min_size=8, max_size=8)), is_error_frame=True)
    return can.Message(**said, data=draw(st.binary(max_size=8)))


def flags_of(message):
    """What `Frames.flags` is to say, from the words of python-can."""
    return (
        EXTENDED * (message.is_extended_id and not message.is_error_frame)
        | REMOTE * message.is_remote_frame
        | ERROR * message.is_error_frame
        | FD * message.is_fd
        | BIT_RATE_SWITCH * message.bitrate_switch
        | ERROR_STATE * message.error_state_indicator
        | TRANSMITTED * (not message.is_rx)
    )


def assert_same(frames, sent):
    """Hold columns (of a block or of `Frames`) and messages side by side."""
    assert [int(can_id) for can_id in frames.can_id] == [one.arbitration_id for one in sent]
    assert [int(flag) for flag in frames.flags] == [flags_of(one) for one in sent]
    assert [int(length) for length in frames.length] == [one.dlc for one in sent]
    for row, one in enumerate(sent):
        assert frames.data[row, : one.dlc if not one.is_remote_frame else 0].tobytes() == bytes(one.data)


@given(st.lists(messages(), min_size=1, max_size=20))
def test_every_kind_of_frame_is_read_back_exactly(sent):
    maker = LineMaker("can0")
    text = maker.lines(sent, ARRIVED_S)
    block = parse_block(text, 1)
    assert not block.skipped
    assert not block.notes
    assert_same(block, sent)
    assert [int(ns) for ns in block.stamp_ns] == [round(one.timestamp * 1e6) * 1000 for one in sent]
    assert maker.odd_stamps == maker.unreadable == 0


@given(st.lists(messages(), min_size=1, max_size=20))
def test_python_can_reads_them_too(sent):
    class KeptOpen(io.StringIO):
        def close(self):
            pass

    sent = [one for one in sent if not one.is_error_frame]
    text = LineMaker("can0").lines(sent, ARRIVED_S).decode()
    theirs = list(can.CanutilsLogReader(KeptOpen(text)))
    assert len(theirs) == len(sent)
    for read, one in zip(theirs, sent, strict=True):
        assert read.equals(one, timestamp_delta=1e-6, check_channel=False, check_direction=False)


def test_an_error_frame_is_a_line_as_the_tools_of_the_kernel_write_it():
    error = can.Message(
        timestamp=1_700_000_000.123456,
        arbitration_id=0x204,
        is_extended_id=False,
        is_error_frame=True,
        data=bytes.fromhex("0030000000008781"),
    )
    line = LineMaker("can0").lines([error], ARRIVED_S)
    assert line == b"(1700000000.123456) can0 20000204#0030000000008781\n"


def test_a_raw_length_code_stands_behind_eight_bytes():
    odd = can.Message(timestamp=1.0, arbitration_id=0x321, is_extended_id=False, data=bytes(8), dlc=11)
    far = can.Message(timestamp=1.0, arbitration_id=0x1ABCDE, is_remote_frame=True, dlc=12)
    assert LineMaker("can0").lines([odd, far], ARRIVED_S) == (
        b"(0000000001.000000) can0 321#0000000000000000_B\n(0000000001.000000) can0 001ABCDE#R8_C\n"
    )


@pytest.mark.parametrize("stamp", [0.0, -1.0, math.nan, math.inf, -math.inf, 1e12])
def test_a_stamp_that_is_none_becomes_the_time_of_arrival(stamp):
    maker = LineMaker("can0")
    line = maker.lines([can.Message(timestamp=stamp, arbitration_id=1)], ARRIVED_S)
    assert line == b"(1800000000.500000) can0 00000001#\n"
    assert maker.odd_stamps == 1


def test_a_message_with_something_missing_is_counted_and_costs_no_other():
    broken = can.Message(arbitration_id=1)
    broken.timestamp = None
    maker = LineMaker("can0")
    lines = maker.lines([can.Message(timestamp=1.0), broken, can.Message(timestamp=2.0)], ARRIVED_S)
    assert lines.count(b"\n") == 2
    assert maker.unreadable == 1


def test_a_standard_identifier_that_is_too_large_still_makes_a_line_that_can_be_read():
    line = LineMaker("can0").lines([can.Message(timestamp=1.0, arbitration_id=0x12345, is_extended_id=False)], 0.0)
    assert read_line(line.decode()).can_id == 0x12345


@given(st.one_of(st.text(), st.integers(0, 99), st.binary()))
def test_any_channel_makes_a_bus_name_that_the_reader_takes(channel):
    name = bus_name_of(channel)
    assert read_line(f"(1700000000.000000) {name} 123#00").bus == name


def test_bus_names_say_what_the_channel_is():
    names = [bus_name_of(channel) for channel in (0, "can1", "/dev/ttyUSB0", "\\\\.\\COM12", "a b")]
    assert names == ["can0", "can1", "ttyUSB0", "COM12", "a_b"]
