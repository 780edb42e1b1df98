"""Absent values at the edges of what 64 bits and signs allow; counts over two buses; whose cycle time counts."""

import numpy as np
import pytest

from decoder.bits import Field
from decoder.channels import State, decode
from decoder.judgement import judge
from decoder.maps.pack_sheet import ChannelRule, PackSheet
from decoder.maps.signal_map import Message, Page, Signal, SignalMap
from tests.building import capture, one_message


def series_of(signal, payloads, sheet=None, **message):
    frames = capture([(i / 10, 0x123, payload) for i, payload in enumerate(payloads)])
    return decode(frames, one_message([signal], length=8, **message), sheet)[signal.name]


def absent(series):
    return np.flatnonzero(series.state == State.ABSENT).tolist()


def raw64(*numbers):
    return [number.to_bytes(8, "little") for number in numbers]


def test_an_absent_sample_beside_integers_beyond_53_bits_is_none_and_the_others_stay_exact():
    signal = Signal("Serial", Field(0, 64), labels={2**64 - 1: "not available"})
    series = series_of(signal, raw64(2**64 - 2, 2**64 - 1, 5))
    assert series.value.tolist() == [2**64 - 2, None, 5]
    assert series.raw.tolist() == [2**64 - 2, 2**64 - 1, 5]
    assert np.isnan(series.number[1])


def test_absent_64_bit_values_are_told_from_their_neighbours():
    """As doubles 2**64 - 2 and 2**64 - 1 are one number."""
    sheet = PackSheet(rules=(ChannelRule("Serial", absent=(3, 2**64 - 1)),))
    assert absent(series_of(Signal("Serial", Field(0, 64)), raw64(2**64 - 2, 2**64 - 1, 3, 2), sheet)) == [1, 2]


def test_a_signed_value_is_absent_by_its_bits_too():
    signal = Signal("Xyz", Field(0, 16, signed=True))
    payloads = [b"\xff\xff" + bytes(6), bytes(8), b"\x00\x80" + bytes(6)]
    for given in (65535, -1):
        sheet = PackSheet(rules=(ChannelRule("Xyz", absent=(given,)),))
        assert absent(series_of(signal, payloads, sheet)) == [0]
    assert absent(series_of(Signal("Xyz", signal.field, labels={0x8000: "SNA"}), payloads)) == [2]


def test_an_absent_integer_makes_its_column_nan_and_no_other_number_changes():
    signal = Signal("Xyz", Field(0, 8), labels={255: "SNA"})
    series = series_of(signal, [bytes([v]) + bytes(7) for v in (1, 255, 254)])
    assert series.value.dtype == np.float64
    assert np.array_equal(series.value, [1, np.nan, 254], equal_nan=True)


def test_an_all_ones_float_is_absent():
    assert absent(series_of(Signal("Xyz", Field(0, 32), is_float=True), [b"\xff" * 4 + bytes(4), bytes(8)])) == [0]


@pytest.mark.parametrize(("bits", "first_error"), [(8, 0xFE), (16, 0xFE00), (32, 0xFE000000)])
def test_the_j1939_ranges_for_errors_and_not_available(bits, first_error):
    signal = Signal("Xyz", Field(0, bits), maximum=float(first_error - 1))
    payloads = raw64(first_error - 1, first_error, (1 << bits) - 1)
    assert absent(series_of(signal, payloads, is_j1939=True)) == [1, 2]
    assert absent(series_of(signal, payloads)) == [2]


def test_a_true_end_of_range_of_seven_bits_is_kept_even_outside_the_maps_range():
    series = series_of(Signal("Xyz", Field(0, 7), maximum=100.0), [b"\x7f" + bytes(7), bytes(8)])
    assert absent(series) == []
    assert series.value[0] == 127


