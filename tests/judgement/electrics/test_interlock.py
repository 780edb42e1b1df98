"""The interlock is judged by the map's words, and by nothing else."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoder.bits import Field
from decoder.channels import decode
from decoder.judgement import Severity
from decoder.judgement.electrics.interlock import interlock_findings
from decoder.maps.pack_sheet import Place
from decoder.maps.signal_map import Signal
from tests.building import capture, one_message
from tests.judgement.electric_pack import judged


def found(raw_values, labels=None, cycle_s=0.1, name="Interlock"):
    signal = Signal(name, Field(0, 2), labels={0: "open", 1: "closed"} if labels is None else labels)
    rows = [(i * cycle_s, 0x123, bytes([raw])) for i, raw in enumerate(raw_values)]
    return judged(interlock_findings, decode(capture(rows), one_message([signal], length=1)))


def test_an_open_interlock():
    (finding,), not_judged = found([1] * 20 + [0] * 10 + [1] * 5)
    assert finding.code == "interlock-open"
    assert finding.severity is Severity.WARNING
    assert (finding.from_ns, finding.to_ns) == (2_000_000_000, 2_900_000_000)
    assert (finding.channel, finding.place) == ("Interlock", Place())
    assert "'open'" in finding.explanation
    assert not_judged == {}


def test_one_that_is_open_all_the_time():
    (finding,), _ = found([0] * 30)
    assert finding.from_ns == 0


def test_a_closed_one_and_single_samples_raise_nothing():
    assert found([1] * 30) == ([], {})
    assert found([1] * 10 + [0, 0] + [1] * 10) == ([], {})


def test_at_wake_up_a_controller_has_not_looked():
    assert found([0] * 8 + [1] * 30) == ([], {})
    assert len(found([0] * 20 + [1] * 30)[0]) == 1


def test_other_words():
    assert len(found([1] * 9 + [2] * 9, {1: "ok", 2: "not ok"})[0]) == 1
    assert found([1] * 9 + [3] * 9, {0: "open", 1: "closed", 3: "not available"}) == ([], {})


@pytest.mark.parametrize("labels", [{}, {0: "A", 1: "B"}, {1: "closed"}])
def test_without_a_word_for_open_it_is_not_judged(labels):
    findings, not_judged = found([0] * 30, labels)
    assert findings == []
    assert "which value is open" in not_judged["interlock-open"]


def test_without_an_interlock_the_reason_is_told():
    findings, not_judged = found([0] * 30, name="Something")
    assert findings == []
    assert "no channel" in not_judged["interlock-open"]


@settings(max_examples=80, deadline=None)
@given(st.integers(1, 60), st.integers(0, 60), st.integers(0, 60), st.sampled_from([0.01, 0.1, 1.0]))
def test_a_finding_if_and_only_if_it_is_open_for_long_enough(before, is_open, after, cycle_s):
    findings, _ = found([1] * before + [0] * is_open + [1] * after, cycle_s=cycle_s)
    expected = is_open >= 3 and (is_open - 1) * cycle_s > 0.2
    if abs((is_open - 1) * cycle_s - 0.2) > 1e-6:
        assert [finding.code for finding in findings] == ["interlock-open"] * expected
