"""Pages, short frames, names, limits, states."""

import numpy as np
import pytest

from decoder.bits import Field
from decoder.channels import State, decode
from decoder.channels.decoding import with_sheet
from decoder.channels.states import state_at
from decoder.errors import ChannelError, UsageError
from decoder.frames import ERROR, REMOTE
from decoder.maps.pack_sheet import ChannelRule, Limits, PackSheet
from decoder.maps.signal_map import Message, Page, Signal, SignalMap
from tests.building import capture, one_message


def hexes(*rows, can_id=0x123, step_s=0.1):
    return capture([(i * step_s, can_id, bytes.fromhex(row)) for i, row in enumerate(rows)])


NESTED = [
    Signal("S0", Field(0, 4), is_multiplexor=True),
    Signal("S1", Field(8, 8), is_multiplexor=True, page=Page("S0", ((1, 1),))),
    Signal("Deep", Field(16, 16), page=Page("S1", ((2, 2), (5, 7)))),
    Signal("Span", Field(32, 8), page=Page("S0", ((3, 4), (9, 9)))),
]


@pytest.mark.parametrize(
    ("payload", "deep", "span"),
    [
        ("0102341200000000", [4660], []),
        ("0106341200000000", [4660], []),
        ("0103341200000000", [], []),
        ("0300000077000000", [], [119]),
        ("0900000077000000", [], [119]),
        ("0500000077000000", [], []),
    ],
)
def test_nested_pages_with_ranges(payload, deep, span):
    channels = decode(hexes(payload), one_message(NESTED))
    assert channels["Deep"].value.tolist() == deep
    assert channels["Span"].value.tolist() == span


def test_a_page_that_the_map_does_not_know_keeps_the_plain_signals_and_is_counted():
    signals = [
        Signal("Page", Field(0, 8), is_multiplexor=True),
        Signal("CellA", Field(8, 16), 0.001, unit="V", page=Page("Page", ((0, 0),))),
        Signal("CellB", Field(8, 16), 0.001, unit="V", page=Page("Page", ((1, 1),))),
        Signal("Temp", Field(56, 8), 1, -40, "degC"),
    ]
    channels = decode(hexes("00100E0000000041", "01740E0000000041", "02740E0000000041"), one_message(signals))
    assert channels["CellA"].value.tolist() == [3.6]
    assert channels["CellB"].value.tolist() == [3.7]
    assert channels["Temp"].value.tolist() == [25, 25, 25]
    assert channels.account.unknown_pages == {("Msg", "Page", 2): 1}


def test_short_frames_give_what_fits_and_nothing_invented():
    signals = [Signal("A", Field(0, 8)), Signal("B", Field(8, 16))]
    channels = decode(hexes("01", "020304", "0506"), one_message(signals, length=3))
    assert channels["A"].value.tolist() == [1, 2, 5]
    assert channels["B"].rows.tolist() == [1]
    assert channels.account.short_frames == {"Msg": 2}


def test_surplus_bytes_are_counted():
    channels = decode(hexes("0102"), one_message([Signal("A", Field(0, 8))], length=1))
    assert channels.account.long_frames == {"Msg": 1}


def test_remote_and_error_frames_carry_no_samples():
    frames = capture([(0, 0x123, b"\1", 0, REMOTE), (1, 0x123, b"\2", 0, ERROR), (2, 0x123, b"\3")])
    channels = decode(frames, one_message([Signal("A", Field(0, 8))], length=1))
    assert channels["A"].value.tolist() == [3]
    assert (channels.account.remote_frames, channels.account.error_frames) == (1, 1)


def test_one_identifier_on_two_buses_is_two_channels():
    frames = capture([(0, 0x123, b"\1", 0), (1, 0x123, b"\2", 1)], ("can0", "can1"))
    signal_map = one_message([Signal("A", Field(0, 8))], length=1)
    assert list(decode(frames, signal_map)) == ["can0:A", "can1:A"]
    assert decode(frames, signal_map, bus="can1")["A"].value.tolist() == [2]
    with pytest.raises(UsageError, match="can0, can1"):
        decode(frames, signal_map, bus="can2")


def test_names_are_told_apart_by_page_message_and_number():
    paged = Message(
        "One",
        1,
        extended=False,
        length=2,
        signals=(
            Signal("Page", Field(0, 8), is_multiplexor=True),
            Signal("X", Field(8, 8), page=Page("Page", ((0, 0),))),
            Signal("X", Field(8, 8), page=Page("Page", ((1, 1),))),
        ),
    )
    other = Message("Two", 2, extended=False, length=1, signals=(Signal("Page", Field(0, 8)),))
    frames = capture([(0, 1, b"\0\5"), (1, 1, b"\1\6"), (2, 2, b"\7")])
    channels = decode(frames, SignalMap((paged, other)))
    assert list(channels) == ["One.Page", "X@0", "X@1", "Two.Page"]
    twice = decode(frames, SignalMap((other, other)))
    assert len(twice) == 1 or len(set(twice)) == 2


def test_extended_and_standard_identifiers_of_one_number_are_two():
    frames = capture([(0, 0x123, b"\1"), (1, 0x18FF50E5, b"\2")])
    frames.flags[0] |= 1  # the same number with 29 bits
    assert len(decode(frames, one_message([Signal("A", Field(0, 8))], length=1))) == 0


