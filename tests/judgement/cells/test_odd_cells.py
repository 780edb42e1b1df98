"""Whatever cells come in, judging how they stand gives findings or reasons, never an error."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoder.channels import decode
from decoder.judgement.cells.cell_figures import cell_figures
from decoder.judgement.cells.cell_table import cell_table
from decoder.judgement.cells.imbalance import imbalance_findings
from decoder.judgement.cells.self_discharge import self_discharge_findings
from decoder.judgement.cells.taps import tap_findings
from tests.judgement.made_cells import Pack, cells, channels_of

ROOMS = (imbalance_findings, self_discharge_findings, tap_findings)


def judged(channels):
    table, not_judged = cell_table(channels), {}
    if table is None:
        return []
    cell_figures(channels, table)
    return [finding for room in ROOMS for finding in room(channels, table, not_judged)]


def judged_with_frames(channels, order):
    return judged(decode(_picked(channels.frames, order), channels.signal_map))


def _picked(frames, order):
    names = ("time_ns", "bus", "can_id", "flags", "length", "data", "line", "source")
    return replace(frames, **{name: getattr(frames, name)[order] for name in names})


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_any_frames_lost_any_cells_away_any_clock(data):
    count = data.draw(st.integers(1, 9))
    seed = data.draw(st.integers(0, 999))
    rng = np.random.default_rng(seed)
    away = data.draw(st.floats(0, 1))
    steps = ((0.0, 0.0), (20.0, 100.0), (40.0, 0.0))
    made = cells(count, seed, steps=steps, noise_v=data.draw(st.sampled_from([0, 0.001, 0.3])))
    pack = Pack(
        made.volt,
        data.draw(st.sampled_from([(count,), (1,) * count])),
        data.draw(st.sampled_from([0.1, 2, 90, 1500])),
        every_s=1.0,
        current=data.draw(st.sampled_from([made.current, None])),
        absent=data.draw(st.sampled_from([None, lambda at: rng.random(at.shape) < away])),
        bleeding=data.draw(st.sampled_from([{}, {(1, 1): (0, 1000)}])),
    )
    channels = channels_of(pack)
    judged(channels)
    kept = np.flatnonzero(rng.random(len(channels.frames)) < data.draw(st.floats(0.05, 1)))
    if len(kept):
        judged_with_frames(channels, np.roll(kept, len(kept) // 2))


def test_frames_lost_and_a_clock_that_jumps_back_make_no_finding_and_hide_none():
    made = cells(24, seed=3)
    channels = channels_of(Pack(made.volt, (12, 12), 300))
    kept = np.flatnonzero(np.random.default_rng(1).random(len(channels.frames)) < 0.9)
    jumped = np.roll(kept, len(kept) // 2)
    assert judged_with_frames(channels, jumped) == []
    made.offset_v[5] += 0.1
    channels = channels_of(Pack(made.volt, (12, 12), 300))
    assert [(one.code, one.place.cell) for one in judged_with_frames(channels, jumped)] == [("cell-imbalance", 6)]


@pytest.mark.parametrize("by_v", [0.0, 0.1])
def test_cells_that_wake_up_not_available(by_v):
    made = cells(24)
    made.offset_v[5] += by_v
    channels = channels_of(Pack(made.volt, (12, 12), 60, absent=lambda at: at < 5))
    assert [one.code for one in judged(channels)] == ["cell-imbalance"] * (by_v > 0)
