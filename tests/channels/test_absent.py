"""What means 'not available', and what is a measurement."""

import math

import numpy as np
import pytest

from decoder.bits import Field
from decoder.channels import State, decode
from decoder.channels.absent import says_absent
from decoder.maps.pack_sheet import ChannelRule, PackSheet
from decoder.maps.signal_map import Signal
from tests.building import capture, one_message


def byte_series(values, sheet=None, name="Module_Temp_1", step_s=0.1, **signal):
    fields = {"field": Field(0, 8), "scale": 0.5, "offset": -40, "unit": "degC", **signal}
    frames = capture([(i * step_s, 0x123, bytes([v, 0, 0, 0, 0, 0, 0, 0])) for i, v in enumerate(values)])
    return decode(frames, one_message([Signal(name, **fields)]), sheet)[name]


def absent(series):
    return np.flatnonzero(series.state == State.ABSENT).tolist()


@pytest.mark.parametrize(
    "word",
    ["not available", "Not_Available", "SNA", "N/A", "invalid", "Signal not available", "unavailable", "no data"],
)
def test_labels_that_say_absent(word):
    assert says_absent(word)


@pytest.mark.parametrize("word", ["open", "closed", "not closed", "available", "nominal", "valid", "initial"])
def test_labels_that_do_not(word):
    assert not says_absent(word)


def test_a_label_makes_a_raw_value_absent_also_in_a_short_field():
    series = byte_series([0, 3, 1], field=Field(0, 2), scale=1, offset=0, unit="", labels={3: "not available"})
    assert absent(series) == [1]


def test_all_ones_outside_the_maps_range_is_absent_and_keeps_its_raw_value():
    series = byte_series([100, 255, 100], minimum=-40.0, maximum=80.0)
    assert absent(series) == [1]
    assert series.raw.tolist() == [100, 255, 100]
    assert math.isnan(series.value[1])


def test_all_ones_outside_what_the_quantity_can_be_is_absent():
    series = byte_series([90, 255], name="StateOfCharge", scale=0.5, offset=0, unit="%")
    assert series.channel.quantity == "state of charge"
    assert absent(series) == [1]


def test_a_range_that_every_raw_value_fulfils_says_nothing():
    series = byte_series([90, 255], name="StateOfCharge", scale=0.5, offset=0, unit="%", minimum=0, maximum=127.5)
    assert absent(series) == [1]


def test_a_start_value_left_in_one_impossible_step_is_absent():
    assert absent(byte_series([255, 255, 120, 121])) == [0, 1]


def test_a_value_reached_in_one_impossible_step_is_absent():
    assert absent(byte_series([120, 121, 255, 255])) == [2, 3]


def test_a_true_slow_rise_to_all_ones_is_kept_even_after_a_wake_up():
    rise = [*range(120, 256), 254, 253]
    series = byte_series([255, 255, *rise])
    assert absent(series) == [0, 1]
    assert series.value[2 + rise.index(255)] == 87.5


def test_short_fields_counters_and_nameless_channels_keep_their_value():
    assert absent(byte_series([1, 127, 1], field=Field(0, 7), name="Module_Temp_1")) == []
    assert absent(byte_series([254, 255, 0], name="Msg_Alive", scale=1, offset=0, unit="")) == []
    assert absent(byte_series([1, 255, 1], name="Xyz", scale=1, offset=0, unit="")) == []


def test_the_sheet_adds_raw_values_and_an_empty_list_switches_off():
    with_more = PackSheet(rules=(ChannelRule("Module_Temp_1", absent=(0,)),))
    assert absent(byte_series([0, 120, 121], with_more)) == [0]
    off = PackSheet(rules=(ChannelRule("Module_Temp_1", absent=()),))
    assert absent(byte_series([255, 120, 121], off)) == []


def test_the_range_for_errors_counts_only_in_a_j1939_map():
    frames = capture([(i * 0.1, 0x123, bytes([v] + [0] * 7)) for i, v in enumerate([120, 254, 120])])
    signal = Signal("Temp", Field(0, 8), 1, -40, "degC", minimum=-40.0, maximum=210.0)
    for j1939, expected in ((True, [1]), (False, [])):
        assert absent(decode(frames, one_message([signal], is_j1939=j1939))["Temp"]) == expected


def test_integers_without_absent_samples_stay_integers():
    assert byte_series([1, 2], scale=1, offset=0, unit="").value.dtype == np.int64