def test_unknown_pages_of_two_buses_are_counted_together():
    signals = [Signal("Page", Field(0, 8), is_multiplexor=True), Signal("A", Field(8, 8), page=Page("Page", ((0, 0),)))]
    frames = capture([(0, 0x123, b"\7\0", 0), (1, 0x123, b"\7\0", 1), (2, 0x123, b"\7\0", 1)], ("can0", "can1"))
    assert decode(frames, one_message(signals, length=2)).account.unknown_pages == {("Msg", "Page", 7): 3}


def test_every_frame_is_counted_once():
    rows = [(0, 0x123, b"\1"), (1, 0x77, b""), (2, 0x123, b"", 0, 2), (3, 0x20, b"", 0, 4), (4, 0x20, b"", 0, 6)]
    account = decode(capture(rows), one_message([Signal("A", Field(0, 8))], length=1)).account
    assert (account.decoded_frames, account.remote_frames, account.error_frames) == (1, 1, 2)
    assert account.unknown_identifiers == {("can0", 0x77, False): 1}
    assert account.unseen == ()


def test_one_number_with_11_and_with_29_bits_is_two_messages():
    def message(name, *, extended):
        return Message(name, 0x123, extended=extended, length=1, signals=(Signal(name, Field(0, 8)),))

    frames = capture([(0, 0x123, b"\1"), (1, 0x123, b"\2", 0, 1)])
    channels = decode(frames, SignalMap((message("Short", extended=False), message("Long", extended=True))))
    assert (channels["Short"].value.tolist(), channels["Long"].value.tolist()) == ([1], [2])


def test_all_64_bytes_of_an_fd_frame_are_reached():
    signals = [Signal(f"Byte_{n}", Field(8 * n, 8)) for n in range(64)]
    channels = decode(capture([(0, 0x123, bytes(range(64)))]), one_message(signals, length=64))
    assert [int(series.value[0]) for series in channels.values()] == list(range(64))


def test_the_sheets_cycle_time_counts_before_the_maps_and_the_maps_not_for_pages():
    signals = [
        Signal("Page", Field(0, 8), is_multiplexor=True),
        Signal("A", Field(8, 8), page=Page("Page", ((0, 0),))),
        Signal("B", Field(16, 8)),
    ]
    sheet = PackSheet(rules=(ChannelRule("B", cycle_s=3.0),))
    frames = capture([(i, 0x123, bytes([i % 2, 0, 0])) for i in range(12)])
    channels = decode(frames, one_message(signals, length=3, cycle_s=1.0), sheet)
    assert [channels[name].cycle_s for name in ("Page", "A", "B")] == [1.0, 2.0, 3.0]


@pytest.mark.parametrize("wake_up", [b"\xff", b"\0"])
def test_a_sensor_is_stuck_also_if_it_was_not_available_at_wake_up(wake_up):
    signals = [Signal(f"Temp_{n + 1}_1", Field(8 * n, 8), 0.5, -40, "degC", labels={0: "SNA"}) for n in range(4)]
    rows = [
        (i / 10, 0x123, wake_up * 4 if i < 5 else bytes([120, 120 + i // 5, 121 + i // 5, 122 + i // 5]))
        for i in range(60)
    ]
    channels = decode(capture(rows), one_message(signals, length=4))
    assert [series.stuck for series in channels.values()] == [True, False, False, False]


def test_infinity_stays_the_value_but_measures_nothing():
    signals = [Signal(f"Cell_1_{n + 1}_V", Field(32 * n, 32), unit="V", is_float=True) for n in range(2)]
    volts = [(3.7, 3.7), (np.inf, 3.7), (-np.inf, 3.7)] * 10
    rows = [(n * 0.1, 0x123, np.array(pair, "<f4").tobytes()) for n, pair in enumerate(volts)]
    channels = decode(capture(rows), one_message(signals, length=8))
    cell = channels["Cell_1_1_V"]
    assert np.isinf(cell.number).sum() == 20
    assert np.isnan(cell.in_quantity_unit).sum() == 20
    assert all(one.value is None or np.isfinite(one.value) for one in judge(channels).findings)
