"""A recorder that is killed leaves a file that opens and lacks no more than the last second."""

from __future__ import annotations

import importlib

import pytest

trial = importlib.import_module("tools.kill_trial")


@pytest.mark.parametrize("run_s", [0.0, 0.713, 1.931])
def test_a_killed_recorder_loses_at_most_the_last_second(run_s, tmp_path):
    result = trial.kill_once(tmp_path, run_s, rate=2000)
    assert result.wrong == ()
    assert result.frames > 2000 * (run_s - 1)


def test_a_file_that_lacks_frames_would_be_seen(tmp_path):
    path = tmp_path / "a.log"
    path.write_text(
        "".join(f"({1_700_000_000 + number / 10:.6f}) can0 123#{number:016X}\n" for number in range(20) if number != 7)
    )
    assert "frames are missing between others" in trial._look(path, 1_700_000_002.0, 10).wrong
    assert any("before the kill" in wrong for wrong in trial._look(path, 1_700_000_004.0, 10).wrong)
