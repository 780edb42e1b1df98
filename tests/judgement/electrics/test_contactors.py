"""Contactors against the link: welded, open, held; and nothing of it in sound sequences, however they are sampled."""

import json
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoder import load_map, load_sheet, read_capture
from decoder.channels import decode
from decoder.judgement import Severity
from decoder.judgement.electrics.contactors import contactor_findings
from decoder.judgement.electrics.insulation import insulation_findings
from decoder.judgement.electrics.interlock import interlock_findings
from decoder.judgement.electrics.keep_alive import keep_alive_findings
from decoder.judgement.electrics.precharge import precharge_findings
from decoder.maps.pack_sheet import ChannelRule, PackSheet, Place
from tests.building import capture
from tests.judgement.electric_pack import ElectricPack, judged, sound_drive, sound_packs

VEHICLE_V = 13.6


def codes(pack):
    return [finding.code for finding in judged(contactor_findings, pack.channels())[0]]


def welded(pack, *sides):
    """These contactors never open again, though their channels say so."""
    ends = {side: getattr(pack, side) for side in sides}
    return replace(pack, said=ends, **{side: ((begin, 1e9),) for side, ((begin, _),) in ends.items()})


def test_a_sound_sequence_is_judged_and_raises_nothing():
    findings, not_judged = judged(contactor_findings, sound_drive(supply=lambda _: VEHICLE_V).channels())
    assert findings == []
    assert not_judged == {}


def test_both_contactors_welded():
    (finding,), _ = judged(contactor_findings, welded(sound_drive(), "positive", "negative").channels())
    assert finding.code == "contactor-welded"
    assert finding.severity is Severity.DANGER
    assert finding.place == Place()
    assert (finding.value, finding.limit, finding.unit) == (pytest.approx(400), pytest.approx(360), "V")
    assert 15.02e9 <= finding.from_ns <= 15.6e9
    assert finding.to_ns >= 19.9e9
    assert {"Link_V", "Pack_V", "Contactor_Positive", "Contactor_Negative"} <= set(finding.channels)
    assert "both main contactors" in finding.explanation


def test_one_contactor_that_is_said_open_beside_a_closed_one_is_named():
    pack = sound_drive()
    pack = replace(pack, negative=((4, 99),), positive=((5, 99),), said={"positive": ((5, 10),)})
    (finding,) = judged(contactor_findings, pack.channels())[0]
    assert finding.code == "contactor-welded"
    assert finding.place == Place(sensor="positive")


def test_one_welded_pole_does_not_keep_the_link_live():
    assert codes(welded(sound_drive(), "positive")) == []


@pytest.mark.parametrize("tau_s", [0.2, 2.0, 30.0, 120.0])
def test_a_link_that_falls_is_not_welded_however_slowly_it_is_discharged(tau_s):
    assert codes(sound_drive(discharge_tau_s=tau_s, off_s=8, seconds=30)) == []


def test_a_link_that_is_flat_far_from_the_pack_is_not_welded():
    pack = ElectricPack(link_stays_v=200)
    assert codes(pack) == []


def test_too_short_a_look_is_not_judged():
    pack = welded(sound_drive(off_s=18.5), "positive", "negative")
    closed_at_first = replace(pack, positive=((0, 99),), negative=((0, 99),))
    said = {"positive": ((-1, 18.5),), "negative": ((-1, 18.5),)}
    findings, not_judged = judged(contactor_findings, replace(closed_at_first, said=said).channels())
    assert findings == []
    assert "open for long enough" in not_judged["contactor-welded"]


def test_a_contactor_that_breaks_free_later_was_welded():
    pack = replace(sound_drive(off_s=10, seconds=30), said={"positive": ((5, 10),), "negative": ((4.3, 10),)})
    pack = replace(pack, positive=((5, 22),), negative=((4.3, 22),), discharge_tau_s=0.5)
    (finding,) = judged(contactor_findings, pack.channels())[0]
    assert finding.code == "contactor-welded"
    assert finding.to_ns == pytest.approx(22e9, abs=0.3e9)


def test_a_damaged_sample_of_the_link_hides_no_weld():
    pack = welded(sound_drive(), "positive", "negative")
    rows = [(t, i, b"\0\0" if i == 0x121 and 17 <= t < 17.02 else data) for t, i, data in pack.rows()]
    assert judged(contactor_findings, decode(capture(rows), pack.signal_map()))[0][0].to_ns > 19e9


def test_a_contactor_that_does_not_close():
    pack = replace(sound_drive(), link_stays_v=3.0)
    (finding,) = judged(contactor_findings, pack.channels())[0]
    assert finding.code == "contactor-open"
    assert finding.severity is Severity.CAUTION
    assert (finding.value, finding.limit, finding.unit) == (pytest.approx(3.0), pytest.approx(360), "V")
    assert finding.from_ns == pytest.approx(5.5e9, abs=0.3e9)
    assert finding.to_ns == pytest.approx(14.6e9, abs=0.3e9)


