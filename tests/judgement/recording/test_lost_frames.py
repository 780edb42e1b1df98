"""A counter that skips tells of lost frames; one that stands still, begins anew or does not count tells of none."""

from math import gcd

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from decoder.bits import Field
from decoder.channels import decode
from decoder.judgement.finding import Severity
from decoder.judgement.recording.lost_frames import lost_frame_findings
from decoder.maps.pack_sheet import ChannelRule, PackSheet
from decoder.maps.signal_map import Signal, SignalMap
from tests.building import capture, one_message
from tests.judgement.sensor_captures import found

PERIOD_S = 0.02


def counter_heard(counts, time_s=None, *, bits=4, modulus=None):
    """Decode a counter from its values and the times of its frames."""
    time_s = np.arange(len(counts)) * PERIOD_S if time_s is None else time_s
    size = (bits + 7) // 8
    rows = [(float(t), 0x123, int(c).to_bytes(size, "little")) for t, c in zip(time_s, counts, strict=True)]
    signal_map = one_message([Signal("Msg_Alive", Field(0, bits))], length=size)
    return decode(
        capture(rows), signal_map, PackSheet(rules=(ChannelRule("*_Alive", "alive counter", modulus=modulus),))
    )


def judged(counts, time_s=None, **how):
    return found(lost_frame_findings, counter_heard(counts, time_s, **how))


def sent(frames, *, modulus=16, step=1, lowest=0):
    return lowest + np.arange(frames) * step % modulus


@settings(max_examples=60, deadline=None)
@given(
    st.sampled_from(
        [(4, 16, 16, 0), (4, 15, 15, 0), (4, 15, None, 0), (4, 15, None, 1), (8, 256, None, 0), (2, 4, 4, 0)]
    ),
    st.sampled_from([1, 2, 3, 4, 5]),
    st.integers(40, 400),
    st.integers(0, 1000),
    st.booleans(),
)
def test_a_counter_without_gaps_has_lost_nothing(form, step, frames, seed, repeats):
    bits, modulus, said, lowest = form
    assume(modulus // gcd(step, modulus) > 2)
    counts = sent(frames, modulus=modulus, step=step, lowest=lowest)
    if repeats:  # some frames come twice
        again = np.random.default_rng(seed).random(frames) < 0.1
        counts = np.repeat(counts, 1 + again)
    findings, not_judged = judged(counts, bits=bits, modulus=said)
    assert findings == []
    assert not_judged == {}


@settings(max_examples=60, deadline=None)
@given(
    st.sampled_from([(4, 16, 16), (4, 15, 15), (4, 15, None), (8, 256, None), (4, 16, None)]),
    st.sampled_from([1, 2, 3, 7]),
    st.integers(200, 600),
    st.integers(0, 1000),
    st.floats(0.002, 0.2),
)
def test_lost_frames_are_counted(form, step, frames, seed, share):
    bits, modulus, said = form
    assume(modulus // gcd(step, modulus) > 6)
    kept = np.random.default_rng(seed).random(frames) >= share
    kept[[0, -1]] = True
    gaps = np.diff(np.flatnonzero(kept))
    # An unknown modulus shows where the counter's ends are heard; else the round may be taken for shorter.
    heard = set((np.arange(frames) % modulus)[kept].tolist())
    assume(said is not None or (frames >= 2 * modulus // gcd(step, modulus) and {0, modulus - 1} <= heard))
    assume(kept.sum() < frames and gaps.max() < modulus // gcd(step, modulus))
    counts = sent(frames, modulus=modulus, step=step)
    ((finding,), _) = judged(counts[kept], np.arange(frames)[kept] * PERIOD_S, bits=bits, modulus=said)
    lost = int(frames - kept.sum())
    assert finding.code == "frames-lost"
    assert finding.value == pytest.approx(100 * lost / frames)
    assert finding.severity is (Severity.CAUTION if lost >= 5 and lost >= frames / 100 else Severity.NOTICE)
    first = int(np.flatnonzero(gaps > 1)[0])
    assert finding.from_ns == round(np.flatnonzero(kept)[first] * PERIOD_S * 1e9)


def test_what_it_says():
    kept = np.delete(np.arange(300), [100, 101, 200])
    ((finding,), _) = judged(sent(300)[kept], kept * PERIOD_S, modulus=16)
    assert (finding.value, finding.limit, finding.unit) == (1.0, 1.0, "%")
    assert finding.severity is Severity.NOTICE
    assert finding.channel == "Msg_Alive"
    assert "at 2 places: at least 3 of 300 frames of Msg (123)" in finding.explanation
    assert finding.worst_ns == round(102 * PERIOD_S * 1e9)


def test_losses_of_one_severity_are_one_finding_the_largest_first():
    losses = {0x101: [50], 0x102: [30, 90], 0x103: list(range(40, 50)), 0x104: []}
    rows = [
        (n * PERIOD_S + number / 1000, number, bytes([n % 16]))
        for number, lost in losses.items()
        for n in range(200)
        if n not in lost
    ]
    messages = [one_message([Signal(f"M{i:X}_Alive", Field(0, 4))], i, 1, name=f"M{i:X}").messages[0] for i in losses]
    sheet = PackSheet(rules=(ChannelRule("*_Alive", "alive counter", modulus=16),))
    findings, _ = found(lost_frame_findings, decode(capture(sorted(rows)), SignalMap(tuple(messages)), sheet))
    told = {one.severity: one for one in findings}
    assert len(told) == len(findings) == 2
    assert told[Severity.CAUTION].channels == ("M103_Alive",)
    assert told[Severity.CAUTION].channel == "M103_Alive"
    assert told[Severity.CAUTION].value == pytest.approx(5.0)
    notice = told[Severity.NOTICE]
    assert notice.channels == ("M102_Alive", "M101_Alive")
    assert (notice.channel, notice.value) == (None, pytest.approx(1.0))
    assert notice.from_ns == round((29 * PERIOD_S + 0x102 / 1000) * 1e9)
    assert notice.to_ns == round((91 * PERIOD_S + 0x102 / 1000) * 1e9)
    assert "2 of 200 frames of M102" in notice.explanation
    assert "1 of 200 frames of M101" in notice.explanation


def test_a_controller_that_begins_anew_has_lost_nothing():
    counts = np.concatenate([sent(70), sent(70)])
    assert judged(counts, modulus=16)[0] == []


def test_a_clock_that_jumps_back_tells_nothing_of_lost_frames():
    counts = np.delete(sent(100), [50, 51])
    time_s = np.arange(98) * PERIOD_S
    time_s[50:] -= 0.5
    assert judged(counts, time_s, modulus=16)[0] == []


@pytest.mark.parametrize("counts", [np.zeros(50), np.random.default_rng(1).integers(0, 16, 200), sent(5)])
def test_what_does_not_count_is_not_judged(counts):
    findings, not_judged = judged(counts, modulus=16)
    assert findings == []
    assert "Msg_Alive" in not_judged["frames-lost"]


def test_a_modulus_of_nonsense_is_no_trouble():
    for modulus in (1, 2, 3):
        judged(sent(100), modulus=modulus)


def test_wide_counters_are_no_trouble():
    counts = [(1 << 64) - 30 + n for n in range(30)]
    assert judged(counts, bits=64)[0] == []


def test_without_a_counter_it_is_not_judged():
    channels = decode(capture([(0, 0x7, b"\1")]), one_message([Signal("X", Field(0, 8))]))
    assert "no alive counter" in found(lost_frame_findings, channels)[1]["frames-lost"]
