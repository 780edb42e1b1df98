"""A check that holds tells nothing; where it fails, the frames are counted."""

import numpy as np
import pytest
from crccheck.crc import Crc8SaeJ1850, Crc16Ibm3740
from hypothesis import given, settings
from hypothesis import strategies as st

from decoder.bits import Field
from decoder.channels import decode
from decoder.judgement.finding import Severity
from decoder.judgement.recording.failed_checks import check_findings
from decoder.maps.pack_sheet import ChannelRule, PackSheet
from decoder.maps.signal_map import Signal
from tests.building import capture, one_message
from tests.judgement.sensor_captures import found


def j1850(body):
    return bytes([Crc8SaeJ1850.calc(body)])


def hidden(body):
    return bytes([Crc8SaeJ1850.calc(body + b"\x5c")])


def ibm(body):
    return Crc16Ibm3740.calc(body).to_bytes(2, "big")


def plain_sum(body):
    return bytes([sum(body) & 0xFF])


def exclusive_or(body):
    combined = 0
    for byte in body:
        combined ^= byte
    return bytes([combined])


def payloads(check, frames=400, seed=1):
    """A counter, numbers that move, and the check behind them."""
    rng = np.random.default_rng(seed)
    ways = np.cumsum(rng.normal(0, 40, (frames, 2)), axis=0) + 20_000
    size = 8 - len(check(b"\0"))
    bodies = []
    for number, (one, other) in enumerate(ways.astype(int).tolist()):
        body = bytes([number % 16]) + one.to_bytes(2, "little") + other.to_bytes(2, "big") + bytes([0x55, 7])
        bodies.append(body[:size] + check(body[:size]))
    return bodies


def check_heard(bodies, width=8, form=None):
    rows = [(n * 0.02, 0x123, body) for n, body in enumerate(bodies)]
    signal = Signal("Msg_Check", Field(64 - width, width) if width == 8 else Field(55, 16, "big"))
    rule = ChannelRule("*_Check", "check", form=form)
    return decode(capture(rows), one_message([signal]), PackSheet(rules=(rule,)))


def judged(bodies, width=8, form=None):
    return found(check_findings, check_heard(bodies, width, form))


def damage(bodies, where):
    rng = np.random.default_rng(5)
    bodies = list(bodies)
    for number in where:
        body = bytearray(bodies[number])
        body[rng.integers(1, 5)] ^= rng.integers(1, 256)
        bodies[number] = bytes(body)
    return bodies


CHECKS = st.sampled_from([(j1850, 8), (hidden, 8), (ibm, 16), (plain_sum, 8), (exclusive_or, 8)])


@settings(max_examples=25, deadline=None)
@given(CHECKS, st.integers(0, 1000), st.integers(100, 500))
def test_checks_that_hold_tell_nothing(check, seed, frames):
    assert judged(payloads(check[0], frames, seed), check[1]) == ([], {})


@settings(max_examples=25, deadline=None)
@given(CHECKS, st.integers(0, 1000), st.lists(st.integers(0, 399), min_size=1, max_size=30, unique=True))
def test_frames_that_fail_are_counted(check, seed, where):
    ((finding,), _) = judged(damage(payloads(check[0], 400, seed), where), check[1])
    assert finding.code == "check-failed"
    assert finding.value == pytest.approx(len(where) / 4)
    assert finding.severity is (Severity.CAUTION if len(where) >= 3 else Severity.NOTICE)
    assert finding.from_ns == min(where) * 20_000_000
    assert finding.to_ns == max(where) * 20_000_000


@pytest.mark.parametrize("form", ["CRC-8/SAE-J1850", None])
@pytest.mark.parametrize("check", [j1850, hidden])
def test_where_a_quarter_fails_known_forms_are_tried(check, form):
    where = np.random.default_rng(6).permutation(400)[:100].tolist()
    ((finding,), _) = judged(damage(payloads(check), where), form=form)
    assert finding.value == pytest.approx(25)
    assert finding.severity is Severity.CAUTION
    assert "100 of 400 payloads of Msg (123)" in finding.explanation


@pytest.mark.parametrize(("check", "width"), [(j1850, 8), (hidden, 8), (ibm, 16), (plain_sum, 8), (exclusive_or, 8)])
def test_of_very_many_payloads_each_is_checked(check, width):
    where = np.random.default_rng(6).permutation(6_000)[:40].tolist()
    ((finding,), _) = judged(damage(payloads(check, 6_000), where), width)
    assert finding.value == pytest.approx(40 / 60)
    assert (finding.from_ns, finding.to_ns) == (min(where) * 20_000_000, max(where) * 20_000_000)


@pytest.mark.parametrize("form", ["CRC-8/SAE-J1850", None])
def test_a_message_that_hardly_changes_but_for_its_counter(form):
    bodies = [bytes([number % 15, 0x12]) for number in range(3000)]
    bodies = damage([body + bytes(5) + j1850(body + bytes(5)) for body in bodies], range(7, 3000, 61))
    ((finding,), _) = judged(bodies, form=form)
    assert finding.value == pytest.approx(100 * len(range(7, 3000, 61)) / 3000)


def test_a_state_that_a_doubtful_form_does_not_fit_is_no_failure():
    # Not in any catalogue: the check is taken from a list by counter and state.
    words = np.random.default_rng(8).integers(0, 256, (2, 16)).tolist()
    bodies = []
    for number in range(3000):
        state = int(1000 <= number < 1040)
        bodies.append(bytes([number % 16, state, 0, 0, 0, 0, 0, words[state][number % 16]]))
    assert judged(bodies)[0] == []


def test_what_is_no_check_is_not_judged():
    rng = np.random.default_rng(3)
    bodies = [rng.integers(0, 256, 8, dtype=np.uint8).tobytes() for _ in range(300)]
    findings, not_judged = judged(bodies)
    assert findings == []
    assert "Msg_Check" in not_judged["check-failed"]


def test_payloads_that_hardly_differ_are_not_judged():
    for bodies in ([b"12345678"] * 300, [b"12345678"] * 299 + [b"12345679"]):
        findings, not_judged = judged(bodies)
        assert findings == []
        assert "check-failed" in not_judged


def test_frames_that_were_cut_are_left_out():
    bodies = payloads(j1850)
    bodies[30] = bodies[30][:4]
    assert judged(bodies)[0] == []


def test_few_data_and_no_checks_are_no_trouble():
    assert "check-failed" in judged([b"12345678"])[1]
    channels = decode(capture([(0, 0x7, b"\1")]), one_message([Signal("X", Field(0, 8))]))
    assert "no check" in found(check_findings, channels)[1]["check-failed"]