def test_where_current_flows_the_link_is_not_believed():
    findings, not_judged = judged(contactor_findings, replace(sound_drive(), link_stays_v=3.0, current_a=80).channels())
    assert findings == []
    assert "current flows" in not_judged["contactor-open"]
    assert codes(replace(sound_drive(), link_stays_v=3.0, current_a=0.3)) == ["contactor-open"]


@pytest.mark.parametrize("pack_cycle_s", [0.1, 1.0, 3.0])
def test_a_pack_voltage_that_comes_seldom_under_load_is_no_open_contactor(pack_cycle_s):
    def volt(t):
        return 300 if t % 8 < 2.9 else 400

    pack = ElectricPack(seconds=60)
    rows = [(i * 0.1, 0x120, b"\x05") for i in range(600)]
    rows += [(i * 0.1 + 0.01, 0x121, (volt(i * 0.1) * 10).to_bytes(2, "little")) for i in range(600)]
    times = [i * pack_cycle_s for i in range(int(60 / pack_cycle_s))]
    rows += [(t + 0.02, 0x122, (volt(t) * 10).to_bytes(2, "little")) for t in times]
    findings, not_judged = judged(contactor_findings, decode(capture(sorted(rows)), pack.signal_map()))
    assert findings == []
    assert "contactor-open" not in not_judged


def test_one_known_pole_may_wait_for_the_other():
    pack = sound_drive(on_s=8, precharge_s=0.5, off_s=18, sides=("negative",))
    pack = replace(pack, negative=((1, 18),))
    assert codes(pack) == []
    alone = replace(pack, positive=(), precharge=(), seconds=30, negative=((1, 28),))
    (finding,) = judged(contactor_findings, alone.channels())[0]
    assert (finding.code, finding.place) == ("contactor-open", Place(sensor="negative"))


def test_without_contactors_or_link_the_reason_is_told():
    for pack, word in (
        (sound_drive(without=("contactors",)), "main contactor"),
        (sound_drive(without=("link",)), "link voltage"),
        (sound_drive(without=("pack",)), "pack voltage"),
        (sound_drive(labels={0: "A", 1: "B"}), "open and closed"),
    ):
        findings, not_judged = judged(contactor_findings, pack.channels())
        assert findings == []
        assert word in not_judged["contactor-welded"]
        assert word in not_judged["contactor-open"]
        assert "supply" in not_judged["contactor-held"]


# The vehicle's supply.


def supply(*gone, volt=VEHICLE_V, low=0.3):
    return lambda t: low if any(begin <= t < end for begin, end in gone) else volt


def test_contactors_held_without_the_vehicles_supply():
    pack = sound_drive(supply=supply((9, 99)), keep_alive=lambda t: 12.4 if t < 9 else 11.7)
    (finding,) = judged(contactor_findings, pack.channels())[0]
    assert finding.code == "contactor-held"
    assert finding.severity is Severity.DANGER
    assert finding.place == Place()
    assert (finding.value, finding.limit, finding.unit) == (pytest.approx(0.3), 3.0, "V")
    assert finding.from_ns == pytest.approx(9e9, abs=0.2e9)
    assert finding.to_ns == pytest.approx(15e9, abs=0.2e9)
    assert finding.channel == "Supply_V"
    assert "cutting the 12 V lead does not make the vehicle safe" in finding.explanation
    assert "rescue sheet" in finding.explanation
    assert "KeepAlive_V: 11.7 V" in finding.explanation


def test_without_a_keep_alive_channel_something_inside_holds_them():
    (finding,) = judged(contactor_findings, sound_drive(supply=supply((9, 99), volt=27)).channels())[0]
    assert "Something inside the pack" in finding.explanation


def test_a_supply_that_is_not_available_any_more_is_gone():
    sheet = PackSheet(rules=(ChannelRule("Supply_V", absent=(9999,)),))
    pack = sound_drive(supply=supply((9, 99), low=99.99), sheet=sheet)
    (finding,) = judged(contactor_findings, pack.channels())[0]
    assert (finding.code, finding.value) == ("contactor-held", None)
    never = sound_drive(supply=supply((0, 99), low=99.99), sheet=sheet)
    assert codes(never) == []


@pytest.mark.parametrize(
    "says",
    [
        supply((9, 9.9)),  # a dip
        supply((9, 12), low=6.5),  # cranking
        supply((0, 0.5)),
        supply((14.6, 99)),  # the contactors let go soon after
        supply((15.5, 99)),  # after they opened, while the link falls
        lambda t: VEHICLE_V if t < 9 else None,  # nobody sends it any more
    ],
)
def test_dips_cranking_wake_up_and_letting_go_are_sound(says):
    assert codes(sound_drive(supply=says, discharge_tau_s=60)) == []


