"""Pre-charge: an inrush is told from what a sound pre-charge can do between two samples."""

from dataclasses import replace

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from decoder.judgement import Severity
from decoder.judgement.electrics.precharge import precharge_findings
from decoder.maps.pack_sheet import Limits, PackSheet, Place
from tests.judgement.electric_pack import ElectricPack, judged, sound_drive, sound_packs


def found(pack):
    return judged(precharge_findings, pack.channels())


def codes(pack):
    return [finding.code for finding in found(pack)[0]]


def failed(pack, share=0.0):
    """The same, but the resistor is open (or the link is loaded and comes to a share only); all channels say closed."""
    if share:
        return replace(pack, precharge_share=share)
    return replace(pack, said={"precharge": pack.precharge}, precharge=())


def test_a_sound_pre_charge_is_judged_and_raises_nothing():
    assert found(sound_drive()) == ([], {})


def test_a_resistor_that_does_not_conduct():
    (finding,), not_judged = found(failed(sound_drive()))
    assert finding.code == "precharge-fault"
    assert finding.severity is Severity.WARNING
    assert finding.place == Place()
    assert (finding.value, finding.limit, finding.unit) == (pytest.approx(0, abs=0.1), 90.0, "%")
    assert finding.from_ns == pytest.approx(5e9, abs=0.1e9)
    assert "after pre-charge" in finding.explanation
    assert {"Link_V", "Pack_V", "Contactor_Precharge", "Contactor_Positive"} <= set(finding.channels)
    assert not_judged == {}


def test_no_pre_charge_at_all():
    (finding,), _ = found(replace(sound_drive(), precharge=()))
    assert (finding.code, finding.unit) == ("precharge-fault", "%")
    assert "without pre-charge" in finding.explanation


def test_a_main_contactor_that_closes_too_early():
    pack = sound_drive(precharge_tau_s=0.6)  # 0.6 s: 63 % of the pack
    (finding,), _ = found(pack)
    assert finding.value == pytest.approx(63.2, abs=5)


def test_the_sheets_limit_counts():
    pack = failed(sound_drive(), share=0.85)
    assert codes(pack) == ["precharge-fault"]
    assert codes(replace(pack, sheet=PackSheet(limits=Limits(precharged_percent=80)))) == []


def test_a_link_whose_sensor_reads_low_was_precharged_all_the_same():
    assert codes(sound_drive(link_gain=0.93)) == []


def test_a_slow_channel_of_the_link_that_jumps_during_a_quick_pre_charge_is_no_inrush():
    """The link comes every 0.1 s, pre-charge has a time constant of 50 ms: 0 %, 86 %, 98 % are sound."""
    for phase in (0.0, 0.02, 0.04, 0.06, 0.08):
        pack = sound_drive(precharge_s=0.15, precharge_tau_s=0.05, link_cycle_s=0.1, phases=(0.001, phase, 0.003))
        assert codes(pack) == []


def test_without_a_channel_of_pre_charge_the_links_rise_is_the_witness():
    sides = ("positive", "negative")
    assert found(sound_drive(sides=sides)) == ([], {})
    assert codes(failed(sound_drive(sides=sides, link_cycle_s=0.01))) == ["precharge-fault"]
    slow, not_judged = found(failed(sound_drive(sides=sides, link_cycle_s=0.1)))
    assert slow == []
    assert "too seldom" in not_judged["precharge-fault"]


@pytest.mark.parametrize("phase", [0.1, 0.5, 0.9])
def test_a_link_that_comes_every_second_shows_nothing(phase):
    findings, not_judged = found(failed(sound_drive(link_cycle_s=1.0, phases=(0.001, phase, 0.003))))
    assert findings == []
    assert "too seldom" in not_judged["precharge-fault"]


def test_a_capture_that_begins_with_contactors_closed_shows_no_pre_charge():
    pack = ElectricPack(positive=((-1, 99),), negative=((-1, 99),), link_at_start_v=400, late_s=0)
    findings, not_judged = found(pack)
    assert findings == []
    assert "begins with the contactors closed" in not_judged["precharge-fault"]
    assert "do not close" in found(ElectricPack())[1]["precharge-fault"]


def test_a_fault_of_the_second_closing_is_found_though_the_first_was_not_seen():
    pack = ElectricPack(
        positive=((-1, 5), (9, 99)), negative=((-1, 5), (8.4, 99)), link_at_start_v=400, discharge_tau_s=0.3
    )
    assert codes(pack) == ["precharge-fault"]
    assert codes(replace(pack, precharge=((8.4, 9.1),))) == []