def test_an_unknown_channel_names_the_nearest():
    channels = decode(hexes("01"), one_message([Signal("Cell_1", Field(0, 8))], length=1))
    with pytest.raises(ChannelError, match="Cell_1"):
        channels["Cel_1"]


CELL = Signal("Cell_1_1_V", Field(0, 16), 0.001, unit="V")


def cell_states(millivolts, sheet=None, signal=CELL, step_s=0.1):
    frames = capture([(i * step_s, 0x123, int(v).to_bytes(2, "little")) for i, v in enumerate(millivolts)])
    series = decode(frames, one_message([signal], length=2), sheet)[signal.name]
    return series, [State(s).word for s in series.state]


def test_limits_are_inclusive_and_scaling_dust_does_not_count():
    sheet = PackSheet(rules=(ChannelRule("Cell*", quantity="cell voltage", low=2.8, high=4.2),))
    _, states = cell_states([2800, 4200, 2799, 4201], sheet)
    assert states == ["ok", "ok", "low", "high"]


def test_limits_come_from_sheet_then_map_then_chemistry():
    mapped = Signal("Cell_1_1_V", Field(0, 16), 0.001, unit="V", minimum=3.0, maximum=4.1)
    series, _ = cell_states([3700], PackSheet(chemistry="NMC"), mapped)
    assert (series.channel.low.value, series.channel.high.value) == (3.0, 4.1)
    assert "map" in series.channel.low.source
    series, _ = cell_states([3700], PackSheet(chemistry="NMC"))
    assert (series.channel.low.value, series.channel.high.value) == (2.5, 4.2)
    assert "NMC" in series.channel.low.source
    sheet = PackSheet(chemistry="NMC", rules=(ChannelRule("Cell*", low=2.9),))
    series, _ = cell_states([3700], sheet, mapped)
    assert (series.channel.low.value, series.channel.high.value) == (2.9, 4.1)


def test_the_sheets_limits_are_in_volts_also_for_a_channel_in_millivolts():
    signal = Signal("Cell_1_1", Field(0, 16), 1, unit="mV")
    sheet = PackSheet(rules=(ChannelRule("Cell*", quantity="cell voltage", low=2.8, high=4.2),))
    series, states = cell_states([2799, 3700, 4201], sheet, signal)
    assert states == ["low", "ok", "high"]
    assert series.in_quantity_unit.tolist() == pytest.approx([2.799, 3.7, 4.201])


def test_stale_is_a_silence_of_more_than_five_cycles():
    frames = capture([(t, 0x123, b"\1") for t in (0, 0.1, 0.2, 0.3, 0.9, 1.0, 1.1)])
    series = decode(frames, one_message([Signal("A", Field(0, 8))], length=1))["A"]
    assert [State(s).word for s in series.state] == ["ok", "ok", "ok", "stale", "ok", "ok", "ok"]
    first = int(series.time_ns[3])
    assert state_at(series, first + 400_000_000) is State.OK
    assert state_at(series, first + 550_000_000) is State.STALE
    assert state_at(series, -1) is State.ABSENT


def test_the_maps_cycle_time_counts_before_the_measured_one():
    frames = capture([(t, 0x123, b"\1") for t in (0, 1, 2, 3)])
    series = decode(frames, one_message([Signal("A", Field(0, 8))], length=1, cycle_s=0.1))["A"]
    assert [State(s).word for s in series.state] == ["stale", "stale", "stale", "ok"]


def temperatures(count, moving):
    signals = [Signal(f"Temp_{n + 1}_1", Field(8 * n, 8), 0.5, -40, "degC") for n in range(4)]
    rows = []
    for i in range(count):
        values = [120, *(120 + (i // 5 if moving else 0) + n for n in range(3))]
        rows.append((i * 0.1, 0x123, bytes(values)))
    return decode(capture(rows), one_message(signals, length=4))


def test_a_sensor_that_rests_while_its_siblings_move_is_stuck():
    assert [s.stuck for s in temperatures(50, moving=True).values()] == [True, False, False, False]


def test_nothing_is_stuck_while_all_rest():
    assert not any(s.stuck for s in temperatures(50, moving=False).values())


def test_another_sheet_changes_limits_and_nothing_else():
    frames = capture([(i * 0.1, 0x123, (3700).to_bytes(2, "little")) for i in range(3)])
    channels = decode(frames, one_message([CELL], length=2))
    changed = with_sheet(channels, PackSheet(rules=(ChannelRule("Cell*", high=3.6),)))
    assert [State(s).word for s in changed["Cell_1_1_V"].state] == ["high"] * 3
    assert np.array_equal(changed["Cell_1_1_V"].value, channels["Cell_1_1_V"].value)


def test_supply_limits_come_from_the_limits_table():
    signal = Signal("Supply_12V", Field(0, 16), 0.001, unit="V")
    series, states = cell_states([9500], PackSheet(limits=Limits(supply_low_v=10.0)), signal)
    assert series.channel.quantity == "supply voltage"
    assert states == ["low"]
