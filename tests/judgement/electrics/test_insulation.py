"""Insulation in ohm a volt: two limits, voltage class B, and a monitor's settling."""

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoder.bits import Field
from decoder.channels import decode
from decoder.judgement import Severity
from decoder.judgement.electrics.insulation import insulation_findings
from decoder.maps.pack_sheet import Limits, PackSheet, Place
from decoder.maps.signal_map import Message, Signal, SignalMap
from tests.building import capture
from tests.judgement.electric_pack import ElectricPack, judged, sound_drive


def found(kohm, pack_v=400.0, seconds=30, cycle_s=0.1, sheet=None, maximum=None, **more):
    """`kohm`: a number or a function of time; more channels by name."""
    channels = {"Insulation_kohm": kohm, **more}
    signals = [Signal(name, Field(0, 16), 1, unit="kohm", maximum=maximum) for name in channels]
    messages = [Message(s.name, 0x200 + n, extended=False, length=2, signals=(s,)) for n, s in enumerate(signals)]
    messages.append(
        Message("P", 0x100, extended=False, length=2, signals=(Signal("Pack_V", Field(0, 16), 0.1, unit="V"),))
    )
    rows = []
    for i in range(int(seconds / cycle_s)):
        t = i * cycle_s
        for n, value in enumerate(channels.values()):
            now = value(t) if callable(value) else value
            rows.append((t + n / 1e4, 0x200 + n, round(now).to_bytes(2, "little")))
        if pack_v is not None:
            rows.append((t + 0.01, 0x100, round(pack_v * 10).to_bytes(2, "little")))
    return judged(insulation_findings, decode(capture(rows), SignalMap(tuple(messages)), sheet))


def test_40_kohm_at_400_v_is_the_limit_of_direct_current():
    (finding,), _ = found(39)
    assert finding.code == "insulation-low"
    assert finding.severity is Severity.DANGER
    assert (finding.value, finding.limit, finding.unit) == (pytest.approx(97.5), 100.0, "ohm/V")
    assert "the limit is 40 kohm" in finding.explanation
    assert "R100" in finding.source
    assert finding.to_ns >= 29e9
    (milder,), _ = found(40)
    assert milder.severity is Severity.CAUTION


def test_200_kohm_at_400_v_is_the_limit_where_an_ac_circuit_is_joined():
    (finding,), _ = found(199)
    assert finding.severity is Severity.CAUTION
    assert (finding.value, finding.limit) == (pytest.approx(497.5), 500.0)
    assert "a.c. circuit is joined" in finding.explanation
    assert "UN R100 5.1.3" in finding.explanation
    assert found(200) == ([], {})


def test_the_sheets_limit_counts():
    sheet = PackSheet(limits=Limits(insulation_ohm_per_v=1000))
    (finding,), _ = found(399, sheet=sheet)
    assert (finding.severity, finding.limit, finding.source) == (Severity.DANGER, 1000, "pack sheet")


def test_each_channel_is_judged_by_itself():
    findings, _ = found(5000, InsulationNegative_kohm=30, InsulationPositive_kohm=150)
    assert {(f.channel, f.place, f.severity) for f in findings} == {
        ("InsulationNegative_kohm", Place(sensor="negative"), Severity.DANGER),
        ("InsulationPositive_kohm", Place(sensor="positive"), Severity.CAUTION),
    }


def test_below_voltage_class_b_it_is_not_judged():
    findings, not_judged = found(1, pack_v=60.0)
    assert findings == []
    assert "voltage class B" in not_judged["insulation-low"]
    assert len(found(1, pack_v=60.1)[0]) == 1


def test_without_voltage_or_value_or_time_the_reason_is_told():
    assert "pack voltage" in found(1, pack_v=None)[1]["insulation-low"]
    assert "no channel" in judged(insulation_findings, sound_drive().channels())[1]["insulation-low"]
    findings, not_judged = found(1, seconds=2)
    assert findings == []
    assert "4 s" in not_judged["insulation-low"]


def test_the_sum_of_cells_stands_in_for_the_pack_voltage():
    cells = [Signal(f"Cell_1_{n + 1}_V", Field(16 * n, 16), 0.01, unit="V") for n in range(3)]
    signal = Signal("Insulation_kohm", Field(48, 16), 1, unit="kohm")
    signal_map = SignalMap((Message("M", 0x100, extended=False, length=8, signals=(*cells, signal)),))
    # Three 'cells' of 40 V make 120 V: 12 kohm are 100 ohm/V.
    rows = [(i * 0.1, 0x100, (4000).to_bytes(2, "little") * 3 + b"\x0b\x00") for i in range(100)]
    (finding,), _ = judged(insulation_findings, decode(capture(rows), signal_map))
    assert finding.value == pytest.approx(11_000 / 120)


