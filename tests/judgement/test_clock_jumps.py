"""A clock that jumps back hides no finding; times are told as they stand in the capture."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from decoder import read_capture
from decoder.channels import decode
from decoder.judgement import judge
from decoder.judgement.clock_jumps import without_jumps
from decoder.maps import load_map, load_sheet
from decoder.maps.signal_map import SignalMap
from tests.building import capture

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def demo():
    return (
        read_capture(ROOT / "captures" / "harbour_shuttle.log.xz"),
        load_map(ROOT / "signal_maps" / "harbour_shuttle.dbc"),
        load_sheet(ROOT / "signal_maps" / "harbour_shuttle.toml"),
    )


@pytest.mark.parametrize("back_s", [[60], [60, 34_560_000]])
def test_the_demo_with_a_clock_that_is_put_back_has_the_same_findings(demo, back_s):
    frames, signal_map, sheet = demo
    time_ns = frames.time_ns.copy()
    for number, seconds in enumerate(back_s, start=1):
        time_ns[number * 15_000 :] -= seconds * 10**9
    as_it_was = judge(decode(frames, signal_map, sheet))
    jumped = decode(replace(frames, time_ns=time_ns), signal_map, sheet)
    found = judge(jumped)
    grave = [[(one.code, one.place) for one in side.findings if one.severity > 1] for side in (as_it_was, found)]
    assert sorted(map(str, grave[0])) == sorted(map(str, grave[1]))
    held = next(one for one in found.findings if one.code == "contactor-held")
    assert (held.to_ns - held.from_ns) / 1e9 == pytest.approx(19.6, abs=0.5)
    assert time_ns.min() <= held.from_ns <= held.to_ns <= time_ns.max()
    for one in found.findings:
        assert one.from_ns in time_ns
        assert one.from_ns <= one.to_ns


def test_a_clock_that_goes_on_is_left_alone():
    channels = decode(capture([(0, 1, b"\1"), (5, 1, b"\1"), (4.5, 2, b"\1")]), SignalMap())
    assert without_jumps(channels) == (channels, None)


@given(st.lists(st.tuples(st.floats(0, 100), st.integers(1, 8)), min_size=2, max_size=6))
def test_within_each_part_nothing_moves_and_parts_follow_one_another(parts):
    rows = [(begin + n * 0.5, 0x10, b"\1") for begin, count in parts for n in range(count)]
    channels = decode(capture(rows), SignalMap())
    moved, clock = without_jumps(channels)
    if clock is None:
        return
    said, gone = channels.frames.time_ns, moved.frames.time_ns
    assert (np.diff(gone) >= 0).all()
    steps = np.diff(said)
    kept = steps >= 0
    assert (np.diff(gone)[kept] <= steps[kept]).all()
