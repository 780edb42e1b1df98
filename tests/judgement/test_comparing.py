"""Two captures are compared place by place, and only what both can tell apart is called a difference."""

import struct

import numpy as np
import pytest

from decoder.bits import Field
from decoder.channels import decode
from decoder.judgement.comparing import compare
from decoder.maps.pack_sheet import ChannelRule, Limits, PackSheet, Place
from decoder.maps.signal_map import Message, Signal, SignalMap
from tests.building import capture, one_message
from tests.judgement.cells.test_spreads import steady
from tests.judgement.driven_packs import GRID_S, DrivenPack

CELLS = 16
WEAK = 5


def pulses(seconds=120, ampere=80.0):
    """Rest, and a pulse of 15 s in every 40."""
    time_s = np.arange(0, seconds, GRID_S)
    return np.where((time_s % 40 > 20) & (time_s % 40 < 35), ampere, 0.0)


def pack(*, ohm=0.001, offset_v=0.0, **more):
    ohms, level = np.full(CELLS, 0.001), np.full(CELLS, 3.7)
    ohms[WEAK], level[WEAK] = ohm, 3.7 + offset_v
    return DrivenPack(pulses(), ohms, level_v=level, noise_v=0.0003, **more).channels()


def told(comparison, verdict):
    return {(one.what, one.place) for one in comparison.differences if one.verdict == verdict}


def test_a_pack_is_the_same_as_itself():
    channels = pack()
    comparison = compare(channels, channels)
    assert comparison.differences
    assert {one.verdict for one in comparison.differences} == {"same"}
    assert comparison.gone == comparison.new == ()


def test_noise_is_no_difference():
    comparison = compare(pack(seed=1), pack(seed=2))
    assert not told(comparison, "better")
    assert not told(comparison, "worse")


def test_a_renewed_cell_is_better_at_its_place_and_its_finding_is_gone():
    before, after = pack(ohm=0.0025, seed=1), pack(seed=2)
    place = next(one for one in compare(before, after).differences if one.verdict == "better").place
    comparison = compare(before, after)
    better = told(comparison, "better")
    assert {where for what, where in better if what.startswith("resistance")} == {place}
    assert place.cell is not None
    assert not told(comparison, "worse")
    assert [(one.code, one.place) for one in comparison.gone] == [("cell-resistance", place)]
    ohms = {one.what: (one.first, one.second) for one in comparison.differences if one.place == place}
    assert ohms["resistance after 1 s"] == (pytest.approx(2.5, rel=0.1), pytest.approx(1.0, rel=0.1))


def test_the_other_way_round_it_is_worse_and_the_finding_is_new():
    comparison = compare(pack(seed=2), pack(ohm=0.0025, seed=1))
    assert {what for what, _ in told(comparison, "worse")} >= {"resistance after 1 s", "resistance after 10 s"}
    assert not told(comparison, "better")
    assert [one.code for one in comparison.new] == ["cell-resistance"]


def test_a_cell_that_was_balanced_is_better_whichever_way_it_was_off():
    for offset_v in (-0.030, 0.030):
        comparison = compare(steady((0, 0, round(offset_v * 1000), 0)), steady((0, 0, 0, 0)))
        assert ("off the median cell at rest", Place(module=1, cell=3)) in told(comparison, "better")
        assert ("spread at rest", Place(module=1)) in told(comparison, "better")
        assert not told(comparison, "worse")


def test_findings_in_both_stay():
    odd = (0, 0, -60, 0)
    comparison = compare(steady(odd), steady(odd, count=60))
    assert comparison.stayed
    assert comparison.gone == comparison.new == ()


def stale_pair(silent):
    signals = [(0x100 + at, name) for at, name in enumerate("AB")]
    rows = [
        (i / 10 + at / 100, can_id, b"\1")
        for i in range(300)
        for at, (can_id, name) in enumerate(signals)
        if name != silent or not 100 <= i < 200
    ]
    messages = [Message(name, can_id, False, 1, (Signal(name, Field(0, 8)),)) for can_id, name in signals]
    return decode(capture(rows), SignalMap(tuple(messages)))


def test_without_a_place_the_channel_tells_findings_apart():
    comparison = compare(stale_pair("A"), stale_pair("B"))
    assert [one.channel for one in comparison.gone] == ["A"]
    assert [one.channel for one in comparison.new] == ["B"]
    assert comparison.stayed == ()


def test_a_value_without_end_is_not_compared():
    hot = Signal("Temp_1", Field(0, 32), unit="degC", is_float=True)
    rows = [(i / 10, 0x123, struct.pack("<f", float("inf"))) for i in range(50)]
    channels = decode(capture(rows), one_message([hot], length=4))
    assert channels.of("cell temperature", "module temperature")
    assert compare(channels, channels).differences == ()


def test_what_only_one_side_has_is_neither_better_nor_worse():
    comparison = compare(steady((0, 0, 0, 0)), decode(capture([(0, 0x9, b"\0")]), SignalMap()))
    assert comparison.differences
    assert {one.verdict for one in comparison.differences} == {"unknown"}
    assert all(one.second is None for one in comparison.differences)


def test_each_side_is_judged_by_its_own_sheet():
    narrow = PackSheet(limits=Limits(module_spread_v=0.010))
    comparison = compare(steady((0, 0, -20, 0)), steady((0, 0, -20, 0), sheet=narrow))
    assert comparison.new
    assert not comparison.gone


def test_a_cell_that_is_as_far_off_on_the_other_side_has_changed():
    comparison = compare(steady((0, 0, 30, 0)), steady((0, 0, -30, 0)))
    assert told(comparison, "changed") == {("off the median cell at rest", Place(module=1, cell=3))}


def test_channels_without_a_place_are_told_apart_by_name():
    names = ("Warm_degC", "Cold_degC")
    signals = [
        Signal(name, Field(8 * n, 8), 1, -40, unit="degC", minimum=-40, maximum=100) for n, name in enumerate(names)
    ]
    sheet = PackSheet(rules=tuple(ChannelRule(name, "module temperature") for name in names))

    def side(warm):
        rows = [(n * 0.1, 0x123, bytes([warm + 40, 60])) for n in range(30)]
        return decode(capture(rows), one_message(signals, length=2), sheet)

    comparison = compare(side(30), side(50))
    assert [(one.what, one.first, one.second, one.verdict) for one in comparison.differences] == [
        ("temperature, the median (Cold_degC)", 20.0, 20.0, "same"),
        ("temperature, the median (Warm_degC)", 30.0, 50.0, "changed"),
    ]