@pytest.mark.parametrize(
    "kohm",
    [
        lambda t: 0 if t < 6 else 2000,  # begins at nothing, and measures
        lambda t: 10 if 12 <= t < 13.5 else 2000,  # shorter than a measurement
        lambda t: 2000 if round(t * 10) % 7 else 5,  # blinks
    ],
)
def test_settling_and_blinking_are_sound(kohm):
    assert found(kohm)[0] == []


def test_a_fault_that_comes_and_goes_later_is_found_with_its_time():
    (finding,), _ = found(lambda t: 20 if 15 <= t < 22 else 2000)
    assert finding.severity is Severity.DANGER
    assert finding.from_ns == pytest.approx(15e9, abs=3e9)
    assert finding.to_ns == pytest.approx(22e9, abs=3e9)


def test_one_that_is_low_after_settling_is_found_from_the_start():
    (finding,), _ = found(20)
    assert finding.from_ns == 0


def test_after_a_contactor_moved_a_monitor_begins_anew():
    sound = sound_drive(insulation=lambda t: 30 if 5 <= t < 10 else 2000, seconds=30, off_s=28)
    assert judged(insulation_findings, sound.channels())[0] == []
    low = sound_drive(insulation=lambda t: 30 if t >= 5 else 2000, seconds=30, off_s=28)
    assert len(judged(insulation_findings, low.channels())[0]) == 1
    # The same where no contactor moved is a fault.
    other = sound_drive(insulation=lambda t: 30 if 17 <= t < 24 else 2000, seconds=30, off_s=28)
    assert len(judged(insulation_findings, other.channels())[0]) == 1


def test_stop_and_go_is_sound_however_often_the_monitor_begins_anew():
    drives = [(10 + 30 * n, 30 + 30 * n) for n in range(8)]
    pack = ElectricPack(
        seconds=260,
        positive=tuple(drives),
        negative=tuple(drives),
        link_cycle_s=1.0,
        insulation=lambda t: 20 if any(begin <= t < begin + 5 for begin, _ in drives) else 2000,
    )
    assert judged(insulation_findings, pack.channels())[0] == []


def test_years_between_two_logs_cost_nothing():
    signals = (Signal("Insulation_kohm", Field(0, 16), 1, unit="kohm"), Signal("Pack_V", Field(16, 16), 0.1, unit="V"))
    signal_map = SignalMap((Message("M", 0x100, extended=False, length=4, signals=signals),))
    rows = [(begin + i * 0.1, 0x100, b"\x0a\0\xa0\x0f") for begin in (0, 1.7e9) for i in range(100)]
    assert len(judged(insulation_findings, decode(capture(rows), signal_map))[0]) == 1


def test_the_largest_number_that_a_channel_can_say_means_so_much_or_more():
    assert found(150, maximum=150)[0] == []
    assert len(found(149, maximum=150)[0]) == 1


@settings(max_examples=60, deadline=None)
@given(
    st.floats(80, 1000),
    st.floats(1.05, 50),
    st.sampled_from([0.1, 0.5, 1.0, 3.0]),
    st.floats(0, 8),
    st.integers(0, 10_000),
)
def test_sound_insulation_raises_nothing(pack_v, share, cycle_s, settles_s, seed):
    dice = random.Random(seed)
    limit_kohm = 0.5 * pack_v
    level = min(limit_kohm * share + 1, 60_000)
    strays = [dice.uniform(settles_s, 40)]  # now and then a single value is wrong
    while strays[-1] < 40:
        strays.append(strays[-1] + 2.1 * cycle_s + 2 + dice.expovariate(1 / 20))

    def kohm(t):
        if t < settles_s:
            return dice.uniform(0, level)
        return 0 if any(0 <= t - at < cycle_s for at in strays) else level * dice.uniform(1, 1.05)

    assert found(kohm, pack_v, seconds=40, cycle_s=cycle_s)[0] == []


@settings(max_examples=60, deadline=None)
@given(st.floats(80, 1000), st.floats(0.05, 0.9), st.sampled_from([0.1, 0.5, 1.0]), st.floats(12, 25), st.booleans())
def test_each_fault_of_six_seconds_is_found(pack_v, share, cycle_s, at_s, stays):
    level = 0.1 * pack_v * share

    def kohm(t):
        return level if t >= at_s and (stays or t < at_s + 6) else 60 * pack_v

    (finding,) = found(kohm, pack_v, seconds=35, cycle_s=cycle_s)[0]
    assert (finding.code, finding.severity) == ("insulation-low", Severity.DANGER)
