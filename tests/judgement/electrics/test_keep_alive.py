"""The keep-alive voltage: weak only if it stays below its limit."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoder.bits import Field
from decoder.channels import decode
from decoder.judgement import Severity
from decoder.judgement.electrics.keep_alive import keep_alive_findings
from decoder.maps.pack_sheet import Limits, PackSheet
from decoder.maps.signal_map import Signal
from tests.building import capture, one_message
from tests.judgement.electric_pack import judged


def found(volt_at, seconds=20, cycle_s=0.1, sheet=None, scale=0.01, name="KeepAlive_V"):
    rows = []
    for i in range(int(seconds / cycle_s)):
        value = volt_at(i * cycle_s) if callable(volt_at) else volt_at
        raw = 0xFFFF if value is None else round(value / scale)
        rows.append((i * cycle_s, 0x123, raw.to_bytes(2, "little")))
    channels = decode(capture(rows), one_message([Signal(name, Field(0, 16), scale, unit="V")], length=2), sheet)
    return judged(keep_alive_findings, channels)


def test_a_weak_battery():
    (finding,), not_judged = found(lambda t: 12.4 - 0.2 * t)
    assert finding.code == "keep-alive-weak"
    assert finding.severity is Severity.CAUTION
    assert (finding.value, finding.limit, finding.unit) == (pytest.approx(8.42), 11.0, "V")
    assert finding.from_ns == pytest.approx(7.1e9)
    assert finding.to_ns == pytest.approx(19.9e9)
    assert finding.worst_ns == pytest.approx(19.9e9)
    assert finding.channel == "KeepAlive_V"
    assert not_judged == {}


@pytest.mark.parametrize("scale", [0.01, 0.1, 0.05])
def test_the_limit_itself_is_not_below(scale):
    assert found(11.0, scale=scale) == ([], {})


def test_the_sheets_limit_counts():
    assert found(10.8, sheet=PackSheet(limits=Limits(keep_alive_low_v=10.5)))[0] == []
    (finding,), _ = found(23.5, sheet=PackSheet(limits=Limits(keep_alive_low_v=24.0)))
    assert finding.source == "pack sheet"


def test_dips_and_not_available_are_sound():
    assert found(lambda t: 9.0 if t % 4 < 0.9 else 12.3)[0] == []
    assert found(lambda t: None if t < 5 else 12.3)[0] == []


def test_what_is_not_available_between_does_not_end_a_weakness():
    (finding,), _ = found(lambda t: None if round(t * 10) % 3 == 1 else 10.2)
    assert finding.value == pytest.approx(10.2)


def test_without_a_value_the_reason_is_told():
    for findings, not_judged in (found(None), found(12, name="Other_V")):
        assert findings == []
        assert "no channel" in not_judged["keep-alive-weak"]


def test_a_cell_of_another_kind_needs_a_limit_from_the_sheet():
    findings, not_judged = found(3.6)
    assert findings == []
    assert "keep_alive_low_v" in not_judged["keep-alive-weak"]
    assert len(found(3.6, sheet=PackSheet(limits=Limits(keep_alive_low_v=3.7)))[0]) == 1


def test_a_dead_battery_is_weak():
    assert len(found(0.4)[0]) == 1


@settings(max_examples=80, deadline=None)
@given(
    st.floats(6.5, 10.9),
    st.floats(0, 12),
    st.floats(0, 8),
    st.sampled_from([0.01, 0.1, 0.3]),
    st.floats(11.05, 30),
)
def test_a_finding_if_and_only_if_it_is_low_for_longer(low_v, at_s, lasts_s, cycle_s, sound_v):
    times = [i * cycle_s for i in range(int(20 / cycle_s))]
    low = [t for t in times if at_s <= t < at_s + lasts_s]
    findings, _ = found(lambda t: low_v if at_s <= t < at_s + lasts_s else sound_v, cycle_s=cycle_s)
    span_s = low[-1] - low[0] if low else 0.0
    if abs(span_s - 1.0) > 1e-6:
        assert [finding.code for finding in findings] == ["keep-alive-weak"] * (span_s > 1.0 and len(low) >= 3)