def test_several_inrushes_are_one_finding():
    pack = ElectricPack(positive=((5, 8), (12, 15)), negative=((4, 8), (11, 15)), discharge_tau_s=0.3)
    (finding,), _ = found(pack)
    assert "2 times" in finding.explanation
    assert finding.to_ns == pytest.approx(12e9, abs=0.2e9)


def test_pre_charge_that_takes_too_long():
    (finding,), _ = found(sound_drive(on_s=14, precharge_s=11, off_s=18, precharge_tau_s=3))
    assert finding.code == "precharge-fault"
    assert finding.place == Place(sensor="precharge")
    assert (finding.value, finding.limit, finding.unit) == (pytest.approx(11.2, abs=0.2), 10.0, "s")


def test_a_pre_charge_contactor_that_stays_closed():
    (finding,), _ = found(replace(sound_drive(), precharge=((4.4, 16),)))
    assert (finding.code, finding.place) == ("precharge-fault", Place(sensor="precharge"))
    assert "beside closed main contactors" in finding.explanation
    assert codes(replace(sound_drive(), precharge=((4.4, 12),))) == []


def test_pre_charge_that_is_given_up():
    pack = ElectricPack(negative=((4, 7.1),), precharge=((5, 7),), precharge_share=0.3)
    (finding,), not_judged = found(pack)
    assert (finding.code, finding.place, finding.unit) == ("precharge-fault", Place(sensor="precharge"), "%")
    assert finding.value == pytest.approx(30, abs=1)
    assert not_judged == {}
    assert codes(replace(pack, precharge_share=1.0)) == []  # the driver changed his mind
    assert codes(replace(pack, negative=())) == []  # nothing flows with the other pole open


def test_a_link_that_never_comes_up_is_not_judged_here():
    findings, not_judged = found(replace(sound_drive(), link_stays_v=0.0))
    assert findings == []
    assert "does not come up" in not_judged["precharge-fault"]


def test_what_no_contactor_does_is_not_judged():
    on = tuple((n * 0.02, n * 0.02 + 0.01) for n in range(1500))
    pack = ElectricPack(
        seconds=30, positive=on, negative=((0, 99),), contactor_cycle_s=0.01, late_s=0, phases=(0.005, 0, 0)
    )
    findings, not_judged = found(pack)
    assert findings == []
    assert "no contactor does" in not_judged["precharge-fault"]


@pytest.mark.parametrize(("without", "word"), [("contactors", "main contactor"), ("link", "link"), ("pack", "pack")])
def test_without_its_channels_the_reason_is_told(without, word):
    assert word in found(sound_drive(without=(without,)))[1]["precharge-fault"]


def shows(pack):
    """Tell whether the states come often enough that a pre-charge is not hidden between two of them.

    A pre-charge that is shorter than one cycle of its own channel is taken for none where that cycle is a usual one.
    """
    return pack.contactor_cycle_s > 0.12 or pack.precharge[0][1] - pack.precharge[0][0] > pack.contactor_cycle_s


@settings(max_examples=30, deadline=None)
@given(sound_packs())
def test_sound_sequences_raise_nothing(pack):
    assume(shows(pack))
    assert codes(pack) == []


@settings(max_examples=30, deadline=None)
@given(sound_packs(), st.sampled_from([0.01, 0.02, 0.05, 0.1]), st.sampled_from([0.01, 0.02, 0.05, 0.1]))
def test_each_missing_pre_charge_is_found_where_channels_come_as_usual(pack, link_cycle_s, contactor_cycle_s):
    usual = replace(
        pack,
        precharge=(),
        link_cycle_s=link_cycle_s,
        contactor_cycle_s=contactor_cycle_s,
        sides=("positive", "negative", "precharge"),
    )
    assert codes(usual) == ["precharge-fault"]


@settings(max_examples=30, deadline=None)
@given(sound_packs(), st.floats(0.1, 0.6), st.sampled_from([0.4, 1.0, 3.0]))
def test_each_pre_charge_that_comes_to_nothing_is_found_where_it_is_seen(pack, share, precharge_s):
    on_s = max(pack.positive[0][0], pack.negative[0][0])
    usual = replace(
        failed(pack, share),
        precharge=((on_s - precharge_s, on_s + 0.1),),
        positive=((on_s - precharge_s - 0.1, 16),),
        negative=((on_s, 16),),
        precharge_tau_s=precharge_s / 20,
        link_cycle_s=min(pack.link_cycle_s, 0.05),
        contactor_cycle_s=min(pack.contactor_cycle_s, 0.05),
        sides=("positive", "negative", "precharge"),
    )
    assert codes(usual) == ["precharge-fault"]