def two_supplies(first, second):
    """A pack whose second supply comes in the channel of the keep-alive voltage."""
    rules = (ChannelRule("KeepAlive_V", "supply voltage"),)
    return sound_drive(supply=first, keep_alive=second, sheet=PackSheet(rules=rules))


def test_only_if_all_supplies_are_gone():
    assert codes(two_supplies(supply((9, 99)), supply())) == []
    (finding,) = judged(contactor_findings, two_supplies(supply((9, 99)), supply((10, 99))).channels())[0]
    assert finding.channel is None
    assert {"Supply_V", "KeepAlive_V"} <= set(finding.channels)
    assert finding.from_ns == pytest.approx(10e9, abs=0.2e9)


def test_what_feeds_sensors_is_no_supply_of_the_vehicle():
    assert codes(two_supplies(supply((9, 99)), supply(volt=5.0))) == ["contactor-held"]


def test_a_switched_line_is_no_supply():
    pack = sound_drive(supply=supply((9, 99)))
    renamed = pack.signal_map()
    message = next(m for m in renamed.messages if m.name == "Supply_V")
    ignition = replace(message, signals=(replace(message.signals[0], name="IgnitionSupply_V"),))
    signal_map = replace(renamed, messages=(*(m for m in renamed.messages if m is not message), ignition))
    findings, not_judged = judged(contactor_findings, decode(capture(pack.rows()), signal_map))
    assert findings == []
    assert "supply" in not_judged["contactor-held"]


def test_where_nothing_is_said_of_contactors_a_live_link_tells():
    pack = sound_drive(supply=supply((7, 99)), without=("contactors",))
    (finding,) = judged(contactor_findings, pack.channels())[0]
    assert finding.code == "contactor-held"
    assert finding.to_ns == pytest.approx(15e9, abs=1e9)
    assert codes(sound_drive(supply=supply((15.1, 99)), without=("contactors",), discharge_tau_s=60)) == []


# Properties.


@settings(max_examples=30, deadline=None)
@given(sound_packs(supply=supply((0, 0.4))))
def test_sound_sequences_raise_nothing(pack):
    assert codes(pack) == []


@settings(max_examples=30, deadline=None)
@given(sound_packs())
def test_each_weld_is_found_where_there_is_time_to_see_it(pack):
    pack = welded(replace(pack, seconds=40.0), "positive", "negative")
    assert codes(pack) == ["contactor-welded"]


@settings(max_examples=30, deadline=None)
@given(sound_packs())
def test_each_pole_that_does_not_close_is_found(pack):
    whole = replace(pack, seconds=45.0, sides=("positive", "negative", "precharge"), precharge=())
    long = {side: ((getattr(whole, side)[0][0], 40.0),) for side in ("positive", "negative")}
    pack = replace(whole, said=long, positive=(), negative=long["negative"])
    assert codes(pack) == ["contactor-open"]


@settings(max_examples=30, deadline=None)
@given(sound_packs(), st.floats(-4, -3.6), st.sampled_from([0.0, 0.25]))
def test_each_held_contactor_is_found(pack, gone_s, low_v):
    at = pack.negative[0][1] + gone_s
    held = replace(pack, supply=supply((at, 99), low=low_v), contactor_cycle_s=min(pack.contactor_cycle_s, 0.5))
    assert codes(held) == ["contactor-held"]


ROOT = Path(__file__).parents[3]


def test_in_the_bundled_capture_only_the_contactors_are_held():
    frames = read_capture(ROOT / "captures" / "harbour_shuttle.log.xz")
    maps = ROOT / "signal_maps"
    channels = decode(frames, load_map(maps / "harbour_shuttle.dbc"), load_sheet(maps / "harbour_shuttle.toml"))
    not_judged = {}
    rooms = (contactor_findings, precharge_findings, interlock_findings, insulation_findings, keep_alive_findings)
    (finding,) = (finding for room in rooms for finding in room(channels, not_judged))
    truth = json.loads((ROOT / "captures" / "harbour_shuttle.truth.json").read_text("utf-8"))
    fault = next(one for one in truth["faults"] if one["finding"] == "contactor-held")
    assert finding.code == "contactor-held"
    assert (finding.from_ns - channels.first_ns) / 1e9 == pytest.approx(fault["from_s"], abs=0.3)
    assert (finding.to_ns - channels.first_ns) / 1e9 == pytest.approx(fault["to_s"], abs=0.6)
    assert f"{fault['keep_alive_end_v']:.1f} V" in finding.explanation
    assert set(not_judged) == {"contactor-welded", "precharge-fault"}  # closed from the first frame to the last
